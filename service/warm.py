"""What the server of forks does once when it imports this (processes.py), so that no process for work has to at its first piece:
the grammar of rules is built, catalogue and vocabularies are read, the solvers are loaded. They are shared until they change.

It takes about a second, which nobody waits for. Nothing here starts a thread, which a fork would not have.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from service.assignment.cp_sat import load_solver
from service.assignment.linear import load_linear
from service.assignment.network import load_graphs
from service.facts.holding import read_holdings
from service.progress.actions.evaluate import evaluated
from service.progress.actions.stored_set import LoadedRequest, catalogue_of
from service.progress.evaluate import EvaluationRequest
from service.reference import actions as reference
from service.reference.model import NOTHING_OWN

# Coins that compete, one whose year would settle a doubt, and a place with a choice: an evaluation goes through all of its parts.
_SET: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Warm",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": "old", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
        {"id": "any", "accepts": "denomination IN ('penny', 'halfpenny')"},
    ],
    "free_choice": [{"id": "free", "label": "Any", "places": 2, "accepts": "grade > 10"}],
}
_COINS: list[dict[str, Any]] = [
    {"id": "a", "facts": {"denomination": "penny", "year_on_coin": 1890, "grade": 20}},
    {"id": "b", "facts": {"denomination": "penny", "year_on_coin": {"one_of": [1900, 1901]}}},
    {"id": "c", "facts": {"denomination": "halfpenny", "grade": {"from": 8, "to": 20}}},
]


def evaluate_once() -> None:
    """A small evaluation with the shipped catalogue and vocabularies."""
    definition = reference.read_stored(_SET)
    request = EvaluationRequest(
        definition=definition,
        holdings=read_holdings(_COINS, definition.attributes, strict=True),
        today=date(2026, 1, 1),
        issues=catalogue_of(NOTHING_OWN, definition.attributes),
        vocabularies=definition.vocabularies,
        reference_edition=reference.edition(),
    )
    evaluated(LoadedRequest(request))


evaluate_once()
load_solver()
# A small evaluation needs neither, a large one does.
load_graphs()
load_linear()

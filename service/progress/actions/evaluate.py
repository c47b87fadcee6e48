"""Evaluating what a request brings along, or refers to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.accounts.model import Owner
from service.database.engine import Database
from service.errors import Fault, Invalid
from service.progress.actions.inputs import (
    Inputs,
    definition_of,
    faults_of_the_rest,
    holdings_of,
    issues_of,
    load,
    presumptions_of,
    replaces_of,
)
from service.progress.actions.stored_set import LoadedRequest, stored_holdings
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.result import Evaluation, IgnoredFact
from service.reference import actions as reference

Pairs = Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class EvaluationInputs(Inputs):
    """What to evaluate. `holdings` as they came, not read yet; None: those that the owner keeps here, under the owner's
    decisions for a stored definition too. `pins` and `nevers` are (holding id, place), `previous` is (place, holding id)."""

    holdings: Sequence[Any] | None = None
    pins: Pairs = ()
    nevers: Pairs = ()
    previous: Pairs = ()
    budget_seconds: float = 10.0


def evaluation_request(database: Database, owner: Owner | None, inputs: EvaluationInputs) -> LoadedRequest:
    """The evaluation that a request asks for. Raises Invalid with pointers into the request, NotAuthenticated without an
    account where something kept here is used, NotFound."""
    stored = load(database, owner, inputs, all_holdings=inputs.holdings is None)
    try:
        definition = definition_of(inputs, stored)
    except Invalid as refusal:
        raise Invalid([*refusal.faults, *faults_of_the_rest(inputs, inputs.holdings or (), kept=stored.own)]) from None
    faults: list[Fault] = []
    issues = issues_of(inputs, definition.attributes, faults, stored.own)
    presumptions = presumptions_of(inputs, definition, faults, stored.own)
    ignored: tuple[IgnoredFact, ...] = ()
    if inputs.holdings is None:
        holdings, ignored = stored_holdings(
            stored.holdings or (), definition.attributes, issues, definition.vocabularies
        )
    else:
        holdings = holdings_of(inputs.holdings, definition.attributes, faults)
    if faults:
        raise Invalid(faults)
    request = EvaluationRequest(
        definition=definition,
        holdings=holdings,
        issues=issues,
        vocabularies=definition.vocabularies,
        presumptions=presumptions,
        presume=inputs.presume,
        replaces=replaces_of(inputs, stored.own),
        pins=_together(inputs.pins, stored.decisions.pins, inputs.nevers),
        nevers=_together(inputs.nevers, stored.decisions.nevers, inputs.pins),
        previous=tuple(inputs.previous),
        today=inputs.today,
        budget_seconds=inputs.budget_seconds,
        holdings_state=stored.state,
        reference_edition=reference.edition(),
        **stored.stamp,
    )
    return LoadedRequest(request, ignored)


def evaluated(loaded: LoadedRequest) -> Evaluation:
    """The evaluation, with what was left out of the holdings. Takes its time: call it outside the event loop."""
    return evaluate(loaded.request).with_ignored(list(loaded.ignored))


def _together(sent: Pairs, stored: Pairs, against: Pairs) -> tuple[tuple[str, str], ...]:
    """What is sent and what is kept, without what the request says the opposite of."""
    return tuple(dict.fromkeys((*sent, *(pair for pair in stored if pair not in against))))

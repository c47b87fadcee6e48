"""Explaining one holding against one place of a set or all, clause by clause."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.accounts.model import Owner
from service.database.engine import Database
from service.database.ids import read_id
from service.errors import Fault, Invalid
from service.facts.holding import Holding
from service.progress.actions.inputs import (
    Inputs,
    definition_of,
    faults_of_the_rest,
    holdings_of,
    issues_of,
    load,
    moved,
    presumptions_of,
    replaces_of,
)
from service.progress.actions.stored_set import stored_holdings
from service.progress.evaluate import EvaluationRequest
from service.progress.explain import Explanation, explain
from service.reference import actions as reference
from service.rules.phrases import ENGLISH_SPEECH, Speech


@dataclass(frozen=True, slots=True)
class ExplanationInputs(Inputs):
    """Which holding to explain: the id of one kept here, or one as it came, not read yet. `place`: a place or a group; None:
    all."""

    holding: Any = None
    place: str | None = None


def explain_holding(
    database: Database, owner: Owner | None, inputs: ExplanationInputs, speech: Speech = ENGLISH_SPEECH
) -> Explanation:
    """The explanation that a request asks for, in the language of `speech`. Takes its time: call it outside the event loop.
    Raises Invalid with pointers into the request, NotAuthenticated, NotFound."""
    request, holding = explanation_request(database, owner, inputs)
    try:
        return explain(request, holding, inputs.place, speech)
    except Invalid as refusal:
        raise Invalid(moved(fault, "/holdings/0", "/holding") for fault in refusal.faults) from None


def explanation_request(
    database: Database, owner: Owner | None, inputs: ExplanationInputs
) -> tuple[EvaluationRequest, Holding]:
    """The definition with its reference data, and the holding to explain."""
    identity = None
    if isinstance(inputs.holding, str):
        identity = read_id(inputs.holding)
        if identity is None:
            raise Invalid([Fault("id", "this is the id of a holding kept here, or a holding", "/holding")])
    stored = load(database, owner, inputs, holding=identity)
    try:
        definition = definition_of(inputs, stored)
    except Invalid as refusal:
        sent = [] if stored.holdings else [inputs.holding]
        raise Invalid([*refusal.faults, *faults_of_the_rest(inputs, sent, "/holding", stored.own)]) from None
    faults: list[Fault] = []
    issues = issues_of(inputs, definition.attributes, faults, stored.own)
    presumptions = presumptions_of(inputs, definition, faults, stored.own)
    if stored.holdings:
        holding = stored_holdings(stored.holdings, definition.attributes, issues, definition.vocabularies)[0][0]
    else:
        found = holdings_of([inputs.holding], definition.attributes, faults, "/holding")
        holding = found[0] if found else Holding("?", {})
    if faults:
        raise Invalid(faults)
    request = EvaluationRequest(
        definition=definition,
        holdings=(holding,),
        issues=issues,
        vocabularies=definition.vocabularies,
        presumptions=presumptions,
        presume=inputs.presume,
        replaces=replaces_of(inputs, stored.own),
        today=inputs.today,
        reference_edition=reference.edition(),
        **stored.stamp,
    )
    return request, holding

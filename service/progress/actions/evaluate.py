"""Evaluating what a request brings along, or refers to."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from msgspec import structs

from service.accounts.model import Owner
from service.database.engine import Database
from service.errors import Fault, Invalid
from service.progress.actions.inputs import (
    Inputs,
    Stored,
    definition_of,
    faults_of_the_rest,
    holdings_of,
    issues_of,
    load,
    presumptions_of,
    replaces_of,
)
from service.progress.actions.stored_set import LoadedRequest, stored_holdings
from service.progress.evaluate import (
    EvaluationRequest,
    evaluate,
    evaluate_parts,
    evaluate_undecided,
    names_of_some,
)
from service.progress.named import NamedHolding
from service.progress.result import Evaluation, EvaluationParts, IgnoredFact, UndecidedConflict, UnplacedHolding
from service.reference import actions as reference
from service.rules.definition import Definition

Pairs = Sequence[tuple[str, str]]
Item = TypeVar("Item")


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
    return loaded_request(inputs, stored, definition)


def loaded_request(inputs: EvaluationInputs, stored: Stored, definition: Definition) -> LoadedRequest:
    """The evaluation of a definition that was read. Raises Invalid with pointers into the request."""
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


def evaluated_parts(loaded: LoadedRequest, names: Collection[str]) -> EvaluationParts:
    """Some members of the evaluation, by name (PARTS)."""
    found = evaluate_parts(loaded.request, names)
    return structs.replace(found, ignored_facts=list(loaded.ignored)) if "ignored_facts" in names else found


@dataclass(frozen=True, slots=True)
class Page(Generic[Item]):
    """Some entries of a list, the key behind which the next ones begin (None: these are the last), and the names of the coins
    in them."""

    items: list[Item]
    next: str | None
    named: dict[str, NamedHolding]


def unplaced_after(loaded: LoadedRequest, key: str | None, limit: int) -> Page[UnplacedHolding]:
    """Up to so many holdings that sit in no place, from behind the one with this id."""
    left = evaluate_parts(loaded.request, ("unplaced",)).unplaced or []
    found = [entry for entry in left if key is None or entry.holding > key][: limit + 1]
    items = found[:limit]
    named = names_of_some(loaded.request, frozenset(entry.holding for entry in items))
    return Page(items, items[-1].holding if len(found) > limit else None, named)


def undecided_after(loaded: LoadedRequest, key: str | None, limit: int) -> Page[UndecidedConflict]:
    """Up to so many coins that may fit some place, from behind the one with this key."""
    items, following = evaluate_undecided(loaded.request, key, limit)
    named = names_of_some(loaded.request, frozenset(entry.holding for entry in items))
    return Page(items, following, named)


def _together(sent: Pairs, stored: Pairs, against: Pairs) -> tuple[tuple[str, str], ...]:
    """What is sent and what is kept, without what the request says the opposite of."""
    return tuple(dict.fromkeys((*sent, *(pair for pair in stored if pair not in against))))

"""The owner's holdings by a filter in the rule language and in an order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, InvalidQuery, NotFound
from service.evaluation.views import Views
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import Holding, View
from service.facts.truth import UNDECIDED, YES
from service.facts.words import nearest
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.notation.terms import with_terms
from service.progress.actions.inputs import stored_definition_id
from service.progress.actions.stored_set import LoadedRequest, catalogue_of, load_stored_set, stored_holdings
from service.progress.evaluate import evaluate_unnamed
from service.progress.own_fields import (
    OWN_FIELDS,
    filter_attributes,
    filter_views,
    folded,
    has_words,
    own_knowledge,
    pieces,
    place_attribute,
    with_places,
)
from service.progress.selection import Order, SortKey, comes_after, in_order, least, verdicts_of
from service.reference import actions as reference
from service.reference import shipped
from service.reference.store import IssueStore
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext, Predicate
from service.runtime import Context


def _own_order(name: str, stored: StoredHolding) -> Any:
    return least(own_knowledge(stored.data)[name])


_ORDERED = tuple(name for name, field in OWN_FIELDS.items() if not field.many and name != "issue")
_OWN_ORDERS: Mapping[str, Callable[[StoredHolding], Any]] = {
    **{name: partial(_own_order, name) for name in _ORDERED},
    "created_at": lambda stored: stored.created_at,
    "updated_at": lambda stored: stored.updated_at,
}


@dataclass(frozen=True, slots=True)
class FoundHoldings:
    """The holdings that fit, in order, each with its key."""

    order: Order
    entries: Sequence[tuple[SortKey, StoredHolding]]

    def after(self, key: SortKey | None, limit: int) -> Sequence[tuple[SortKey, StoredHolding]]:
        """Up to `limit` of them, from behind the key. Raises ValueError for a key of another order."""
        if key is None:
            return self.entries[:limit]
        try:
            behind = [entry for entry in self.entries if comes_after(entry[0], key, self.order)]
        except TypeError:
            raise ValueError("a key of another order") from None
        return behind[:limit]


def search(
    context: Context, owner: Owner, rule: str | None, sort: str | None, *, doubtful: bool, words: str | None = None
) -> FoundHoldings:
    """The holdings that fit the rule (CQL2 text over facts and own fields; None: all) for certain, with `doubtful` those too that
    may fit, and whose own fields have all the `words`; in the order of an attribute or an own field, downwards with a minus
    before it (None: by id). What the account presumes of a coin counts as known. A holding of several pieces fits when one of
    them does. Raises InvalidQuery when the rule or the order is not valid. Takes its time."""
    day = context.today()
    read = context.database.read(lambda connection: _Read(connection, owner, rule, sort, day))
    # The session is closed: what follows takes long.
    holdings, _ = stored_holdings(read.stored, read.attributes, read.views.issues, read.vocabularies)
    numbers: Sequence[int] = range(len(holdings))
    if read.predicate is not None:
        scope = EvaluationContext(day, read.vocabularies)
        rows, of_holding = read.rows(holdings)
        verdicts = verdicts_of(read.predicate, rows, read.filter_attributes, scope)
        wanted = (YES, UNDECIDED) if doubtful else (YES,)
        numbers = sorted({of_holding[row] for row, verdict in enumerate(verdicts) if verdict in wanted})
    if words is not None:
        sought = folded(words).split()
        numbers = [number for number in numbers if has_words(read.stored[number].data, sought)]
    found = [(_value(read, number, holdings[number]), read.stored[number]) for number in numbers]
    keys = [(value, stored.id) for value, stored in found]
    return FoundHoldings(read.order, [(keys[at], found[at][1]) for at in in_order(keys, read.order)])


class _Read:
    """Everything that a search looks at, read in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner, rule: str | None, sort: str | None, day: date) -> None:
        own = IssueStore(connection, owner).own_reference()
        schemes = self.vocabularies = reference.vocabularies_with(own)
        self.attributes: Attributes = with_terms(known_attributes(connection, owner, CORE), self.vocabularies)
        self.stored = HoldingStore(connection, owner).all()
        self.views = Views(
            self.attributes,
            EvaluationContext(day, schemes),
            catalogue_of(own, self.attributes),
            own.presumed.read(self.attributes, schemes),
            own.replaces,
            shipped.claims().narrows,
        )
        self.order = _order(sort, self.attributes)
        self.filter_attributes = filter_attributes(self.attributes)
        self.sets: dict[str, LoadedRequest] = {}
        self.predicate = None if rule is None else self._predicate(connection, owner, rule, day)

    def rows(self, holdings: Sequence[Holding]) -> tuple[list[tuple[View, ...]], list[int]]:
        """All that each piece may be, and for each row the number of its holding."""
        places: dict[str, dict[str, list[str]]] = {}
        for name, asked in self.sets.items():
            found = places.setdefault(name, {})
            for entry in evaluate_unnamed(asked.request).places():
                if entry.holding is not None and entry.status != "empty":
                    found.setdefault(entry.holding, []).append(entry.place)
        rows: list[tuple[View, ...]] = []
        of_holding: list[int] = []
        for number, holding in enumerate(holdings):
            views = filter_views(self.stored[number], self.views.of(holding))
            if not places:
                rows.append(views)
                of_holding.append(number)
                continue
            mine = {name: found.get(holding.id, []) for name, found in places.items()}
            for piece in pieces(views, holding.quantity, mine):
                rows.append(piece)
                of_holding.append(number)
        return rows, of_holding

    def _predicate(self, connection: Connection, owner: Owner, text: str, day: date) -> Predicate:
        try:
            expression, named = with_places(parse(text))
            for name, identity in named.items():
                self.sets[name] = load_stored_set(
                    connection, owner, stored_definition_id(identity), holdings=self.stored
                ).ask(day)
            attributes = self.filter_attributes.extended(place_attribute(name) for name in named)
            self.filter_attributes = attributes
            return bind(expression, attributes, self.vocabularies)
        except NotFound as refusal:
            fault = Fault("not-found", f"set(...) names a definition that you do not have: {refusal}", "/filter")
            raise InvalidQuery([fault], "the filter is not a valid rule; see `errors`") from None
        except Invalid as refusal:
            faults = [Fault(f.code, f.message, "/filter", f.hint, f.line, f.column) for f in refusal.faults]
            raise InvalidQuery(faults, "the filter is not a valid rule; see `errors`") from None


def _value(read: _Read, number: int, holding: Holding) -> Any:
    """What the holding counts for in the order; None: not recorded."""
    name = read.order.name
    if name == "":
        return None
    if name in _OWN_ORDERS:
        return _OWN_ORDERS[name](read.stored[number])
    values = [least(view.facts.get(name)) for view in read.views.of(holding)]
    return min((value for value in values if value is not None), default=None)


def _order(text: str | None, attributes: Attributes) -> Order:
    if text is None:
        return Order("")
    order = Order(text.removeprefix("-"), text.startswith("-"))
    if order.name not in _OWN_ORDERS and order.name not in attributes:
        near = nearest(order.name, [*_OWN_ORDERS, *attributes])
        hint = f"did you mean '{near}'?" if near else None
        fault = Fault("unknown-attribute", f"holdings cannot be sorted by '{order.name[:80]}'", "/sort", hint)
        raise InvalidQuery([fault], "the order is not valid; see `errors`")
    return order

"""The owner's holdings by a filter in the rule language and in an order, page by page."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from pydantic import Field
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, InvalidQuery
from service.facts.attributes import Attributes, nearest
from service.facts.core import CORE
from service.facts.holding import Holding, views
from service.facts.truth import UNDECIDED, YES
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.http.pagination import PageQuery, bad_cursor
from service.progress.actions.evaluate import own_and_shipped, stored_holdings, today
from service.progress.selection import Order, as_text, comes_after, from_text, in_order, least, verdicts_of
from service.reference import actions as reference
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext, Predicate

_OWN_ORDERS: Mapping[str, Callable[[StoredHolding], Any]] = {
    "number": lambda stored: stored.data.get("number"),
    "location": lambda stored: stored.data.get("location"),
    "status": lambda stored: stored.data.get("status", "held"),
    "created_at": lambda stored: stored.created_at,
    "updated_at": lambda stored: stored.updated_at,
}


class SelectionQuery(PageQuery):
    """Which holdings, in which order."""

    filter: str | None = Field(
        None,
        max_length=4_096,
        description="A rule (CQL2 text), as in a definition: grade >= 40 AND narrower(motifs, 'bird').",
    )
    doubtful: bool = Field(False, description="true: those too of which it cannot be told yet.")
    sort: str | None = Field(
        None,
        max_length=110,
        description="An attribute, or number, location, status, created_at, updated_at; with a minus before it downwards. "
        "What is not recorded comes last; left out: by id.",
    )
    count: bool = Field(False, description="true: `total` says how many there are on all pages.")

    @property
    def is_plain(self) -> bool:
        return self.filter is None and self.sort is None and not self.count


class Selection:
    """Everything that a page is cut from, read in one snapshot; `narrowed` does the work, after the session is closed."""

    def __init__(self, connection: Connection, owner: Owner, query: SelectionQuery) -> None:
        self.query = query
        self.attributes = known_attributes(connection, owner, CORE)
        self.stored = HoldingStore(connection, owner).all()
        self.issues = own_and_shipped(connection, owner, self.attributes)
        self.order = _order(query.sort, self.attributes)
        self.predicate = _rule(query.filter, self.attributes)

    def narrowed(self) -> Narrowed:
        holdings, _ = stored_holdings(self.stored, self.attributes, self.issues)
        picked = list(range(len(holdings)))
        if self.predicate is not None:
            context = EvaluationContext(today(), reference.vocabularies())
            wanted = (YES, UNDECIDED) if self.query.doubtful else (YES,)
            verdicts = verdicts_of(self.predicate, holdings, self.issues, self.attributes, context)
            picked = [number for number in picked if verdicts[number] in wanted]
        values = [self._value(self.stored[number], holdings[number]) for number in picked]
        entries = [(value, self.stored[number].id) for value, number in zip(values, picked, strict=True)]
        arranged = in_order(entries, self.order)
        return Narrowed([(entries[at], self.stored[picked[at]]) for at in arranged], self.order)

    def _value(self, stored: StoredHolding, holding: Holding) -> Any:
        if self.order.name == "":
            return None
        if self.order.name in _OWN_ORDERS:
            return _OWN_ORDERS[self.order.name](stored)
        found = [least(view.facts.get(self.order.name)) for view in views(holding, self.issues)]
        return min((value for value in found if value is not None), default=None)


class Narrowed:
    """The holdings that were asked for, in order."""

    def __init__(self, entries: Sequence[tuple[tuple[Any, str], StoredHolding]], order: Order) -> None:
        self.entries, self.order = entries, order

    def after(self, key: str | None, limit: int) -> Sequence[tuple[tuple[Any, str], StoredHolding]]:
        """Those behind the one with this key."""
        if key is None:
            return self.entries[:limit]
        last = _read_key(key)
        try:
            behind = [entry for entry in self.entries if comes_after(entry[0], last, self.order)]
        except TypeError:
            raise bad_cursor() from None
        return behind[:limit]

    @staticmethod
    def key(entry: tuple[tuple[Any, str], StoredHolding]) -> str:
        value, identity = entry[0]
        return json.dumps([as_text(value), identity])


def _read_key(text: str) -> tuple[Any, str]:
    try:
        value, identity = json.loads(text)
        if not isinstance(identity, str):
            raise bad_cursor()
        return from_text(value), identity
    except (ValueError, TypeError, RecursionError):
        raise bad_cursor() from None


def _rule(text: str | None, attributes: Attributes) -> Predicate | None:
    if text is None:
        return None
    try:
        return bind(parse(text), attributes, reference.vocabularies())
    except Invalid as refusal:
        faults = [Fault(f.code, f.message, "/filter", f.hint, f.line, f.column) for f in refusal.faults]
        raise InvalidQuery(faults, "the filter is no rule; see `errors`") from None


def _order(text: str | None, attributes: Attributes) -> Order:
    if text is None:
        return Order("")
    order = Order(text.removeprefix("-"), text.startswith("-"))
    if order.name not in _OWN_ORDERS and order.name not in attributes:
        near = nearest(order.name, [*_OWN_ORDERS, *attributes])
        hint = f"did you mean '{near}'?" if near else None
        fault = Fault("unknown-attribute", f"there is nothing '{order.name[:80]}' to sort by", "/sort", hint)
        raise InvalidQuery([fault], "the order is not known; see `errors`")
    return order

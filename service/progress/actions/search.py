"""The owner's holdings by a filter in the rule language and in an order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, InvalidQuery
from service.facts.attributes import Attributes, nearest
from service.facts.core_attributes import CORE
from service.facts.holding import Facts, Holding, candidate_views
from service.facts.truth import UNDECIDED, YES
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.progress.actions.stored_set import own_and_shipped, stored_holdings
from service.progress.selection import Order, SortKey, comes_after, in_order, least, verdicts_of
from service.reference import actions as reference
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext, Predicate
from service.runtime import Context

_OWN_ORDERS: Mapping[str, Callable[[StoredHolding], Any]] = {
    "number": lambda stored: stored.data.get("number"),
    "location": lambda stored: stored.data.get("location"),
    "status": lambda stored: stored.data.get("status", "held"),
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


def search(context: Context, owner: Owner, rule: str | None, sort: str | None, *, doubtful: bool) -> FoundHoldings:
    """The holdings that fit the rule (CQL2 text; None: all) for certain, with `doubtful` those too that may fit; in the order of
    an attribute or an own field, downwards with a minus before it (None: by id). Raises InvalidQuery when the rule or the order
    is not valid."""
    read = context.database.read(lambda connection: _Read(connection, owner, rule, sort))
    # The session is closed: what follows takes long.
    holdings, _ = stored_holdings(read.stored, read.attributes, read.issues)
    numbers: Sequence[int] = range(len(holdings))
    if read.predicate is not None:
        scope = EvaluationContext(context.today(), reference.vocabularies())
        verdicts = verdicts_of(read.predicate, holdings, read.issues, read.attributes, scope)
        wanted = (YES, UNDECIDED) if doubtful else (YES,)
        numbers = [number for number in numbers if verdicts[number] in wanted]
    found = [(_value(read, number, holdings[number]), read.stored[number]) for number in numbers]
    keys = [(value, stored.id) for value, stored in found]
    return FoundHoldings(read.order, [(keys[at], found[at][1]) for at in in_order(keys, read.order)])


class _Read:
    """Everything that a search looks at, read in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner, rule: str | None, sort: str | None) -> None:
        self.attributes: Attributes = known_attributes(connection, owner, CORE)
        self.stored = HoldingStore(connection, owner).all()
        self.issues: Mapping[str, Facts] = own_and_shipped(connection, owner, self.attributes)
        self.order = _order(sort, self.attributes)
        self.predicate = _predicate(rule, self.attributes)


def _value(read: _Read, number: int, holding: Holding) -> Any:
    """What the holding counts for in the order; None: not recorded."""
    name = read.order.name
    if name == "":
        return None
    if name in _OWN_ORDERS:
        return _OWN_ORDERS[name](read.stored[number])
    values = [least(view.facts.get(name)) for view in candidate_views(holding, read.issues)]
    return min((value for value in values if value is not None), default=None)


def _predicate(text: str | None, attributes: Attributes) -> Predicate | None:
    if text is None:
        return None
    try:
        return bind(parse(text), attributes, reference.vocabularies())
    except Invalid as refusal:
        faults = [Fault(f.code, f.message, "/filter", f.hint, f.line, f.column) for f in refusal.faults]
        raise InvalidQuery(faults, "the filter is not a valid rule; see `errors`") from None


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

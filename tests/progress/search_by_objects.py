"""A search with an object for each holding: what columns are compared with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from service.evaluation.table import Table
from service.evaluation.views import Views
from service.facts.attributes import Attributes
from service.facts.holding import Holding, View
from service.facts.truth import UNDECIDED, YES, Verdict
from service.holdings.model import StoredHolding
from service.progress.own_fields import OWN_FIELDS, TEXTS, filter_views, folded, own_knowledge, pieces, texts_of
from service.progress.selection import Order, SortKey, comes_after, least
from service.rules.predicates import EvaluationContext, Predicate


def has_words(data: Mapping[str, Any], words: Sequence[str]) -> bool:
    """Whether each of the folded words is somewhere in the texts of the own fields."""
    whole = folded("\n".join(text for name in TEXTS for text in texts_of(name, data.get(name))))
    return all(word in whole for word in words)


def verdicts_of(
    predicate: Predicate,
    seen: Sequence[tuple[View, ...]],
    attributes: Attributes,
    context: EvaluationContext,
) -> list[Verdict]:
    """The verdict of the rule for every piece, each given as all that it may be, in their order."""
    table = Table(attributes, context)
    return [table.verdict(predicate, mine) for mine in seen]


def in_order(keys: Sequence[SortKey], order: Order) -> list[int]:
    """The numbers of the keys in the order."""
    known = [number for number, (value, _) in enumerate(keys) if value is not None]
    rest = [number for number, (value, _) in enumerate(keys) if value is None]
    by_id = sorted(known, key=lambda number: keys[number][1])
    by_value = sorted(by_id, key=lambda number: keys[number][0], reverse=order.downwards)
    return [*by_value, *sorted(rest, key=lambda number: keys[number][1])]


def _own_order(name: str, stored: StoredHolding) -> Any:
    return least(own_knowledge(stored.data)[name])


_ORDERED = tuple(name for name, field in OWN_FIELDS.items() if not field.many and name != "issue")
OWN_ORDERS: Mapping[str, Callable[[StoredHolding], Any]] = {
    **{name: partial(_own_order, name) for name in _ORDERED},
    "created_at": lambda stored: stored.created_at,
    "updated_at": lambda stored: stored.updated_at,
}


def found(
    stored: Sequence[StoredHolding],
    holdings: Sequence[Holding],
    views: Views,
    predicate: Predicate | None,
    attributes: Attributes,
    context: EvaluationContext,
    order: Order,
    places: Mapping[str, Mapping[str, Sequence[str]]],
    words: Sequence[str] | None,
    *,
    doubtful: bool,
) -> list[tuple[SortKey, StoredHolding]]:
    """The holdings that fit, in order, each with its key."""
    numbers: Sequence[int] = range(len(holdings))
    if predicate is not None:
        rows: list[tuple[View, ...]] = []
        of_holding: list[int] = []
        for number, holding in enumerate(holdings):
            mine = filter_views(stored[number], views.of(holding))
            placed = {name: found.get(holding.id, []) for name, found in places.items()}
            for piece in pieces(mine, holding.quantity, placed) if places else [mine]:
                rows.append(piece)
                of_holding.append(number)
        verdicts = verdicts_of(predicate, rows, attributes, context)
        wanted = (YES, UNDECIDED) if doubtful else (YES,)
        numbers = sorted({of_holding[row] for row, verdict in enumerate(verdicts) if verdict in wanted})
    if words is not None:
        numbers = [number for number in numbers if has_words(stored[number].data, words)]
    entries = [(_value(order.name, stored[number], holdings[number], views), stored[number]) for number in numbers]
    keys = [(value, one.id) for value, one in entries]
    return [(keys[at], entries[at][1]) for at in in_order(keys, order)]


def after(
    entries: Sequence[tuple[SortKey, StoredHolding]], key: SortKey | None, limit: int, order: Order
) -> Sequence[tuple[SortKey, StoredHolding]]:
    """Up to `limit` of them, from behind the key. Raises ValueError for a key of another order."""
    if key is None:
        return entries[:limit]
    try:
        behind = [entry for entry in entries if comes_after(entry[0], key, order)]
    except TypeError:
        raise ValueError("a key of another order") from None
    return behind[:limit]


def _value(name: str, stored: StoredHolding, holding: Holding, views: Views) -> Any:
    if name == "":
        return None
    if name in OWN_ORDERS:
        return OWN_ORDERS[name](stored)
    values = [least(view.facts.get(name)) for view in views.of(holding)]
    return min((value for value in values if value is not None), default=None)

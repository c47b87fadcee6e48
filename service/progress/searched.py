"""The holdings of an owner as a search reads them: facts and own fields in columns, words, orders. Pure.

As in an evaluation the verdicts are found in columns; of a page nothing is made but its own holdings.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from service.database.types import read_back
from service.evaluation.attribute_column import AttributeColumn
from service.evaluation.columns import Columns, FittingRows
from service.evaluation.grouping import grouped
from service.evaluation.recorded import CoinsInColumns, coins_in_columns
from service.evaluation.table import Table
from service.evaluation.views import Views
from service.facts.attributes import Attributes
from service.facts.holding import HELD, STATUSES, View
from service.facts.knowledge import NONE, Among, Knowledge
from service.facts.truth import UNDECIDED, YES
from service.holdings.columns.held import HoldingColumns
from service.holdings.columns.readings import own_column
from service.holdings.model import StoredHolding
from service.progress.own_fields import (
    OWN_FIELDS,
    PRICES,
    TEXTS,
    fact_of_filter,
    filter_attributes,
    filter_views,
    folded,
    known_of_own,
    pieces,
    texts_of,
)
from service.progress.selection import Order, SortKey, comes_after, least
from service.progress.stored_coins import StoredCoins
from service.rules.predicates import EvaluationContext, Predicate

MOMENTS = ("created_at", "updated_at")
_LEAST_STEP = 1_000
ORDERED = (*(name for name, field in OWN_FIELDS.items() if not field.many and name != "issue"), *MOMENTS)
"""The own fields by which holdings can be sorted."""

Flags = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]
# The addresses of the places that pieces of a holding take, by its id, for each attribute that stands for a set.
Places = Mapping[str, Mapping[str, Sequence[str]]]


@dataclass(frozen=True, slots=True)
class Ordered:
    """Every holding in an order: `rows`, and the value of each row at `values[codes[row]]`."""

    rows: Rows
    codes: npt.NDArray[np.integer[Any]]
    values: Sequence[Any]

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        return self.rows.nbytes + self.codes.nbytes + 100 * len(self.values)

    def value(self, row: int) -> Any:
        """What the holding counts for; None: not recorded."""
        return self.values[self.codes[row]]

    def among(self, flags: Flags) -> Rows:
        """The rows that have a flag, in this order."""
        return self.rows[flags[self.rows]]

    def first(self, most: int, flags: Flags) -> Rows:
        """The first of them, up to so many: no more rows than that takes are looked at."""
        found, at, step = [self.rows[:0]], 0, max(_LEAST_STEP, 4 * most)
        while most > 0 and at < len(self.rows):
            rows = self.rows[at : at + step]
            found.append(rows[flags[rows]][:most])
            most, at, step = most - len(found[-1]), at + step, 2 * step
        return np.concatenate(found)


class Searched:
    """All living holdings of an owner. What is worked out is kept, for the next search."""

    def __init__(self, held: HoldingColumns, attributes: Attributes, looks: Views) -> None:
        self.held, self.attributes, self.vocabularies = held, attributes, looks.context.vocabularies
        self._coins: CoinsInColumns = coins_in_columns(
            StoredCoins(held, attributes, looks.issues), frozenset(STATUSES), looks
        )
        self.filter_attributes = filter_attributes(attributes)
        self._orders: dict[Order, Ordered] = {}

    @property
    def nbytes(self) -> int:
        """About what it takes, beside the columns of the holdings."""
        return 10_000 + 20 * len(self.held) + sum(order.nbytes for order in list(self._orders.values()))

    @property
    def coins_held(self) -> int:
        """How many holdings are held."""
        return len(self._coins.recorded.of_status(HELD))

    def known(self, name: str) -> Iterator[tuple[tuple[Knowledge | None, ...], int]]:
        """What is known of an attribute of the coins that are held, and of how many: one entry for a coin that is one thing only,
        else one for each that it may be."""
        coins = self._coins
        counting = np.zeros(len(self.held), bool)
        counting[coins.recorded.of_status(HELD)] = True
        column = coins.column(name)
        numbers = np.bincount(column.codes[counting[coins.single]], minlength=len(column.entries))
        yield from (((known,), count) for known, count in zip(column.entries, numbers.tolist(), strict=True) if count)
        for coin in coins.several:
            if counting[coin]:
                yield tuple(view.facts.get(name) for view in coins.views[coin]), 1

    # -- filters

    def fitting(
        self,
        predicate: Predicate,
        attributes: Attributes,
        context: EvaluationContext,
        places: Places,
        *,
        doubtful: bool,
    ) -> Flags:
        """Of every holding whether some piece of it fits the rule for certain, or with `doubtful` may fit it. `attributes` are
        those of the filter."""
        coins = self._coins
        if not places and not coins.several:
            # A row for each holding.
            columns = Columns(len(self.held), self._column, attributes, context)
            return _flags(columns.fits(predicate), len(self.held), doubtful=doubtful)
        rows, numbers = self._pieces(places)
        row_of = np.full(len(self.held), -1, np.int64)
        row_of[coins.single] = np.arange(len(coins.single))
        inside = np.flatnonzero(row_of[rows] >= 0)
        of_single = row_of[rows[inside]]

        def column_of(name: str) -> AttributeColumn:
            if name in places:
                return self._places_column(places[name], rows[inside], numbers[inside])
            column = self._column(name)
            here = rows[inside] if name in OWN_FIELDS else of_single
            return AttributeColumn(column.codes[here], column.entries)

        fits = Columns(len(inside), column_of, attributes, context).fits(predicate)
        found = np.zeros(len(self.held), bool)
        found[rows[inside[_flags(fits, len(inside), doubtful=doubtful)]]] = True
        table, wanted = Table(attributes, context), (YES, UNDECIDED) if doubtful else (YES,)
        for coin in coins.several:
            found[coin] = any(table.verdict(predicate, views) in wanted for views in self._piece_views(coin, places))
        return found

    def _column(self, name: str) -> AttributeColumn:
        """An own field of every holding; a fact of those that are one thing only."""
        return self._own(name) if name in OWN_FIELDS else self._coins.column(fact_of_filter(name))

    def _pieces(self, places: Places) -> tuple[Rows, Rows]:
        """The pieces of holdings that differ in where they are placed: the holding of each, and which of its pieces it is."""
        count = len(self.held)
        rows, numbers = [np.arange(count)], [np.zeros(count, np.int64)]
        most: dict[str, int] = {}
        for found in places.values():
            for identity, addresses in found.items():
                most[identity] = max(most.get(identity, 0), len(addresses))
        for identity, placed in most.items():
            row = self.held.place_of(identity)
            if row is not None:
                more = min(int(self._coins.quantity[row]), placed + 1) - 1
                rows.append(np.full(more, row))
                numbers.append(np.arange(1, more + 1))
        return np.concatenate(rows), np.concatenate(numbers)

    def _places_column(self, found: Mapping[str, Sequence[str]], rows: Rows, numbers: Rows) -> AttributeColumn:
        entries: dict[Knowledge | None, int] = {None: 0, Among((NONE,)): 1}
        codes = np.ones(len(rows), np.int64)
        addresses_of = {self.held.place_of(identity): addresses for identity, addresses in found.items()}
        placed = np.isin(rows, [row for row in addresses_of if row is not None])
        for at in np.flatnonzero(placed).tolist():
            addresses = addresses_of[int(rows[at])]
            if numbers[at] < len(addresses):
                codes[at] = entries.setdefault(Among((addresses[numbers[at]],)), len(entries))
        return AttributeColumn(codes, tuple(entries))

    def _piece_views(self, coin: int, places: Places) -> Iterable[tuple[View, ...]]:
        views = filter_views(self.held[coin], self._coins.views[coin])
        if not places:
            return [views]
        identity = self.held.ids[coin]
        mine = {name: found.get(identity, ()) for name, found in places.items()}
        return pieces(views, int(self._coins.quantity[coin]), mine)

    def _own(self, name: str) -> AttributeColumn:
        """An own field of every holding."""
        if name not in PRICES:
            return own_column(self.held, name, lambda value: known_of_own(name, {name: value}))
        paid, values = self.held.own("price_paid"), self.held.own("values")
        first, kind = grouped((paid, values), len(self.held))
        number_of: dict[Knowledge | None, int] = {None: 0}
        numbers = []
        for row in first.tolist():
            data = {
                field: _raw(self.held, field, int(codes[row]))
                for field, codes in (("price_paid", paid), ("values", values))
            }
            numbers.append(number_of.setdefault(known_of_own(name, data), len(number_of)))
        return AttributeColumn(np.array(numbers, np.int64)[kind], tuple(number_of))

    # -- words

    def having(self, words: Sequence[str]) -> Flags:
        """Of every holding whether each of the folded words is somewhere in the texts of its own fields."""
        found = np.ones(len(self.held), bool)
        for word in words:
            somewhere = np.zeros(len(self.held), bool)
            for name in TEXTS:
                texts = self._texts(name).having(word)
                if texts.any():
                    somewhere |= texts[self.held.own(name)]
            found &= somewhere
        return found

    def _texts(self, name: str) -> FoldedTexts:
        readings, key = self.held.dictionary.readings, ("words", name)
        before: FoldedTexts = readings.get(key) or FoldedTexts()
        raws = self.held.dictionary.own[name].met
        if before.count < len(raws):
            values = (read_back(raw.decode()) for raw in raws[before.count :])
            before = readings[key] = before.with_more(folded("\n".join(texts_of(name, value))) for value in values)
        return before

    # -- orders

    def in_order(self, order: Order) -> Ordered:
        """Every holding in this order."""
        found = self._orders.get(order)
        if found is None:
            found = self._orders[order] = self._sorted(order)
        return found

    def _sorted(self, order: Order) -> Ordered:
        count = len(self.held)
        if order.name == "":
            return Ordered(np.arange(count), np.zeros(count, np.int64), (None,))
        if order.name in MOMENTS:
            codes, moments = self.held.moments(order.name)
            return _ordered(codes, moments, order)
        if order.name in ORDERED:
            own = self._own(order.name)
            return _ordered(own.codes, [least(entry) for entry in own.entries], order)
        coins = self._coins
        column = coins.column(order.name)
        values = [least(entry) for entry in column.entries]
        if not coins.several:
            return _ordered(column.codes, values, order)
        every = np.zeros(count, np.int64)
        every[coins.single] = column.codes
        for coin in coins.several:
            known = [least(view.facts.get(order.name)) for view in coins.views[coin]]
            every[coin] = len(values)
            values.append(min((value for value in known if value is not None), default=None))
        return _ordered(every, values, order)


def _flags(fits: FittingRows, rows: int, *, doubtful: bool) -> Flags:
    found = np.zeros(rows, bool)
    for some in (fits.certain, *(fits.doubtful().values() if doubtful else ())):
        found[some] = True
    return found


def _ordered(codes: npt.NDArray[np.integer[Any]], values: Sequence[Any], order: Order) -> Ordered:
    """The rows by their values; what is not recorded comes last either way, ties in the order of rows. Equal values have one
    rank, so that sorting numbers does what sorting values would."""
    met = np.zeros(len(values), bool)
    met[codes] = True
    known = sorted(
        (code for code in np.flatnonzero(met).tolist() if values[code] is not None), key=lambda code: values[code]
    )
    ranks = np.full(len(values), -1, np.int64)
    rank = -1
    for at, code in enumerate(known):
        if at == 0 or values[known[at - 1]] != values[code]:
            rank += 1
        ranks[code] = rank
    keys = ranks[codes]
    if order.downwards:
        keys = rank - keys
    keys[ranks[codes] < 0] = rank + 1
    return Ordered(np.argsort(keys, kind="stable"), codes, values)


class FoldedTexts:
    """Texts without case and accents, in one: `having` finds a word in all of them at once."""

    def __init__(self, whole: str = "", starts: Sequence[int] = ()) -> None:
        self._whole, self._starts = whole, list(starts)

    @property
    def count(self) -> int:
        """How many texts."""
        return len(self._starts)

    def with_more(self, texts: Iterable[str]) -> FoldedTexts:
        """These texts, and more after them."""
        parts, starts, at = [self._whole], list(self._starts), len(self._whole)
        for text in texts:
            starts.append(at)
            parts.append(text + "\n")
            at += len(text) + 1
        return FoldedTexts("".join(parts), starts)

    def having(self, word: str) -> Flags:
        """Of each text whether the word is in it; a word has no line breaks. Shape (texts,)."""
        found = np.zeros(self.count, bool)
        at = self._whole.find(word)
        while at >= 0:
            number = bisect_left(self._starts, at + 1) - 1
            found[number] = True
            at = -1 if number + 1 == self.count else self._whole.find(word, self._starts[number + 1])
        return found


@dataclass(frozen=True)
class FoundHoldings:
    """The holdings that fit (`fitting` has a flag for each row; None: all of them), in order."""

    order: Order
    ordered: Ordered
    fitting: Flags | None
    held: HoldingColumns

    def __len__(self) -> int:
        return len(self.held) if self.fitting is None else int(np.count_nonzero(self.fitting))

    @cached_property
    def rows(self) -> Rows:
        """Their rows, in order."""
        return self.ordered.rows if self.fitting is None else self.ordered.among(self.fitting)

    def after(self, key: SortKey | None, limit: int) -> Sequence[tuple[SortKey, StoredHolding]]:
        """Up to `limit` of them with their keys, from behind the key. Raises ValueError for a key of another order."""
        if key is None and self.fitting is not None:
            rows = self.ordered.first(limit, self.fitting)
        else:
            first = 0 if key is None else self._behind(key)
            rows = self.rows[first : first + limit]
        return [(self.key(row), self.held[row]) for row in rows.tolist()]

    def _behind(self, key: SortKey) -> int:
        """How many are not behind the key."""
        try:
            return bisect_left(_Behind(self, key), True)
        except TypeError:
            raise ValueError("a key of another order") from None

    def key(self, row: int) -> SortKey:
        """Where a holding is in the order."""
        return self.ordered.value(row), self.held.ids[row]


class _Behind(Sequence[bool]):
    """Of each of the found ones whether it is behind a key: false up to some place, and then true."""

    def __init__(self, found: FoundHoldings, key: SortKey) -> None:
        self._found, self._key = found, key

    def __len__(self) -> int:
        return len(self._found)

    def __getitem__(self, at: Any) -> Any:
        found = self._found
        return comes_after(found.key(int(found.rows[at])), self._key, found.order)


def _raw(held: HoldingColumns, name: str, code: int) -> Any:
    return read_back(held.dictionary.own[name].met[code].decode())

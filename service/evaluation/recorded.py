"""Coins by columns of what is recorded of them: a collection evaluated without an object for each coin. Pure.

What follows for a coin beyond what is recorded of it (its issue's facts, what identifies it, what is presumed) is worked out
once for all coins that agree in what it follows from, and laid over the columns.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar, overload

import numpy as np
import numpy.typing as npt

from service.evaluation.attribute_column import AttributeColumn
from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.grouping import grouped
from service.evaluation.views import Seen, Views
from service.facts.attributes import Attribute
from service.facts.holding import Holding, View
from service.facts.knowledge import Knowledge
from service.rules.predicates import EvaluationContext

Item = TypeVar("Item", covariant=True)
Rows = npt.NDArray[np.int64]


class RecordedCoins(Sequence[Holding]):
    """The coins of a collection, sorted by id, as one table of attributes reads them. One by itself is made when it is asked
    for."""

    @property
    @abstractmethod
    def ids(self) -> Sequence[str]:
        """The id of every coin."""

    @property
    @abstractmethod
    def numbers(self) -> Sequence[str | None]:
        """The owner's number of every coin."""

    @property
    @abstractmethod
    def quantity(self) -> npt.NDArray[np.int64]:
        """How many like pieces, shape (coins,)."""

    @property
    @abstractmethod
    def status(self) -> tuple[npt.NDArray[np.int32], Sequence[str]]:
        """Codes, shape (coins,), and what they mean."""

    @property
    @abstractmethod
    def issues(self) -> tuple[npt.NDArray[np.int32], Sequence[tuple[str, ...]]]:
        """The catalogue entries that each may be: codes, shape (coins,), and what they mean; code 0 is none named."""

    @abstractmethod
    def column(self, name: str) -> AttributeColumn:
        """What is recorded of an attribute, a row for each coin."""

    def of_status(self, statuses: frozenset[str]) -> Rows:
        """The coins of these statuses, ascending."""
        codes, names = self.status
        return np.flatnonzero(np.array([name in statuses for name in names], bool)[codes])


class Making(Sequence[Item]):
    """A sequence of which each is made when it is asked for the first time."""

    def __init__(self) -> None:
        self._made: dict[int, Item] = {}

    @abstractmethod
    def _make(self, at: int) -> Item:
        """The one at a place."""

    @overload
    def __getitem__(self, at: int) -> Item: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Item]: ...

    def __getitem__(self, at: int | slice) -> Item | Sequence[Item]:
        if isinstance(at, slice):
            return tuple(self[number] for number in range(*at.indices(len(self))))
        if not -len(self) <= at < len(self):
            raise IndexError(at)
        at = int(at) % len(self)
        found = self._made.get(at)
        if found is None:
            found = self._made[at] = self._make(at)
        return found

    def __iter__(self) -> Iterator[Item]:
        return map(self.__getitem__, range(len(self)))


class MadeWhenAsked(Making[Item]):
    """So many, made by a function. Of one that refers back to this sequence a ring would come, which only garbage collection
    frees."""

    def __init__(self, size: int, make: Callable[[int], Item]) -> None:
        super().__init__()
        self._size, self._making = size, make

    def __len__(self) -> int:
        return self._size

    def _make(self, at: int) -> Item:
        return self._making(at)


@dataclass(frozen=True, slots=True)
class _Kind:
    """What follows for coins that agree in all that it follows from. `over`: facts of the one view beyond what is recorded, or
    narrower; `presumed`: those of them that are presumed. Several views are none of these."""

    is_single: bool
    over: Mapping[str, Knowledge] = field(default_factory=dict)
    presumed: frozenset[str] = frozenset()
    clashes: bool = False


@dataclass(frozen=True)
class CoinsInColumns(Coins):
    """The coins `rows` (ascending) of a recorded collection, as `looks` sees them."""

    recorded: RecordedCoins
    rows: Rows
    _laid: _Laid = field(repr=False)

    @cached_property
    def ids(self) -> Sequence[str]:
        ids = self.recorded.ids
        return ids if len(self.rows) == len(ids) else [ids[row] for row in self.rows.tolist()]

    @cached_property
    def numbers(self) -> Sequence[str | None]:
        numbers = self.recorded.numbers
        return numbers if len(self.rows) == len(numbers) else [numbers[row] for row in self.rows.tolist()]

    @cached_property
    def quantity(self) -> npt.NDArray[np.int64]:
        return self.recorded.quantity[self.rows]

    @cached_property
    def single(self) -> npt.NDArray[np.int64]:
        return self._laid.single

    @cached_property
    def has_presumed(self) -> bool:
        kinds, _ = self._laid.kinds
        return any(kind.presumed for kind in kinds) or any(
            view.presumed for coin in self.several for view in self.views[coin]
        )

    @cached_property
    def clashing(self) -> Sequence[int]:
        kinds, kind_of = self._laid.kinds
        found: list[int] = np.flatnonzero(np.array([kind.clashes for kind in kinds], bool)[kind_of]).tolist()
        return found

    def recorded_column(self, name: str) -> AttributeColumn:
        column = self.recorded.column(name)
        return AttributeColumn(column.codes[self.rows], column.dictionary)

    def _columns(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns:
        return Columns(len(self.single), self._laid.column, attributes, context)

    def bare_columns(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns | None:
        if not self.has_presumed:
            return None
        return Columns(len(self.single), self._laid.bare_column, attributes, context)

    def column(self, name: str) -> AttributeColumn:
        """What is known of an attribute, a row for each coin that is one thing only."""
        return self._laid.column(name)


@dataclass(frozen=True)
class _Laid:
    """What follows for the coins `rows`, laid over what is recorded of them. By itself, so that columns need not refer to the
    coins that keep them."""

    recorded: RecordedCoins
    rows: Rows
    looks: Views

    @cached_property
    def single(self) -> npt.NDArray[np.int64]:
        kinds, kind_of = self.kinds
        return np.flatnonzero(np.array([kind.is_single for kind in kinds], bool)[kind_of])

    def column(self, name: str) -> AttributeColumn:
        """A row for each coin that is one thing only."""
        return self._column(name, bare=False)

    def bare_column(self, name: str) -> AttributeColumn:
        """The same without what is presumed."""
        return self._column(name, bare=True)

    def _column(self, name: str, *, bare: bool) -> AttributeColumn:
        column = self.recorded.column(name)
        if self._is_plain:
            return column
        codes, single = column.codes, self.single
        if len(single) < len(codes):
            codes = codes[self.rows[single]]
        kinds, kind_of = self.kinds
        laid = {
            number: kind.over[name]
            for number, kind in enumerate(kinds)
            if kind.is_single and name in kind.over and not (bare and name in kind.presumed)
        }
        if not laid:
            return AttributeColumn(codes, column.dictionary)
        number_of = {entry: number for number, entry in enumerate(column.entries)}
        over = np.full(len(kinds), -1, np.int32)
        for number, entry in laid.items():
            over[number] = number_of.setdefault(entry, len(number_of))
        found = over[kind_of[single]]
        return AttributeColumn(np.where(found >= 0, found, codes), tuple(number_of))

    # -- kinds

    @cached_property
    def _is_plain(self) -> bool:
        """Whether columns of what is recorded are those of the coins: all of them count and are one thing, beyond which nothing
        follows."""
        kinds, _ = self.kinds
        everything = len(self.rows) == len(self.recorded)
        return everything and all(kind.is_single and not kind.over for kind in kinds)

    @cached_property
    def kinds(self) -> tuple[list[_Kind], Rows]:
        """The kinds that there are, and the number of each coin's."""
        codes, meanings = self.recorded.issues
        codes = codes[self.rows]
        used = [meanings[code] for code in np.flatnonzero(np.bincount(codes, minlength=1)).tolist()]
        named = codes > 0
        kinds: list[_Kind] = []
        kind_of = np.zeros(len(self.rows), np.int64)
        if named.any():
            reads = self.looks.read_as_named(used)
            self._add(np.flatnonzero(named), reads, codes, kinds, kind_of)
        if not named.all():
            self._add_unnamed(np.flatnonzero(~named), kinds, kind_of)
        return kinds, kind_of

    def _add_unnamed(self, coins: Rows, kinds: list[_Kind], kind_of: Rows) -> None:
        entry_of = np.zeros(len(coins), np.int64)
        entries: list[Any] = [None]
        reads = sorted(self.looks.read_to_identify)
        if reads or self.looks.presumptions.identify:
            first, group = self._grouped(coins, reads)
            number_of: dict[int, int] = {id(None): 0}
            numbers = []
            for coin in coins[first].tolist():
                entry = self.looks.identification_of(self._facts(coin, reads))
                if id(entry) not in number_of:
                    number_of[id(entry)] = len(entries)
                    entries.append(entry)
                numbers.append(number_of[id(entry)])
            entry_of = np.array(numbers, np.int64)[group]
        for number, entry in enumerate(entries):
            mine = coins[entry_of == number]
            if len(mine):
                more = self.looks.read_as_unnamed(entry)
                self._add(mine, frozenset(reads) | more, None, kinds, kind_of)

    def _add(
        self,
        coins: Rows,
        reads: frozenset[str],
        issues: npt.NDArray[np.int32] | None,
        kinds: list[_Kind],
        kind_of: Rows,
    ) -> None:
        """The kinds of these coins, whose views follow from these facts and the issues that they name."""
        names = sorted(reads)
        first, group = self._grouped(coins, names, issues)
        kind_of[coins] = len(kinds) + group
        meanings = self.recorded.issues[1]
        for coin in coins[first].tolist():
            named = () if issues is None else meanings[int(issues[coin])]
            facts = self._facts(coin, names)
            kinds.append(_kind(facts, self.looks.seen(Holding("", facts, named))))

    def _grouped(
        self, coins: Rows, names: Sequence[str], issues: npt.NDArray[np.int32] | None = None
    ) -> tuple[Rows, Rows]:
        rows = self.rows[coins]
        columns: list[npt.NDArray[Any]] = [self.recorded.column(name).codes[rows] for name in names]
        return grouped(columns if issues is None else [issues[coins], *columns], len(coins))

    def _facts(self, coin: int, names: Sequence[str]) -> dict[str, Knowledge]:
        row, facts = int(self.rows[coin]), dict[str, Knowledge]()
        for name in names:
            column = self.recorded.column(name)
            known = column.entries[int(column.codes[row])]
            if known is not None:
                facts[name] = known
        return facts


def _kind(facts: Mapping[str, Knowledge], seen: Seen) -> _Kind:
    clashes = bool(seen.contradictions or seen.unidentified)
    if len(seen.views) > 1:
        return _Kind(is_single=False, clashes=clashes)
    view = seen.views[0]
    over = {name: known for name, known in view.facts.items() if facts.get(name) != known}
    return _Kind(is_single=True, over=over, presumed=frozenset(view.presumed), clashes=clashes)


def coins_in_columns(recorded: RecordedCoins, statuses: frozenset[str], looks: Views) -> CoinsInColumns:
    """The coins that count of a recorded collection."""
    rows = recorded.of_status(statuses)
    numbers: list[int] = rows.tolist()
    holdings = MadeWhenAsked[Holding](len(numbers), lambda coin: recorded[numbers[coin]])
    views = MadeWhenAsked[tuple[View, ...]](len(numbers), lambda coin: looks.of(holdings[coin]))
    return CoinsInColumns(holdings, views, recorded, rows, _Laid(recorded, rows, looks))

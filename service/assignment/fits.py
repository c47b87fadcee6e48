"""Which coins fit each place, as arrays: no object for each pair of a place and a coin. Read as a mapping, a place has `Fit`
objects, made when they are asked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, ItemsView, Iterable, Iterator, Mapping, Sequence, ValuesView
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.edges import Flags, Integers
from service.assignment.problem import Basis
from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.places import Place
from service.evaluation.table import Fit, Table
from service.evaluation.verdicts import ALTERNATIVES, REFERENCE, UNKNOWN, Doubt
from service.evaluation.views import bare
from service.facts.holding import View
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.partitions import has_plain_value
from service.rules.predicates import Predicate, is_settled_by_values, reads

BASES: Mapping[Doubt | None, Basis] = {
    None: Basis.FIRM,
    ALTERNATIVES: Basis.ALTERNATIVES,
    UNKNOWN: Basis.UNKNOWN,
    REFERENCE: Basis.REFERENCE,
}
_DOUBTS = {basis: doubt for doubt, basis in BASES.items()}
# Looking a few rows up takes as long as so many more of them.
_CALL_ROWS = 1_000
_MANY_PAIRS = 1_000_000
_FIRM_FITS = (Fit(YES), Fit(YES, presumed=True))


@dataclass(frozen=True, eq=False)
class PlaceFits(Mapping[int, Fit]):
    """The coins that fit one place or may fit it, ascending. The other arrays have the same shape (coins,): `basis` is FIRM
    for a coin that fits, else what the doubt rests on; `presumed` and `to_check` as in `Fit`. `limits` names what prevented
    an exact answer, for the coins where something did."""

    coins: Integers
    basis: npt.NDArray[np.int8]
    presumed: Flags
    to_check: Integers
    limits: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.coins)

    def __iter__(self) -> Iterator[int]:
        return iter(self.coins.tolist())

    def __contains__(self, coin: object) -> bool:
        return self.position(coin) is not None

    def __getitem__(self, coin: int) -> Fit:
        at = self.position(coin)
        if at is None:
            raise KeyError(coin)
        basis = Basis(int(self.basis[at]))
        if basis is Basis.FIRM and coin not in self.limits:
            return _FIRM_FITS[bool(self.presumed[at])]
        verdict = YES if basis is Basis.FIRM else UNDECIDED
        return Fit(verdict, _DOUBTS[basis], self.limits.get(coin), int(self.to_check[at]), bool(self.presumed[at]))

    def items(self) -> ItemsView[int, Fit]:
        return _Items(self)

    def values(self) -> ValuesView[Fit]:
        return _Values(self)

    def each(self) -> Iterator[Fit]:
        """The fits in the order of the coins; equal ones are one object."""
        made: dict[tuple[int, bool, int], Fit] = {}
        columns = (self.coins, self.basis, self.presumed, self.to_check)
        for coin, *members in zip(*(column.tolist() for column in columns), strict=True):
            if coin in self.limits:
                yield self[coin]
                continue
            key = tuple(members)
            fit = made.get(key)
            if fit is None:
                fit = made[key] = self[coin]
            yield fit

    def position(self, coin: object) -> int | None:
        """Where the coin is among them."""
        if not isinstance(coin, int | np.integer):
            return None
        at = int(np.searchsorted(self.coins, coin))
        return at if at < len(self.coins) and self.coins[at] == coin else None

    @property
    def certain(self) -> Integers:
        """The coins that fit."""
        found: Integers = self.coins[self.basis == Basis.FIRM]
        return found

    def at(self, chosen: Flags) -> PlaceFits:
        """Some of them."""
        return PlaceFits(
            self.coins[chosen], self.basis[chosen], self.presumed[chosen], self.to_check[chosen], self.limits
        )

    def renumbered(self, coins: Integers, numbers: Integers) -> PlaceFits:
        """Of some coins, ascending, which have other `numbers` then, ascending too."""
        at = np.minimum(np.searchsorted(coins, self.coins), max(len(coins) - 1, 0))
        here = coins[at] == self.coins if len(coins) else np.zeros(len(self.coins), bool)
        found = self.at(here)
        number_of = {int(c): int(numbers[np.searchsorted(coins, c)]) for c in found.limits if c in set(coins.tolist())}
        limits = {number_of[coin]: limit for coin, limit in found.limits.items() if coin in number_of}
        return replace(found, coins=numbers[at[here]], limits=limits)

    def without(self, coins: Collection[int]) -> PlaceFits:
        """The same without some coins."""
        out = np.fromiter(coins, np.int64, len(coins))
        return self.at(~np.isin(self.coins, out)) if len(out) else self


class _Items(ItemsView[int, Fit]):
    _mapping: PlaceFits

    def __iter__(self) -> Iterator[tuple[int, Fit]]:
        return zip(self._mapping.coins.tolist(), self._mapping.each(), strict=True)


class _Values(ValuesView[Fit]):
    _mapping: PlaceFits

    def __iter__(self) -> Iterator[Fit]:
        return self._mapping.each()


def no_fits() -> PlaceFits:
    """The fits of a place that nothing fits."""
    return _merged([((), 0, False, 0)], {})


def fits_of(
    places: Sequence[Place],
    coins: Coins,
    table: Table,
    both_columns: tuple[Columns, Columns | None],
    never: Iterable[tuple[str, str]],
    watch: Callable[[int], None] | None = None,
) -> tuple[tuple[PlaceFits, ...], dict[int, frozenset[int]]]:
    """The fits of each place; places with one rule share them. `never` are pairs (id of a coin, address of a place or id of a
    group) that are left out: second the coins that are left out by place.

    Coins that are one thing only are judged in columns, those with several candidate issues one by one; the second columns are
    of the same coins without what is presumed of them, where anything is. `watch` is told how many pairs there are so far, each
    time that it is a million more: it may raise, before all are there."""
    out: dict[str, list[int]] = {}
    for identity, name in never:
        coin = coins.position(identity)
        if coin is not None:
            out.setdefault(name, []).append(coin)
    is_open = _Open(both_columns[0])
    by_rule: dict[int, PlaceFits] = {}
    found: list[PlaceFits] = []
    barred: dict[int, frozenset[int]] = {}
    pairs = told = 0
    for columns in both_columns:
        if columns is not None:
            columns.prepare(place.predicate for place in places)
    for at, place in enumerate(places):
        fits = by_rule.get(id(place.predicate))
        if fits is None:
            fits = by_rule[id(place.predicate)] = _fits(place, coins, both_columns, table, is_open)
        if out:
            names = out.keys() & {place.address, place.group}
            here = frozenset(coin for name in names for coin in out[name] if coin in fits)
            if here:
                barred[at], fits = here, fits.without(here)
        found.append(fits)
        pairs += len(fits)
        if watch is not None and pairs >= told + _MANY_PAIRS:
            told = pairs
            watch(pairs)
    return tuple(found), barred


def _fits(
    place: Place, coins: Coins, both_columns: tuple[Columns, Columns | None], table: Table, is_open: _Open
) -> PlaceFits:
    columns, bare_columns = both_columns
    single, predicate = coins.single, place.predicate
    rows = columns.fits(predicate)
    resting = np.zeros(len(rows.certain), bool)
    if bare_columns is not None and len(rows.certain):
        resting = ~np.isin(rows.certain, bare_columns.fits(predicate).certain, assume_unique=True)
    parts: list[tuple[Any, Any, Any, Any]] = [(rows.certain, Basis.FIRM, resting, 0)]
    for doubt, doubtful in rows.doubtful().items():
        if not len(doubtful):
            continue
        to_check: Integers | int = 0
        if doubt != REFERENCE:
            to_check = _to_check(place, coins, columns, table, doubtful, is_open)
        parts.append((doubtful, BASES[doubt], False, to_check))
    # Columns have their rows in the order of the coins.
    parts = [(single[numbers], *others) for numbers, *others in parts]
    limits: dict[int, str] = {}
    for coin in coins.several:
        fit = fit_of(predicate, coins.views[coin], table)
        if fit.verdict is NO:
            continue
        if fit.limit is not None:
            limits[coin] = fit.limit
        parts.append(([coin], BASES[fit.doubt], fit.presumed, fit.to_check))
    return _merged(parts, limits)


def _to_check(place: Place, coins: Coins, columns: Columns, table: Table, rows: Integers, is_open: _Open) -> Integers:
    """How many facts would settle the rows, which are in doubt and not for what the vocabularies do not say.

    Where one attribute that the rule reads is not plainly known, its value settles the rule: every clause is decided once all
    that it reads is known, unless it asks a vocabulary or calculates. So one fact is to be looked up, and nothing is tried."""
    predicate = place.predicate
    to_check = np.ones(len(rows), np.int64)
    is_tried = np.ones(len(rows), bool)
    if is_settled_by_values(predicate) and not columns.context.none_as_null:
        is_tried = is_open.count(reads(predicate), rows) != 1
    tried = rows[is_tried]
    if len(tried):
        firsts, kinds = columns.in_like_doubt(predicate, tried)
        lengths = [table.to_check(predicate, coins.views[coin]) for coin in coins.single[firsts].tolist()]
        to_check[is_tried] = np.array(lengths, np.int64)[kinds]
    return to_check


class _Open:
    """How many facts of rows are not plainly known, of those that rules read: counted once for all rows where many rules read the
    same."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._entries: dict[str, Flags] = {}
        self._asked = Counter[frozenset[str]]()
        self._counts: dict[frozenset[str], Integers] = {}

    def count(self, names: frozenset[str], rows: Integers) -> Integers:
        """Of these attributes, shape (rows,)."""
        whole = self._counts.get(names)
        if whole is None:
            self._asked[names] += len(rows) + _CALL_ROWS
            if self._asked[names] < self._columns.rows:
                return self._counted(names, rows)
            whole = self._counts[names] = self._counted(names, slice(None))
        return whole[rows]

    def _counted(self, names: frozenset[str], rows: Integers | slice) -> Integers:
        every = [self._of(name)[self._columns.column(name).codes[rows]] for name in names]
        found: Integers = np.sum(every, axis=0, dtype=np.int64)
        return found

    def _of(self, name: str) -> Flags:
        """Which entries of a column are not plain values, shape (entries,)."""
        if name not in self._entries:
            entries = self._columns.column(name).entries
            facts = ({} if entry is None else {name: entry} for entry in entries)
            self._entries[name] = np.fromiter((not has_plain_value(one, name) for one in facts), bool, len(entries))
        return self._entries[name]


def fit_of(predicate: Predicate, views: tuple[View, ...], table: Table) -> Fit:
    """Whether one coin fits a rule, with all that an edge says of it: what the columns say of many coins at once."""
    fit = table.fit(predicate, views)
    if fit.verdict is UNDECIDED and fit.doubt != REFERENCE:
        return replace(fit, to_check=table.to_check(predicate, views))
    if fit.verdict is YES and any(view.presumed for view in views) and table.verdict(predicate, bare(views)) is not YES:
        # What rests on presumptions is told as such, whatever it took to find out.
        return _FIRM_FITS[True]
    return fit


def fits_in_order(fits: Mapping[int, Fit]) -> PlaceFits:
    """The fits of one place, of coins one by one; those that do not fit are left out."""
    found = {coin: fits[coin] for coin in sorted(fits) if fits[coin].verdict is not NO}
    return PlaceFits(
        np.fromiter(found, np.int64, len(found)),
        np.fromiter((BASES[fit.doubt] for fit in found.values()), np.int8, len(found)),
        np.fromiter((fit.presumed for fit in found.values()), bool, len(found)),
        np.fromiter((fit.to_check for fit in found.values()), np.int64, len(found)),
        {coin: fit.limit for coin, fit in found.items() if fit.limit is not None},
    )


def joined_fits(some: PlaceFits, others: PlaceFits) -> PlaceFits:
    """The fits of different coins for one place."""
    if not len(others):
        return some
    parts = [(here.coins, here.basis, here.presumed, here.to_check) for here in (some, others)]
    return _merged(parts, {**some.limits, **others.limits})


def _merged(parts: Sequence[tuple[Any, Any, Any, Any]], limits: Mapping[int, str]) -> PlaceFits:
    sizes = [len(numbers) for numbers, *_ in parts]

    def column(at: int, kind: type[np.generic]) -> npt.NDArray[Any]:
        if len(parts) == 1:
            return (
                np.full(sizes[0], parts[0][at], kind) if np.ndim(parts[0][at]) == 0 else np.asarray(parts[0][at], kind)
            )
        found, end = np.empty(sum(sizes), kind), 0
        for part, size in zip(parts, sizes, strict=True):
            found[end : end + size] = part[at]
            end += size
        return found[order]

    order: Integers | slice = slice(None)
    if len(parts) > 1:
        order = np.argsort(np.concatenate([np.asarray(part[0], np.int64) for part in parts]), kind="stable")
    return PlaceFits(column(0, np.int64), column(1, np.int8), column(2, np.bool_), column(3, np.int64), limits)

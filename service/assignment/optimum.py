"""The best assignment of a network on all levels, on arrays, with its proof.

First each place takes one of its best edges, as long as that has a piece to spare. What remains of it are a few places whose
best holdings all went to others: each is inserted along a shortest augmenting path, which looks at a place's edges from the
best on, and no further than the first with a piece to spare (`_Paths`). Where that takes long, because much is contested,
scipy's solver for sparse assignment decides instead (R. Jonker, A. Volgenant, "A shortest augmenting path algorithm for dense
and sparse linear assignment problems", Computing 38, 1987, as in scipy.sparse.csgraph.min_weight_full_bipartite_matching).

However it was found, the answer is proven in whole numbers: if no place has an edge whose cost plus price is below its own, no
price is negative and only used-up holdings have one, no better assignment exists (complementary slackness). The solver computes
in doubles; its prices are the shortest distances from each used-up holding to one with a piece to spare (R. Bellman, "On a
routing problem", 1958), and where they prove nothing the paths decide.

The prices describe every other optimum too: those that use *tight* edges only (of least cost plus price) and leave no piece
of a priced holding unused. The levels of a later stage are decided among these: other edges are left out, and a priced
holding earns more than the whole stage can lose.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.edges import Flags, Integers
from service.assignment.flow import EMPTY
from service.assignment.network import LARGE, Network, packed, stages_of

_Numbers = npt.NDArray[Any]
ROOM, ROOM_OF_SOLVER = 2**60, 2**50
"""What the losses of a stage may add up to, in whole numbers of 64 bits and for the solver's doubles."""
_INFINITE = 2**61
_MOST_ROUNDS = 2_000
_MOST_COPIES = 2_000_000


@dataclass(frozen=True)
class Optimum:
    """`chosen[row]` is the edge of an optimum, EMPTY for none. `tight[edge]` and `may_be_empty[row]` tell what an optimum can
    use, `priced[holding]` of which holdings it leaves no piece unused."""

    chosen: Integers
    tight: Flags
    may_be_empty: Flags
    priced: Flags


def optimum_of(network: Network) -> Optimum:
    """An optimum on all levels of the network in order. Time: linear in edges where little is contested; else that of the
    solver, or a shortest path for each place; memory linear in edges."""
    try:
        return _optimum_of(network, ROOM)
    except _TooWide:
        return _optimum_of(network, ROOM_OF_SOLVER)


def _optimum_of(network: Network, room: int) -> Optimum:
    rows, edges = len(network.start), len(network.edges)
    found = Optimum(
        chosen=np.full(rows, EMPTY, np.int64),
        tight=np.ones(edges, bool),
        may_be_empty=np.ones(rows, bool),
        priced=np.zeros(len(network.quantity), bool),
    )
    for number, stage in enumerate(stages_of(network, room) if rows else ()):
        options = np.flatnonzero(found.tight) if number else None
        _decide(found, _Options(network, found, options, packed(network, stage, options), room))
    return found


class _Options:
    """The edges that one stage decides among. `edge` are their numbers (None: all), `rows` the network's number of each local
    row, `start` its first option, `sizes` how many it has; `cost` is what they lose (a stage of theirs at most `room`), `column`
    their holdings."""

    def __init__(self, network: Network, found: Optimum, edge: Integers | None, cost: _Numbers, room: int) -> None:
        self.room = room
        self.network, self.edge, self.cost = network, edge, cost
        if edge is None:
            self.start, self.sizes, self.rows = network.start, network.sizes, np.arange(len(network.start))
            self.column = network.edges.holding
        else:
            row = network.row[edge]
            self.start = np.flatnonzero(np.diff(row, prepend=-1))
            self.sizes = np.diff(self.start, append=len(edge))
            self.rows = row[self.start]
            self.column = network.edges.holding[edge]
        self.may_be_empty = found.may_be_empty[self.rows]
        if found.priced.any():
            self._earn_by_use(found.priced[self.column])

    def _earn_by_use(self, is_priced: Flags) -> None:
        least, most = (ufunc.reduceat(self.cost, self.start) for ufunc in (np.minimum, np.maximum))
        room = np.where(self.may_be_empty, np.maximum(most, 0) - np.minimum(least, 0), most - least)
        self.cost = self.cost - np.where(is_priced, room.sum() + 1, 0)

    def at_options(self, by_row: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """For each option what its row has."""
        return np.repeat(by_row, self.sizes)

    def row_of(self, options: Integers) -> Integers:
        """The local rows of options, ascending."""
        return np.searchsorted(self.start, options, "right") - 1

    def numbers(self, options: Any) -> Any:
        """The network's numbers of options."""
        return options if self.edge is None else self.edge[options]

    def least(self, cost: _Numbers) -> _Numbers:
        """What each row loses at best."""
        least = np.minimum.reduceat(cost, self.start)
        return np.where(self.may_be_empty, np.minimum(least, 0), least)

    def priced(self, prices: _Numbers) -> _Numbers:
        """Cost plus price."""
        found = self.cost.astype(prices.dtype) if prices.dtype == object else self.cost.copy()
        there = np.flatnonzero(np.asarray(prices != 0, bool)[self.column])
        found[there] += prices[self.column[there]]
        return found


def _decide(found: Optimum, options: _Options) -> None:
    """Take one stage into account."""
    network, rows = options.network, options.rows
    chosen = np.full(len(network.start), EMPTY, np.int64)
    may_be_empty = found.may_be_empty.copy()
    if len(rows):
        cost = options.cost
        least = options.least(cost)
        is_tight = np.asarray(cost == options.at_options(least), bool)
        taken = _first_seats(options, np.flatnonzero(is_tight))
        without = np.flatnonzero((taken == EMPTY) & ~(options.may_be_empty & np.asarray(least == 0, bool)))
        if len(without):
            taken, prices = _contested(options, taken, without)
            cost = options.priced(prices)
            least = options.least(cost)
            is_tight = np.asarray(cost == options.at_options(least), bool)
            _ensure_proven(options, taken, prices, least, cost)
            found.priced[np.asarray(prices != 0, bool)] = True
        chosen[rows] = np.where(taken == EMPTY, EMPTY, options.numbers(taken))
        may_be_empty[rows] &= np.asarray(least == 0, bool)
        if options.edge is None:
            found.tight[:] = is_tight
        else:
            found.tight[options.edge] = is_tight
    found.may_be_empty[:], found.chosen[:] = may_be_empty, chosen


def _ensure_proven(options: _Options, taken: Integers, prices: _Numbers, least: _Numbers, priced: _Numbers) -> None:
    placed = taken[taken != EMPTY]
    used = np.bincount(options.column[placed], minlength=len(prices))
    quantity = options.network.quantity
    own = np.where(taken == EMPTY, 0, priced[taken])
    is_empty_rightly = bool(options.may_be_empty[taken == EMPTY].all())
    is_priced = np.asarray(prices != 0, bool)
    are_prices_right = bool((prices >= 0).all() and (used[is_priced] == quantity[is_priced]).all())
    if not (
        is_empty_rightly and are_prices_right and (used <= quantity).all() and np.asarray(own == least, bool).all()
    ):
        raise ArithmeticError("the prices do not prove that the assignment is optimal")


_ROUNDS = 12
_STRIDE = 7_919
"""Rows that have the same options ask for different ones."""


def _first_seats(options: _Options, tight: Integers) -> Integers:
    """The option that each row takes of its tight ones (ascending), EMPTY where it found none with a piece to spare: in rounds,
    in which the first of those who ask for a holding get its pieces."""
    taken = np.full(len(options.rows), EMPTY, np.int64)
    row, column = options.row_of(tight), options.column[tight]
    spare = options.network.quantity.copy()
    for number in range(_ROUNDS):
        if not len(row):
            break
        first = np.flatnonzero(np.diff(row, prepend=-1))
        size = np.diff(first, append=len(row))
        asked = first + (row[first] + number) * _STRIDE % size
        wanted = column[asked]
        order = np.argsort(wanted, kind="stable")
        group = np.flatnonzero(np.diff(wanted[order], prepend=-1))
        rank = np.arange(len(order)) - np.repeat(group, np.diff(group, append=len(order)))
        gets = asked[order[rank < spare[wanted[order]]]]
        taken[row[gets]] = tight[gets]
        if len(gets) == len(asked):
            break
        spare -= np.bincount(column[gets], minlength=len(spare))
        is_open = (taken[row] == EMPTY) & (spare[column] > 0)
        row, column, tight = row[is_open], column[is_open], tight[is_open]
    return taken


class _TooWide(Exception):
    """The solver is needed, and the costs are past what it can represent."""


def _contested(options: _Options, taken: Integers, without: Integers) -> tuple[Integers, _Numbers]:
    """The option that each row takes, and the price of each holding; `without` are the rows that found no piece at first."""
    is_large = len(options.cost) >= LARGE
    paths = _Paths(options, taken, _MOST_STEPS if is_large else None)
    if paths.insert(without.tolist()):
        return paths.found()
    solved = _by_solver(options, taken, without)
    if solved is None:
        paths = _Paths(options, taken, None)
        paths.insert(without.tolist())
        solved = paths.found()
    return solved


# --- by paths -------------------------------------------------------------------------------------------------------


_MOST_STEPS = 5_000
"""So many options are looked at before the solver is asked."""
_CHUNK = 16


class _Paths:
    """Rows inserted one at a time into an assignment in which every other row has one of its tight options, each along the
    cheapest augmenting path (Dijkstra on reduced costs), which ends at a holding with a piece to spare or at a row that stays
    empty. Only used-up holdings have a price, so that an option dearer than one with a piece to spare is on no such path."""

    def __init__(self, options: _Options, taken: Integers, most_steps: int | None) -> None:
        """`most_steps`: after so many options looked at it is given up."""
        self._options, self._steps, self._most_steps = options, 0, most_steps
        self._pieces = options.network.pieces
        self._taken: dict[int, tuple[Any, int, int]] = {}
        self._holders: dict[int, list[int]] = {}
        self._price: dict[int, Any] = {}
        self._known: dict[int, list[tuple[Any, int, int]]] = {}
        placed = np.flatnonzero(taken != EMPTY)
        at = taken[placed]
        columns, costs = options.column[at].tolist(), options.cost[at].tolist()
        for row, option in zip(placed.tolist(), zip(costs, columns, at.tolist(), strict=True), strict=True):
            self._taken[row] = option
            self._holders.setdefault(option[1], []).append(row)

    def found(self) -> tuple[Integers, _Numbers]:
        """The option that each row takes, and the price of each holding."""
        taken = np.full(len(self._options.rows), EMPTY, np.int64)
        taken[list(self._taken)] = [option for _, _, option in self._taken.values()]
        is_small = self._options.cost.dtype != object and max(self._price.values(), default=0) < _INFINITE
        prices: _Numbers = np.zeros(len(self._pieces), np.int64 if is_small else object)
        for column, price in self._price.items():
            prices[column] = price
        return taken, prices

    def insert(self, rows: Iterable[int]) -> bool:
        """Whether all were inserted in so many steps."""
        return all(map(self._insert, rows))

    def _insert(self, newcomer: int) -> bool:
        price, holders, pieces = self._price, self._holders, self._pieces
        nearest: dict[int, Any] = {}
        came: dict[int, tuple[int, tuple[Any, int, int]]] = {}
        done: dict[int, Any] = {}
        heap: list[tuple[Any, int]] = []
        # The nearest end so far, and the row and option that lead there.
        end: Any = None
        last: tuple[int, tuple[Any, int, int]] | None = None

        def look_at(row: int, base: Any) -> None:
            nonlocal end, last
            for option in self._options_of(row):
                cost, column, _ = option
                distance = base + cost
                if end is not None and distance >= end:
                    return
                self._steps += 1
                if column == EMPTY or len(holders.get(column, ())) < pieces[column]:
                    end, last = distance, (row, option)
                    return
                distance += price.get(column, 0)
                if column not in nearest or distance < nearest[column]:
                    nearest[column], came[column] = distance, (row, option)
                    heapq.heappush(heap, (distance, column))

        look_at(newcomer, 0)
        while heap and (end is None or heap[0][0] < end):
            distance, column = heapq.heappop(heap)
            if column in done:
                continue
            done[column] = distance
            for row in holders[column]:
                look_at(row, distance - price.get(column, 0) - self._taken[row][0])
            if self._most_steps is not None and self._steps > self._most_steps:
                return False
        if last is None:
            raise ArithmeticError("a place that must not be empty finds no holding")
        for column, distance in done.items():
            price[column] = price.get(column, 0) + end - distance
        row, option = last
        while True:
            left = self._taken.pop(row, None)
            if option[1] != EMPTY:
                self._taken[row] = option
                holders.setdefault(option[1], []).append(row)
            if left is None:
                return True
            holders[left[1]].remove(row)
            row, option = came[left[1]]

    def _options_of(self, row: int) -> Iterator[tuple[Any, int, int]]:
        """(cost, holding, option) of a row, the best first."""
        known, at = self._known.setdefault(row, []), 0
        while True:
            if at == len(known):
                known.extend(self._next_options(row, at))
                if at == len(known):
                    return
            yield known[at]
            at += 1

    def _next_options(self, row: int, first: int) -> Iterable[tuple[Any, int, int]]:
        options = self._options
        start = int(options.start[row])
        there = slice(start, start + int(options.sizes[row]))
        cost, column = options.cost[there], options.column[there]
        if options.may_be_empty[row]:
            cost, column = np.append(cost, 0), np.append(column, EMPTY)
        order = np.argsort(cost, kind="stable")[first : max(_CHUNK, 4 * first)]
        return zip(cost[order].tolist(), column[order].tolist(), (order + start).tolist(), strict=True)


# --- by scipy's solver ----------------------------------------------------------------------------------------------


class _Contest:
    """Some options of some whole components. `row`, `column`: numbers from 0, those of the local rows in `rows` and of the
    holdings in `names`; `quantity[column]` counts pieces."""

    def __init__(self, options: _Options, here: Integers) -> None:
        self._options, self._here = options, here
        local = options.row_of(here)
        self.start = np.flatnonzero(np.diff(local, prepend=-1))
        self.sizes = np.diff(self.start, append=len(here))
        self.row = np.repeat(np.arange(len(self.start)), self.sizes)
        self.rows = local[self.start]
        self.may_be_empty = options.may_be_empty[self.rows]
        self.cost = options.cost[here]
        column = options.column[here]
        quantity = options.network.quantity
        present = np.zeros(len(quantity), bool)
        present[column] = True
        self.names = np.flatnonzero(present)
        self.column = (np.cumsum(present) - 1)[column]
        self.quantity = quantity[self.names]

    def part(self, among: Integers) -> _Contest:
        """The same with some options of every row."""
        return _Contest(self._options, self._here[among])


def _by_solver(options: _Options, taken: Integers, without: Integers) -> tuple[Integers, _Numbers] | None:
    """The option that each row takes, and the price of each holding; None where doubles cannot tell, or there is no proof. Only
    the components of the rows `without` any are solved."""
    if int(np.abs(options.cost).max()) >= 4 * ROOM_OF_SOLVER:
        if options.room > ROOM_OF_SOLVER:
            raise _TooWide
        return None
    component = options.network.component[options.rows]
    is_open = np.zeros(int(component.max()) + 1, bool)
    is_open[component[without]] = True
    here = np.flatnonzero(options.at_options(is_open[component]))
    contest = _Contest(options, here)
    found = _solved_by_best(contest) or _solved(contest)
    if found is None:
        return None
    own, own_prices = found
    taken, prices = taken.copy(), np.zeros(len(options.network.quantity), np.int64)
    taken[contest.rows] = np.where(own == EMPTY, EMPTY, here[own])
    prices[contest.names] = own_prices
    return taken, prices


def _solved_by_best(contest: _Contest) -> tuple[Integers, _Numbers] | None:
    """The option chosen in each row, and the price of each column: only the best options of each row are solved, as long as the
    prices prove that no other is better than its row's own. A holding that is none of the best anywhere has a price of 0."""
    for best in _BEST:
        among = _among_best(contest, best)
        if among is None:
            return None
        part = contest.part(among)
        try:
            found = _solved(part)
        except ValueError:
            # These do not fill every row that may not be empty.
            continue
        if found is None:
            return None
        prices = np.zeros(len(contest.names), np.int64)
        prices[np.searchsorted(contest.names, part.names)] = found[1]
        taken = np.where(found[0] == EMPTY, EMPTY, among[found[0]])
        least = np.minimum.reduceat(contest.cost + prices[contest.column], contest.start)
        least = np.where(contest.may_be_empty, np.minimum(least, 0), least)
        own = contest.cost[taken] + prices[contest.column[taken]]
        if (least == np.where(taken == EMPTY, 0, own)).all():
            return taken, prices
    return None


_BEST = (24, 96)
"""So many options of each row are tried first."""


def _among_best(contest: _Contest, best: int) -> Integers | None:
    """The options that are among this many best of their row, as good ones included; None where that is most of them."""
    width, rows = int(contest.sizes.max()), len(contest.start)
    if len(contest.row) < 2 * best * rows or width * rows > 8 * len(contest.row):
        return None
    table = np.full((rows, width), np.iinfo(np.int64).max)
    table[contest.row, np.arange(len(contest.row)) - contest.start[contest.row]] = contest.cost
    bound = np.partition(table, best - 1, axis=1)[:, best - 1]
    among = np.flatnonzero(contest.cost <= bound[contest.row])
    return among if 2 * len(among) < len(contest.row) else None


def _solved(contest: _Contest) -> tuple[Integers, _Numbers] | None:
    taken = _cheapest(contest)
    if taken is None:
        return None
    prices = _prices(contest, taken)
    return None if prices is None else (taken, prices)


def _cheapest(contest: _Contest) -> Integers | None:
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import min_weight_full_bipartite_matching

    rows, columns = len(contest.rows), len(contest.names)
    copies = np.minimum(contest.quantity, np.bincount(contest.column, minlength=columns))
    first = np.concatenate(([0], np.cumsum(copies)))
    option, column = None, contest.column
    row, sizes = contest.row, contest.sizes
    if first[-1] > columns:
        # A column for each piece of a holding.
        repeats = copies[contest.column]
        if int(repeats.sum()) > _MOST_COPIES:
            return None
        option = np.repeat(np.arange(len(contest.row)), repeats)
        within = np.arange(len(option)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
        column, row = first[contest.column[option]] + within, contest.row[option]
        sizes = np.bincount(row, minlength=rows)
    cost = contest.cost if option is None else contest.cost[option]
    # The solver takes an explicit zero for a missing option, so the least cost becomes 1.
    low = min(int(contest.cost.min()), 0)
    total = len(column) + int(contest.may_be_empty.sum())
    before: Integers = np.cumsum(contest.may_be_empty) - contest.may_be_empty
    at = np.arange(len(column)) + before[row]
    weight, of_column = np.empty(total), np.empty(total, np.int64)
    weight[at], of_column[at] = cost - low + 1, column
    ends = np.cumsum(sizes + contest.may_be_empty)
    empty = np.flatnonzero(contest.may_be_empty)
    weight[ends[empty] - 1], of_column[ends[empty] - 1] = 1 - low, int(first[-1]) + empty
    graph = csr_array((weight, of_column, np.concatenate(([0], ends))), shape=(rows, int(first[-1]) + rows))
    _, taken = min_weight_full_bipartite_matching(graph)
    picked = np.searchsorted(row * first[-1] + column, np.arange(rows) * first[-1] + np.minimum(taken, first[-1] - 1))
    picked = picked if option is None else option[np.minimum(picked, len(option) - 1)]
    return np.where(taken >= first[-1], EMPTY, picked)


def _prices(contest: _Contest, taken: Integers) -> Integers | None:
    """The dual price of each column: the shortest distance from it to a column with a piece to spare. None where these do
    not prove the choice optimal, or are not found within the rounds."""
    cost, columns = contest.cost, len(contest.names)
    is_placed = taken != EMPTY
    own_column = contest.column[taken]
    own_cost = np.where(is_placed, cost[taken], 0)
    used_up = np.bincount(own_column[is_placed], minlength=columns) >= contest.quantity
    prices = np.where(used_up, _INFINITE, 0)
    # Only options whose column is used up change with the prices.
    is_free = ~used_up[contest.column]
    base = np.minimum.reduceat(np.where(is_free, cost, _INFINITE), contest.start)
    base = np.where(contest.may_be_empty, np.minimum(base, 0), base)
    moving = np.flatnonzero(~is_free)
    row, column, own = contest.row[moving], contest.column[moving], cost[moving]
    start = np.flatnonzero(np.diff(row, prepend=-1))
    rows = row[start]
    movers = np.flatnonzero(is_placed & used_up[own_column])
    order = movers[np.argsort(own_column[movers], kind="stable")]
    group = np.flatnonzero(np.diff(own_column[order], prepend=-1))
    occupied = own_column[order][group]
    least = base.copy()
    for _ in range(_MOST_ROUNDS):
        if len(rows):
            least[rows] = np.minimum(base[rows], np.minimum.reduceat(own + prices[column], start))
        if len(order) == 0:
            break
        offered = np.minimum.reduceat((least - own_cost)[order], group)
        if (offered >= prices[occupied]).all():
            break
        prices[occupied] = np.minimum(prices[occupied], offered)
    else:
        return None
    proven = prices.min(initial=0) >= 0 and prices.max(initial=0) < _INFINITE // 2
    proven = proven and bool((least == own_cost + np.where(is_placed, prices[own_column], 0)).all())
    return prices if proven else None

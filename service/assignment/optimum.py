"""The best assignment of a network on all levels, on arrays, with its proof.

First each place takes its first best edge. Where no holding is wanted more often than it has pieces that is the optimum of a
component, with prices of 0. The other components are solved together: by scipy's solver for sparse assignment where they
are large (R. Jonker, A. Volgenant, "A shortest augmenting path algorithm for dense and sparse linear assignment problems",
Computing 38, 1987, as in scipy.sparse.csgraph.min_weight_full_bipartite_matching), else by shortest augmenting paths on
Python's integers (`service.assignment.flow`).

However it was found, the answer is proven in whole numbers: the dual prices are the shortest distances from each used-up
holding to one with a piece to spare (R. Bellman, "On a routing problem", 1958). If no place has an edge below its own, no
price is negative and only used-up holdings have one, no better assignment exists (complementary slackness). Where the proof
fails for the solver's answer, which computes in doubles, the paths decide.

The prices describe every other optimum too: those that use *tight* edges only (of least cost plus price) and leave no piece
of a priced holding unused. The levels of a later stage are decided among these: other edges are left out, and a priced
holding earns more than the whole stage can lose.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.edges import Flags, Integers
from service.assignment.flow import EMPTY, FlowState, augment
from service.assignment.network import LARGE, ROOM, Network, by_component, packed, stages_of

_Numbers = npt.NDArray[Any]
_INFINITE = 2**61
_MOST_ROUNDS = 2_000
_MOST_COPIES = 2_000_000


@dataclass(frozen=True)
class Optimum:
    """`chosen[row]` is the edge of an optimum, EMPTY for none. `tight[edge]` and `may_be_empty[row]` tell what an optimum can
    use, `priced[holding]` of which holdings it leaves no piece unused. `is_contested[row]`: some holding of its component
    is wanted by more places than it has pieces for; elsewhere every place has its first tight edge."""

    chosen: Integers
    tight: Flags
    may_be_empty: Flags
    priced: Flags
    is_contested: Flags


def optimum_of(network: Network) -> Optimum:
    """An optimum on all levels of the network in order. Time: linear in edges where nothing is contested; else that of the
    solver, or a shortest path for each place; memory linear in edges."""
    rows, edges = len(network.start), len(network.edges)
    found = Optimum(
        chosen=np.full(rows, EMPTY, np.int64),
        tight=np.ones(edges, bool),
        may_be_empty=np.ones(rows, bool),
        priced=np.zeros(len(network.quantity), bool),
        is_contested=np.zeros(rows, bool),
    )
    is_first = True
    for stage in stages_of(network) if rows else ():
        taking_part = stage.has_levels[network.component]
        everything = is_first and bool(taking_part.all())
        options = None if everything else np.flatnonzero(found.tight & network.at_edges(taking_part))
        _decide(found, _Options(network, found, options, packed(network, stage, options)), taking_part)
        is_first = False
    if is_first and rows:
        # Nothing differs on any level.
        _decide(found, _Options(network, found, None, np.zeros(edges, np.int64)), np.ones(rows, bool))
    return found


class _Options:
    """The edges that one stage decides among. `edge` are their numbers (None: all), `row` the local row of each, `rows` the
    network's number of each local row, `start` its first option; `cost` is what they lose, `column` their holdings."""

    def __init__(self, network: Network, found: Optimum, edge: Integers | None, cost: _Numbers) -> None:
        self.network, self.edge, self.cost = network, edge, cost
        if edge is None:
            self.row, self.start, self.rows = network.row, network.start, np.arange(len(network.start))
            self.column = network.edges.holding
        else:
            row = network.row[edge]
            self.start = np.flatnonzero(np.diff(row, prepend=-1))
            self.rows = row[self.start]
            self.row = np.repeat(np.arange(len(self.start)), np.diff(self.start, append=len(edge)))
            self.column = network.edges.holding[edge]
        self.may_be_empty = found.may_be_empty[self.rows]
        if found.priced.any():
            self._earn_by_use(found.priced[self.column])

    def _earn_by_use(self, is_priced: Flags) -> None:
        component = self.network.component[self.rows]
        least, most = (ufunc.reduceat(self.cost, self.start) for ufunc in (np.minimum, np.maximum))
        room = np.where(self.may_be_empty, np.maximum(most, 0) - np.minimum(least, 0), most - least)
        earns = np.zeros(int(component.max(initial=-1)) + 1, self.cost.dtype)
        np.add.at(earns, component, room)
        self.cost = self.cost - np.where(is_priced, (earns + 1)[component][self.row], 0)

    def numbers(self, options: Any) -> Any:
        """The network's numbers of options."""
        return options if self.edge is None else self.edge[options]


def _decide(found: Optimum, options: _Options, taking_part: Flags) -> None:
    """Take one stage into account."""
    network, cost, rows = options.network, options.cost, options.rows
    chosen = np.full(len(network.start), EMPTY, np.int64)
    may_be_empty = found.may_be_empty & taking_part
    if len(rows):
        least = np.minimum.reduceat(cost, options.start)
        goes_empty = options.may_be_empty & np.asarray(least > 0, bool)
        is_least = np.asarray(cost == least[options.row], bool)
        first = np.flatnonzero(is_least)
        first = first[np.searchsorted(options.row[first], np.arange(len(rows)))]
        used = np.bincount(options.column[first[~goes_empty]], minlength=len(network.quantity))
        over = (used > network.quantity)[options.column[first]] & ~goes_empty
        tight = is_least & ~goes_empty[options.row]
        chosen[rows] = np.where(goes_empty, EMPTY, options.numbers(first))
        may_be_empty[rows] &= np.asarray(least >= 0, bool)
        if over.any():
            is_open = np.zeros(int(network.component.max()) + 1, bool)
            is_open[network.component[rows[over]]] = True
            _solve(found, options, is_open[network.component[rows]], chosen, tight, may_be_empty)
            found.is_contested[:] |= is_open[network.component]
        if options.edge is None:
            found.tight[:] = tight
        else:
            found.tight[options.edge] = tight
    found.may_be_empty[taking_part] = may_be_empty[taking_part]
    found.chosen[taking_part] = chosen[taking_part]


def _solve(
    found: Optimum, options: _Options, is_open: Flags, chosen: Integers, tight: Flags, may_be_empty: Flags
) -> None:
    """Solve the components of the open rows, and put the answer into the arrays of the stage."""
    here = np.flatnonzero(is_open[options.row]) if not is_open.all() else np.arange(len(options.row))
    contest = _Contest(options, here)
    solved = None
    if len(here) >= LARGE:
        solved = _by_solver(contest)
    if solved is None:
        solved = _by_paths(contest)
    taken, prices = solved
    priced = contest.cost + prices[contest.column]
    least = np.minimum.reduceat(priced, contest.start)
    least = np.where(contest.may_be_empty, np.minimum(least, 0), least)
    own = np.where(taken == EMPTY, 0, priced[taken])
    if not np.asarray(own == least, bool).all():
        raise ArithmeticError("the prices do not prove that the assignment is optimal")
    tight[here] = np.asarray(priced == least[contest.row], bool)
    may_be_empty[contest.rows] = contest.may_be_empty & np.asarray(least == 0, bool)
    chosen[contest.rows] = np.where(taken == EMPTY, EMPTY, options.numbers(here[taken]))
    found.priced[contest.names[np.asarray(prices > 0, bool)]] = True


class _Contest:
    """The options of some whole components. `row`, `column`: numbers from 0, those of the places in `rows` and of the holdings
    in `names`; `quantity[column]` counts pieces."""

    def __init__(self, options: _Options, here: Integers) -> None:
        self._options, self._here = options, here
        network = options.network
        local = options.row[here]
        self.start = np.flatnonzero(np.diff(local, prepend=-1))
        self.sizes = np.diff(self.start, append=len(here))
        self.row = np.repeat(np.arange(len(self.start)), self.sizes)
        self.rows = options.rows[local[self.start]]
        self.may_be_empty = options.may_be_empty[local[self.start]]
        self.component = network.component[self.rows]
        self.cost = options.cost[here]
        column = options.column[here]
        present = np.zeros(len(network.quantity), bool)
        present[column] = True
        self.names = np.flatnonzero(present)
        self.column = (np.cumsum(present) - 1)[column]
        self.quantity = network.quantity[self.names]

    def part(self, among: Integers) -> _Contest:
        """The same with some options of every row."""
        return _Contest(self._options, self._here[among])


def _by_solver(contest: _Contest) -> tuple[Integers, _Numbers] | None:
    """The option chosen in each row, and the price of each column; None where doubles cannot tell, or there is no proof.

    Only the best options of each row are solved, as long as the prices prove that no other is better than its row's own: a
    holding that is none of the best anywhere has a price of 0."""
    if contest.cost.dtype == object or int(np.abs(contest.cost).max()) >= 4 * ROOM:
        return None
    for best in _BEST:
        among = _among_best(contest, best)
        if among is None:
            break
        part = contest.part(among)
        try:
            found = _solved(part)
        except ValueError:
            # These do not fill every row that may not be empty.
            continue
        if found is None:
            break
        prices = np.zeros(len(contest.names), np.int64)
        prices[np.searchsorted(contest.names, part.names)] = found[1]
        taken = np.where(found[0] == EMPTY, EMPTY, among[found[0]])
        least = np.minimum.reduceat(contest.cost + prices[contest.column], contest.start)
        least = np.where(contest.may_be_empty, np.minimum(least, 0), least)
        own = contest.cost[taken] + prices[contest.column[taken]]
        if (least == np.where(taken == EMPTY, 0, own)).all():
            return taken, prices
    return _solved(contest)


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


def _by_paths(contest: _Contest) -> tuple[Integers, _Numbers]:
    taken = np.full(len(contest.rows), EMPTY, np.int64)
    prices = np.zeros(len(contest.names), object)
    quantity = contest.quantity.tolist()
    for rows in by_component(contest.component, np.arange(len(contest.rows))):
        options = {row: _costs(contest, row) for row in rows}
        columns = {column for costs in options.values() for column in costs}
        state = FlowState(quantity, columns - {EMPTY}, partial(dict, options))
        for row in rows:
            augment(state, row)
        for row, column in state.holding_of.items():
            if column != EMPTY:
                first, size = int(contest.start[row]), int(contest.sizes[row])
                taken[row] = first + int(np.searchsorted(contest.column[first : first + size], column))
        for column, price in state.price.items():
            if column != EMPTY:
                prices[column] = price
    largest = max(prices.tolist(), default=0)
    return taken, prices.astype(np.int64) if largest < _INFINITE and contest.cost.dtype != object else prices


def _costs(contest: _Contest, row: int) -> dict[int, int]:
    first, size = int(contest.start[row]), int(contest.sizes[row])
    there = slice(first, first + size)
    costs = dict(zip(contest.column[there].tolist(), contest.cost[there].tolist(), strict=True))
    return {**costs, EMPTY: 0} if contest.may_be_empty[row] else costs

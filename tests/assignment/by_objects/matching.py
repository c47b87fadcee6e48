"""The optimum of a large component without side constraints, by scipy's solver for sparse assignment, proven by prices.

The solver computes in doubles, which are exact for whole numbers up to 2^53. The levels are therefore packed, from the
first on, into groups below that size. Each group is optimised among the optima of the groups before it: an option that is
not optimal for those costs more than the whole group can lose, and a holding that they need used up earns as much. The
algorithm is that of Jonker and Volgenant (1987), as in scipy.sparse.csgraph.min_weight_full_bipartite_matching.

The answer is then proven over all levels at once in whole numbers, however it was found: the dual prices are the shortest
distances from each used-up holding to one with a piece to spare (R. Bellman, "On a routing problem", 1958). If no place
has an option below its own, no price is negative, and only used-up holdings have a price, no better assignment exists
(complementary slackness). Where the proof fails the result is None, and `service.assignment.flow` takes the slower way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.components import Component, Layout
from service.assignment.levels import edge_bonuses, level_spreads, mixed_radix_weights

_Integers = npt.NDArray[np.int64]
_Numbers = npt.NDArray[Any]

_EXACT = 2**52
_INT64 = 2**61
_MOST_ROUNDS = 2_000
_MOST_COPIES = 2_000_000


class MatchingOptions:
    """A component as arrays with one entry for each option, ordered by row (place): its holdings, then staying empty.

    `row`, `column`: shape (options,); columns are the holdings in order, then one for each place that stays empty.
    `losses`: shape (options, levels). `start`: the first option of each row. `quantity`: shape (columns,). `spreads`: for
    each level the most by which the losses of all places together can differ.
    """

    def __init__(self, layout: Layout, component: Component) -> None:
        self.places = component.places
        self.holdings = sorted({layout.edges[edge].holding for edge in component.edges})
        row_of = {place: row for row, place in enumerate(self.places)}
        column_of = {holding: column for column, holding in enumerate(self.holdings)}
        edges = [layout.edges[number] for number in component.edges]
        rows, columns = len(self.places), len(self.holdings)
        row = np.array([row_of[edge.place] for edge in edges] + list(range(rows)), np.int64)
        column = np.array([column_of[edge.holding] for edge in edges] + list(range(columns, columns + rows)), np.int64)
        losses = np.array(
            [layout.losses[number] for number in component.edges] + [(0,) * len(layout.levels)] * rows, np.int64
        ).reshape(len(row), len(layout.levels))
        bonuses = edge_bonuses(component.bonuses, waived=False)
        for at, number in enumerate(component.edges if bonuses else ()):
            for level, earns in bonuses.get(number, {}).items():
                losses[at, level] -= earns
        order = np.lexsort((column, row))
        self.row, self.column, self.losses = row[order], column[order], losses[order]
        self.start = np.searchsorted(self.row, np.arange(rows))
        self.quantity = np.array([layout.quantity[holding] for holding in self.holdings] + [1] * rows, np.int64)
        # As in `levels.level_weights`: the prices are on the same scale as the packed costs of the flow.
        self.spreads = [most - least for least, most in level_spreads(layout, component)]


def optimal_matching(options: MatchingOptions) -> tuple[_Integers, _Numbers, npt.NDArray[np.bool_]] | None:
    """An optimum on all levels with its proof; None where the proof does not succeed.

    Returns the option chosen in each row, shape (rows,), by position; the dual price of every column, shape (columns,),
    int64 or exact Python integers; and which options are tight (least cost plus price in their row), shape (options,).
    Ties are left as the solver has them: the tight options describe every optimum. Price rounds are limited to 2,000, and
    copies of holdings with several pieces to 2,000,000 options.
    """
    spreads = options.spreads
    chosen = _by_groups(options, spreads)
    if chosen is None:
        return None
    weights = mixed_radix_weights(spreads)
    fits = sum(weight * (spread + 1) for weight, spread in zip(weights, spreads, strict=True)) < _INT64
    losses = options.losses if fits else options.losses.astype(object)
    cost = np.zeros(len(options.row), losses.dtype)
    for level, weight in enumerate(weights):
        cost = cost + losses[:, level] * weight
    prices = _prices(options, chosen, cost)
    if prices is None:
        return None
    priced = cost + prices[options.column]
    return chosen, prices, np.asarray(priced == np.minimum.reduceat(priced, options.start)[options.row], bool)


def _by_groups(options: MatchingOptions, spreads: Sequence[int]) -> _Integers | None:
    rows, columns = len(options.places), len(options.quantity)
    is_tight_so_far = np.ones(len(options.row), bool)
    needed = np.zeros(columns, bool)
    chosen: _Integers | None = None
    for levels in _groups(spreads, _EXACT // (4 * (rows + 1))):
        weights = mixed_radix_weights([spreads[level] for level in levels])
        cost = np.zeros(len(options.row), np.int64)
        for level, weight in zip(levels, weights, strict=True):
            cost += options.losses[:, level] * weight
        penalty = int((np.maximum.reduceat(cost, options.start) - np.minimum.reduceat(cost, options.start)).sum()) + 1
        cost = cost + penalty * (~is_tight_so_far) - penalty * needed[options.column]
        chosen = _cheapest_assignment(options, cost)
        prices = None if chosen is None else _prices(options, chosen, cost)
        if chosen is None or prices is None:
            return None
        least = np.minimum.reduceat(cost + prices[options.column], options.start)
        is_tight_so_far &= cost + prices[options.column] == least[options.row]
        needed |= prices > 0
    return chosen


def _groups(spreads: Sequence[int], room: int) -> list[list[int]]:
    """The levels in order, as many in a group as `room` allows; levels that cannot differ are left out."""
    groups: list[list[int]] = [[]]
    size = 1
    for level, spread in enumerate(spreads):
        if spread == 0:
            continue
        if groups[-1] and size * (spread + 1) > room:
            groups.append([])
            size = 1
        groups[-1].append(level)
        size *= spread + 1
    return groups


def _cheapest_assignment(options: MatchingOptions, cost: _Integers) -> _Integers | None:
    """The options of an assignment of least total cost, no column used more often than its quantity; None where doubles
    cannot represent the costs."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import min_weight_full_bipartite_matching

    rows = len(options.places)
    degree = np.bincount(options.column, minlength=len(options.quantity))
    copies = np.minimum(options.quantity, degree)
    repeats = copies[options.column]
    if int(repeats.sum()) > _MOST_COPIES or int(np.abs(cost).max(initial=0)) >= _EXACT:
        return None
    first = np.concatenate(([0], np.cumsum(copies)))
    option = np.repeat(np.arange(len(options.row)), repeats)
    within = np.arange(len(option)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    columns = first[options.column[option]] + within
    # The solver takes an explicit zero for a missing option, so the least cost becomes 1.
    weights = (cost[option] - int(cost.min()) + 1).astype(np.float64)
    graph = csr_array((weights, (options.row[option], columns)), shape=(rows, int(first[-1])))
    _, taken = min_weight_full_bipartite_matching(graph)
    picked = csr_array((option + 1, (options.row[option], columns)), shape=graph.shape)
    return np.asarray(picked[np.arange(rows), taken]).reshape(-1).astype(np.int64) - 1


def _prices(options: MatchingOptions, chosen: _Integers, cost: _Numbers) -> _Numbers | None:
    """The dual price of each column: the shortest distance from it to a column with a piece to spare. None where these do
    not prove the choice optimal, or are not found within the rounds."""
    columns = len(options.quantity)
    own_column, own_cost = options.column[chosen], cost[chosen]
    used_up = np.bincount(own_column, minlength=columns) >= options.quantity
    # Only one place can use the column of its staying empty, so that never has a price.
    used_up[len(options.holdings) :] = False
    infinite = int(sum(abs(int(most)) for most in np.maximum.reduceat(np.abs(cost), options.start))) * 2 + 1
    prices: _Numbers = np.zeros(columns, cost.dtype)
    prices[used_up] = infinite
    movers = np.flatnonzero(used_up[own_column])
    order = movers[np.argsort(own_column[movers], kind="stable")]
    group_start = np.flatnonzero(np.diff(own_column[order], prepend=-1)) if len(order) else order
    for _ in range(_MOST_ROUNDS):
        least = np.minimum.reduceat(cost + prices[options.column], options.start)
        if len(order) == 0:
            break
        offered = np.minimum.reduceat((least - own_cost)[order], group_start)
        occupied = own_column[order][group_start]
        if (offered >= prices[occupied]).all():
            break
        prices[occupied] = np.minimum(prices[occupied], offered)
    else:
        return None
    proven = (prices >= 0).all() and (least == own_cost + prices[own_column]).all()
    return prices if proven else None

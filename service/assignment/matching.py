"""An optimum of a large component without bonds, found by scipy's solver for sparse assignment, proven by prices.

The solver works in doubles, exact for whole numbers up to 2^53. The levels are therefore packed, from the first on, into
groups that stay below that; each group is optimised among the optima of the groups before it: an option that those leave
out of reach costs more than the whole group can lose, and a holding that they want used up earns as much. The
method is that of Jonker and Volgenant (1987), as in scipy.sparse.csgraph.min_weight_full_bipartite_matching.

However the answer was found, the prices prove it, over all levels at once and in whole numbers: they are the shortest ways
from each used-up holding to one with a piece to spare (Bellman 1958), and where no place has an option below what it sits
on, no price is below nought, and only used-up holdings have one, nothing better exists (complementary slackness). Where
the proof fails the answer is None, and the caller takes the slower way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.components import Component, Layout, level_multipliers

_Integers = npt.NDArray[np.int64]
_Numbers = npt.NDArray[Any]

_EXACT = 2**52
_INT64 = 2**61
_MOST_ROUNDS = 2_000
_MOST_COPIES = 2_000_000


class MatchingOptions:
    """A component as arrays, one entry an option, in order of row (place): its holdings, then its own emptiness."""

    def __init__(self, board: Layout, component: Component) -> None:
        self.places = component.places
        self.holdings = sorted({board.edges[edge].holding for edge in component.edges})
        row_of = {place: row for row, place in enumerate(self.places)}
        column_of = {holding: column for column, holding in enumerate(self.holdings)}
        edges = [board.edges[number] for number in component.edges]
        rows, columns = len(self.places), len(self.holdings)
        row = np.array([row_of[edge.place] for edge in edges] + list(range(rows)), np.int64)
        column = np.array([column_of[edge.holding] for edge in edges] + list(range(columns, columns + rows)), np.int64)
        losses = np.array(
            [board.losses[number] for number in component.edges] + [(0,) * len(board.levels)] * rows, np.int64
        ).reshape(len(row), len(board.levels))
        order = np.lexsort((column, row))
        self.row, self.column, self.losses = row[order], column[order], losses[order]
        self.start = np.searchsorted(self.row, np.arange(rows))
        self.quantity = np.array([board.quantity[holding] for holding in self.holdings] + [1] * rows, np.int64)

    def spreads(self) -> list[int]:
        """For each level the most by which all places together can differ."""
        least = np.minimum.reduceat(self.losses, self.start, axis=0)
        most = np.maximum.reduceat(self.losses, self.start, axis=0)
        return [int(spread) for spread in (most - least).sum(axis=0)]


def optimal_matching(options: MatchingOptions) -> tuple[_Integers, _Numbers, npt.NDArray[np.bool_]] | None:
    """The option that each row takes in an optimum on all levels, the price of every column that proves it, and which
    options are tight: of least cost plus price in their row. None where the proof does not come about."""
    spreads = options.spreads()
    chosen = _by_groups(options, spreads)
    if chosen is None:
        return None
    weights = level_multipliers(spreads)
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
    in_reach = np.ones(len(options.row), bool)
    wanted = np.zeros(columns, bool)
    chosen: _Integers | None = None
    for levels in _groups(spreads, _EXACT // (4 * (rows + 1))):
        weights = level_multipliers([spreads[level] for level in levels])
        cost = np.zeros(len(options.row), np.int64)
        for level, weight in zip(levels, weights, strict=True):
            cost += options.losses[:, level] * weight
        reach = int((np.maximum.reduceat(cost, options.start) - np.minimum.reduceat(cost, options.start)).sum()) + 1
        cost = cost + reach * (~in_reach) - reach * wanted[options.column]
        chosen = _matched(options, cost)
        prices = None if chosen is None else _prices(options, chosen, cost)
        if chosen is None or prices is None:
            return None
        least = np.minimum.reduceat(cost + prices[options.column], options.start)
        in_reach &= cost + prices[options.column] == least[options.row]
        wanted |= prices > 0
    return chosen


def _groups(spreads: Sequence[int], room: int) -> list[list[int]]:
    """The levels in order, as many to a group as its numbers have room for; levels that cannot differ are left out."""
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


def _matched(options: MatchingOptions, cost: _Integers) -> _Integers | None:
    """The cheapest option of each row with no column used more than its quantity; None where doubles cannot hold it."""
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
    # Explicit noughts would be taken for missing options, so the least cost becomes one.
    weights = (cost[option] - int(cost.min()) + 1).astype(np.float64)
    graph = csr_array((weights, (options.row[option], columns)), shape=(rows, int(first[-1])))
    _, taken = min_weight_full_bipartite_matching(graph)
    picked = csr_array((option + 1, (options.row[option], columns)), shape=graph.shape)
    return np.asarray(picked[np.arange(rows), taken]).reshape(-1).astype(np.int64) - 1


def _prices(options: MatchingOptions, chosen: _Integers, cost: _Numbers) -> _Numbers | None:
    """What each column must cost so that no row would rather sit elsewhere: the shortest way from it to a column with a
    piece to spare. None where there is no such price: then the choice is not an optimum."""
    columns = len(options.quantity)
    sits, pays = options.column[chosen], cost[chosen]
    used_up = np.bincount(sits, minlength=columns) >= options.quantity
    # A place's own emptiness is nobody else's, so it never has a price.
    used_up[len(options.holdings) :] = False
    far = int(sum(abs(int(most)) for most in np.maximum.reduceat(np.abs(cost), options.start))) * 2 + 1
    prices: _Numbers = np.zeros(columns, cost.dtype)
    prices[used_up] = far
    movers = np.flatnonzero(used_up[sits])
    order = movers[np.argsort(sits[movers], kind="stable")]
    grouped = np.flatnonzero(np.diff(sits[order], prepend=-1)) if len(order) else order
    for _ in range(_MOST_ROUNDS):
        least = np.minimum.reduceat(cost + prices[options.column], options.start)
        if len(order) == 0:
            break
        offered = np.minimum.reduceat((least - pays)[order], grouped)
        held = sits[order][grouped]
        if (offered >= prices[held]).all():
            break
        prices[held] = np.minimum(prices[held], offered)
    else:
        return None
    proven = (prices >= 0).all() and (least == pays + prices[sits]).all()
    return prices if proven else None

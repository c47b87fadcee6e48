"""Swaps without a bound on the length of cycles: a circulation, decomposed into short cycles for a first answer.

Every coin given goes from its giver through its kind of place to its receiver, and everyone gives as many coins as they
receive: so the places that a circulation of greatest value fills are an upper bound for cycles of any length. The dual
prices prove it, and give for each party how many places are lost at least without it (`Circulation.weights`), from which
the bound of people follows.

Cycles of 2, then 3, then 4 parties are taken from the circulation one by one; the rest remains a circulation. Any giver
of a kind of place can give to any receiver of it, so there are mostly enough short cycles.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from service.exchange.problem import LONGEST
from service.exchange.reduction import LinkCycle, ReducedExchange, turnover
from service.exchange.remainder import Remainder

_Numbers = npt.NDArray[np.int64]
_UNLIMITED = 2**40


@dataclass(frozen=True, slots=True)
class Circulation:
    """`value` is the number of places filled; `given[supply, kind]` the number of coins of a supply that go to a kind of
    place; `taken[demand]` the number of its places filled. `weights`, one for each party in order: without a set of
    parties at least the sum of their weights is lost."""

    value: int
    given: dict[tuple[int, int], int]
    taken: dict[int, int]
    weights: tuple[int, ...]


def maximum_circulation(reduced: ReducedExchange) -> Circulation:
    """A circulation of greatest value, by ortools' min-cost flow, with its proof checked. Barred receivers, limits and
    the length of cycles are ignored, so its value is an upper bound of what an exchange fills."""
    from ortools.graph.python import min_cost_flow

    at = {party: row for row, party in enumerate(reduced.parties)}
    supplies = len(at)
    kinds = supplies + len(reduced.supplies)
    arcs: list[tuple[int, int, int, int]] = []
    for node, supply in enumerate(reduced.supplies, supplies):
        arcs.append((at[supply.giver], node, len(supply.coins), 0))
    pairs = [(number, kind) for number, supply in enumerate(reduced.supplies) for kind in sorted(supply.kinds)]
    arcs += [(supplies + number, kinds + kind, _UNLIMITED, 0) for number, kind in pairs]
    arcs += [(kinds + demand.kind, at[demand.receiver], len(demand.places), -1) for demand in reduced.demands]
    table = np.array(arcs, np.int64).reshape(-1, 4)
    solver = min_cost_flow.SimpleMinCostFlow()
    solver.add_arcs_with_capacity_and_unit_cost(table[:, 0], table[:, 1], table[:, 2], table[:, 3])
    status = solver.solve()
    if status != solver.OPTIMAL:
        raise RuntimeError(f"the solver reports {status} for a circulation, which is always feasible")
    flows: _Numbers = np.array(solver.flows(np.arange(len(table))), np.int64)
    value = -solver.optimal_cost()
    first, last = len(reduced.supplies), len(reduced.supplies) + len(pairs)
    given = {pair: int(flow) for pair, flow in zip(pairs, flows[first:last], strict=True) if flow}
    taken = {number: int(flow) for number, flow in enumerate(flows[last:]) if flow}
    return Circulation(value, given, taken, _weights(table, flows, first, last, len(at), value))


def _weights(table: _Numbers, flows: _Numbers, first: int, last: int, parties: int, value: int) -> tuple[int, ...]:
    """How many places are lost at least without each party, by dual prices of the nodes, which also prove the value.

    By linear duality the value of a circulation is at most the sum over all arcs of capacity times the gain of the arc
    beyond the prices, and every arc that can gain belongs to one party.
    """
    tail, head, capacity, cost = table.T
    price = _prices(tail, head, cost, flows < capacity, flows > 0, int(max(tail.max(), head.max())) + 1)
    gain = np.maximum(0, -(cost + price[tail] - price[head])) * capacity
    if int(gain.sum()) != value:
        raise RuntimeError("the prices of a circulation do not prove that it is optimal")
    party = np.concatenate([tail[:first], np.full(last - first, -1), head[last:]])
    weights = np.zeros(parties, np.int64)
    np.add.at(weights, party[party >= 0], gain[party >= 0])
    return tuple(weights.tolist())


def _prices(
    tail: _Numbers, head: _Numbers, cost: _Numbers, more: npt.NDArray[np.bool_], less: npt.NDArray[np.bool_], nodes: int
) -> _Numbers:
    """Shortest distances from any node in the residual network (Bellman and Ford)."""
    start = np.concatenate([tail[more], head[less]])
    end = np.concatenate([head[more], tail[less]])
    length = np.concatenate([cost[more], -cost[less]])
    order = np.argsort(end, kind="stable")
    start, end, length = start[order], end[order], length[order]
    groups = np.flatnonzero(np.r_[True, end[1:] != end[:-1]]) if len(end) else np.zeros(0, np.int64)
    price = np.zeros(nodes, np.int64)
    for _ in range(nodes + 1):
        nearest = np.minimum.reduceat(price[start] + length, groups) if len(groups) else price[:0]
        found = price.copy()
        found[end[groups]] = np.minimum(found[end[groups]], nearest)
        if np.array_equal(found, price):
            return price
        price = found
    raise RuntimeError("the residual network of a circulation of greatest value has a negative cycle")


def fewest_people(reduced: ReducedExchange, flow: Circulation, places: int) -> int:
    """A lower bound of the number of parties that fill so many places: the larger of a bound by the flow's dual prices
    and one by how many coins each party can give and receive."""
    if not places:
        return 0
    spare, left = flow.value - places, len(reduced.parties)
    for weight in sorted(flow.weights):
        if weight > spare:
            break
        spare -= weight
        left -= 1
    reached = np.cumsum(sorted(turnover(reduced).values(), reverse=True))
    return max(2, left, int(np.searchsorted(reached, places)) + 1)


def decompose(reduced: ReducedExchange, flow: Circulation, longest: int) -> list[LinkCycle]:
    """Cycles of 2 to `longest` parties (four at most) taken from the circulation, short ones first, each time through the
    party with most coins to give. Feasible under all limits; no claim to be optimal."""
    pairs = sorted(flow.given)
    named = sorted(flow.taken)
    supplies = [reduced.supplies[number] for number, _ in pairs]
    demands = [reduced.demands[number] for number in named]
    part = replace(
        reduced,
        supplies=tuple(
            replace(supply, kinds=frozenset((pair[1],)), coins=supply.coins[: flow.given[pair]])
            for pair, supply in zip(pairs, supplies, strict=True)
        ),
        demands=tuple(
            replace(demand, places=demand.places[: flow.taken[number]])
            for number, demand in zip(named, demands, strict=True)
        ),
    )
    remainder = Remainder(part)
    gives = turnover(part)
    order = sorted(range(len(part.parties)), key=lambda at: (-gives[part.parties[at]], at))
    for length in range(2, min(longest, LONGEST) + 1):
        for position in order:
            turn = position
            while remainder.take(position, length, turn) is not None:
                turn += 1
    return [tuple((pairs[supply][0], named[demand]) for supply, demand in c) for c in remainder.cycles.values()]

"""Swaps without a bound on the length of cycles: a circulation, decomposed into short cycles for a first answer.

Every coin given goes from its giver through its kind of place to its receiver, and everyone gives as many coins as they
receive: so the places that a circulation of greatest value fills are an upper bound for cycles of any length. The dual
prices prove it, and give for each party how many places are lost at least without it (`Circulation.weights`), from which
the bound of people follows.

Cycles of 2, then 3, then 4 parties are taken from the circulation one by one; the rest remains a circulation. Any giver
of a kind of place can give to any receiver of it, so there are mostly enough short cycles.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.exchange.reduction import Condition, Link, LinkCycle, ReducedExchange, turnover

_Numbers = npt.NDArray[np.int64]
_UNLIMITED = 2**40
_MOST_STEPS = 20_000_000
"""The largest number of steps of a decomposition; past it the cycles found so far are the result."""


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


class _Remainder:
    """What is left of a circulation while cycles are taken from it: who has coins for which kinds, and who lacks them, as
    bits of whole numbers. The rarest kind has the lowest bit, and is used first."""

    def __init__(self, reduced: ReducedExchange, flow: Circulation) -> None:
        self.reduced = reduced
        self.coins: dict[tuple[int, int], list[int]] = defaultdict(list)
        self.wants: dict[tuple[int, int], list[int]] = defaultdict(list)
        for (number, kind), count in flow.given.items():
            self.coins[reduced.supplies[number].giver, kind] += [number] * count
        for number, count in flow.taken.items():
            demand = reduced.demands[number]
            self.wants[demand.receiver, demand.kind] += [number] * count
        size: dict[int, int] = defaultdict(int)
        for (_, kind), held in self.coins.items():
            size[kind] += len(held)
        self.kinds = sorted(size, key=lambda kind: (size[kind], kind))
        self.bits = bit = {kind: 1 << at for at, kind in enumerate(self.kinds)}
        self.has = dict.fromkeys(reduced.parties, 0)
        self.lacks = dict.fromkeys(reduced.parties, 0)
        self.left = dict.fromkeys(reduced.parties, 0)
        for (party, kind), held in self.coins.items():
            self.has[party] |= bit[kind]
            self.left[party] += len(held)
        for party, kind in self.wants:
            self.lacks[party] |= bit[kind]
        self.steps = _MOST_STEPS
        self.counts: Counter[Condition] = Counter()

    def link(self, giver: int, receiver: int) -> Link | None:
        """The first link from the one to the other that nothing forbids."""
        common = self.has[giver] & self.lacks[receiver]
        while common:
            lowest = common & -common
            common ^= lowest
            kind = self.kinds[lowest.bit_length() - 1]
            demand = self.wants[receiver, kind][0]
            for supply in dict.fromkeys(self.coins[giver, kind]):
                if receiver not in self.reduced.supplies[supply].barred and self._is_allowed((supply, demand)):
                    return supply, demand
        return None

    def take(self, parties: tuple[int, ...]) -> LinkCycle | None:
        """Take a cycle over these parties; None when limits forbid it."""
        links: list[Link] = []
        for giver, receiver in zip(parties, (*parties[1:], parties[0]), strict=True):
            link = self.link(giver, receiver)
            if link is None:
                for supply, demand in reversed(links):
                    self._move(supply, demand, back=True)
                return None
            self._move(*link, back=False)
            links.append(link)
        first = parties.index(min(parties))
        return (*links[first:], *links[:first])

    def cycle_from(self, first: int, length: int) -> tuple[int, ...] | None:
        """A cycle of this many parties from `first` on, by depth-first search, parties with most coins left first."""
        order = sorted((party for party in self.left if self.left[party]), key=lambda p: (-self.left[p], p))

        def extended(path: tuple[int, ...]) -> tuple[int, ...] | None:
            has = self.has[path[-1]]
            if len(path) == length:
                return path if has & self.lacks[first] and self.link(path[-1], first) else None
            self.steps -= len(order)
            if self.steps < 0:
                return None
            for party in order:
                if has & self.lacks[party] and party not in path and self.link(path[-1], party):
                    found = extended((*path, party))
                    if found is not None:
                        return found
            return None

        return extended((first,))

    def _is_allowed(self, link: Link) -> bool:
        """Whether with this link every limit still has a condition that holds."""
        counted = set(self.reduced.conditions(link))
        return all(
            any(
                self.counts[number, at] + ((number, at) in counted) <= condition.count
                for at, condition in enumerate(self.reduced.limits[number])
            )
            for number in {number for number, _ in counted}
        )

    def _move(self, supply: int, demand: int, *, back: bool) -> None:
        giver = self.reduced.supplies[supply].giver
        receiver, kind = self.reduced.demands[demand].receiver, self.reduced.demands[demand].kind
        bit = self.bits[kind]
        coins, wants = self.coins[giver, kind], self.wants[receiver, kind]
        if back:
            coins.insert(0, supply)
            wants.insert(0, demand)
        else:
            coins.remove(supply)
            wants.remove(demand)
        self.left[giver] += 1 if back else -1
        self.has[giver] = self.has[giver] | bit if coins else self.has[giver] & ~bit
        self.lacks[receiver] = self.lacks[receiver] | bit if wants else self.lacks[receiver] & ~bit
        for condition in self.reduced.conditions((supply, demand)):
            self.counts[condition] += -1 if back else 1


def decompose(reduced: ReducedExchange, flow: Circulation, longest: int) -> list[LinkCycle]:
    """Cycles of 2 to `longest` parties taken from the circulation, short ones first, each time for the party with most
    coins left to give (ties: the lowest). Feasible under all limits; no claim to be optimal."""
    remainder = _Remainder(reduced, flow)
    cycles: list[LinkCycle] = []
    for length in range(2, longest + 1):
        without_cycle: set[int] = set()
        while True:
            waiting = [party for party in reduced.parties if remainder.left[party] and party not in without_cycle]
            if not waiting:
                break
            party = max(waiting, key=lambda party: (remainder.left[party], -party))
            path = remainder.cycle_from(party, length)
            cycle = None if path is None else remainder.take(path)
            if cycle is None:
                without_cycle.add(party)
            else:
                cycles.append(cycle)
    return cycles

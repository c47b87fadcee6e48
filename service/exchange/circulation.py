"""Swaps without a bound on the length of cycles: a circulation, and from it a first answer in short cycles.

Every coin given runs from its giver over the kind of place to its receiver, who gives as many as he takes: so what a
circulation of greatest value fills is an upper bound of what cycles of any length fill. The prices of the flow prove it,
and tell of each party how much is lost at least without it (`Flow.weights`), whence the bound of people.

From the flow cycles of 2, then 3, then 4 parties are taken away one by one; what is left stays a circulation. Which giver
of a kind of place gives to which receiver of it is free, so there are mostly enough short ones.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.exchange.reduction import Condition, Link, LinkCycle, ReducedExchange

_Numbers = npt.NDArray[np.int64]
_AMPLE = 2**40
_MOST_STEPS = 20_000_000
"""How many times a first answer asks whether one may give to another: past that it is what was found so far."""


@dataclass(frozen=True, slots=True)
class Circulation:
    """`value` places filled. `given` says how many coins of a supply go to a kind of place, `taken` how many places of a
    demand are filled. `weights`: without a set of parties at least the sum of their weights is lost, by position."""

    value: int
    given: dict[tuple[int, int], int]
    taken: dict[int, int]
    weights: tuple[int, ...]


def maximum_circulation(market: ReducedExchange) -> Circulation:
    """A circulation of greatest value. Barred receivers and limits are not looked at: it stays an upper bound."""
    from ortools.graph.python import min_cost_flow

    at = {party: row for row, party in enumerate(market.parties)}
    heap = len(at)
    sources, kinds = range(heap, heap + len(market.supplies)), heap + len(market.supplies)
    arcs: list[tuple[int, int, int, int]] = []
    for node, supply in zip(sources, market.supplies, strict=True):
        arcs.append((at[supply.giver], node, len(supply.coins), 0))
    spread = [(number, kind) for number, supply in enumerate(market.supplies) for kind in sorted(supply.kinds)]
    arcs += [(heap + number, kinds + kind, _AMPLE, 0) for number, kind in spread]
    arcs += [(kinds + demand.kind, at[demand.receiver], len(demand.places), -1) for demand in market.demands]
    table = np.array(arcs, np.int64).reshape(-1, 4)
    solver = min_cost_flow.SimpleMinCostFlow()
    solver.add_arcs_with_capacity_and_unit_cost(table[:, 0], table[:, 1], table[:, 2], table[:, 3])
    status = solver.solve()
    if status != solver.OPTIMAL:
        raise RuntimeError(f"the solver ends a circulation, which always has an answer, with {status}")
    flows: _Numbers = np.array(solver.flows(np.arange(len(table))), np.int64)
    value = -solver.optimal_cost()
    first, last = len(market.supplies), len(market.supplies) + len(spread)
    given = {pair: int(flow) for pair, flow in zip(spread, flows[first:last], strict=True) if flow}
    taken = {number: int(flow) for number, flow in enumerate(flows[last:]) if flow}
    return Circulation(value, given, taken, _weights(table, flows, first, last, len(at), value))


def _weights(table: _Numbers, flows: _Numbers, first: int, last: int, parties: int, value: int) -> tuple[int, ...]:
    """What is lost at least without each party, by prices of the nodes; the prices prove the flow's value on the way.

    By linear duality no circulation is worth more than the sum over arcs of capacity times what an arc gains past the
    prices, and every arc that can gain belongs to one party.
    """
    tail, head, room, cost = table.T
    price = _prices(tail, head, cost, flows < room, flows > 0, int(max(tail.max(), head.max())) + 1)
    gain = np.maximum(0, -(cost + price[tail] - price[head])) * room
    if int(gain.sum()) != value:
        raise RuntimeError("the prices of a circulation do not prove it")
    party = np.concatenate([tail[:first], np.full(last - first, -1), head[last:]])
    weights = np.zeros(parties, np.int64)
    np.add.at(weights, party[party >= 0], gain[party >= 0])
    return tuple(weights.tolist())


def _prices(
    tail: _Numbers, head: _Numbers, cost: _Numbers, more: npt.NDArray[np.bool_], less: npt.NDArray[np.bool_], nodes: int
) -> _Numbers:
    """Shortest distances from anywhere in what is left of the network (Bellman and Ford)."""
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
    raise RuntimeError("a circulation of greatest value left a cycle that gains")


def fewest_people(market: ReducedExchange, flow: Circulation, places: int) -> int:
    """No fewer parties fill so many places: a bound by the flow's prices, and one by how much each can give and take."""
    if not places:
        return 0
    spare, left = flow.value - places, len(market.parties)
    for weight in sorted(flow.weights):
        if weight > spare:
            break
        spare -= weight
        left -= 1
    return max(2, left, _by_reach(market, places))


def _by_reach(market: ReducedExchange, places: int) -> int:
    gives: dict[int, int] = defaultdict(int)
    takes: dict[int, int] = defaultdict(int)
    for supply in market.supplies:
        gives[supply.giver] += len(supply.coins)
    for demand in market.demands:
        takes[demand.receiver] += len(demand.places)
    most = sorted((min(gives[party], takes[party]) for party in market.parties), reverse=True)
    reached = np.cumsum(most)
    return int(np.searchsorted(reached, places)) + 1


class _Tokens:
    """What is left of a circulation: who has coins for which kinds, and who lacks them, as bits of whole numbers."""

    def __init__(self, market: ReducedExchange, flow: Circulation) -> None:
        self.market = market
        self.coins: dict[tuple[int, int], list[int]] = defaultdict(list)
        self.wants: dict[tuple[int, int], list[int]] = defaultdict(list)
        for (number, kind), count in flow.given.items():
            self.coins[market.supplies[number].giver, kind] += [number] * count
        for number, count in flow.taken.items():
            demand = market.demands[number]
            self.wants[demand.receiver, demand.kind] += [number] * count
        # The rarest kind has the lowest bit, and goes first.
        size: dict[int, int] = defaultdict(int)
        for (_, kind), held in self.coins.items():
            size[kind] += len(held)
        self.kinds = sorted(size, key=lambda kind: (size[kind], kind))
        self.bits = bit = {kind: 1 << at for at, kind in enumerate(self.kinds)}
        self.has = dict.fromkeys(market.parties, 0)
        self.lacks = dict.fromkeys(market.parties, 0)
        self.left = dict.fromkeys(market.parties, 0)
        for (party, kind), held in self.coins.items():
            self.has[party] |= bit[kind]
            self.left[party] += len(held)
        for party, kind in self.wants:
            self.lacks[party] |= bit[kind]
        self.steps = _MOST_STEPS
        self.under: Counter[Condition] = Counter()

    def link(self, giver: int, receiver: int) -> Link | None:
        """The first link from the one to the other that nothing stands against."""
        common = self.has[giver] & self.lacks[receiver]
        while common:
            lowest = common & -common
            common ^= lowest
            kind = self.kinds[lowest.bit_length() - 1]
            demand = self.wants[receiver, kind][0]
            for supply in dict.fromkeys(self.coins[giver, kind]):
                if receiver not in self.market.supplies[supply].barred and self._allowed((supply, demand)):
                    return supply, demand
        return None

    def take(self, parties: tuple[int, ...]) -> LinkCycle | None:
        """The ring over these parties taken away, or None when limits forbid it."""
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

    def _allowed(self, link: Link) -> bool:
        """Whether of every limit a condition still holds with this link."""
        counted = set(self.market.terms(link))
        return all(
            any(
                self.under[number, at] + ((number, at) in counted) <= condition.count
                for at, condition in enumerate(self.market.limits[number])
            )
            for number in {number for number, _ in counted}
        )

    def _move(self, supply: int, demand: int, *, back: bool) -> None:
        giver = self.market.supplies[supply].giver
        receiver, kind = self.market.demands[demand].receiver, self.market.demands[demand].kind
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
        for term in self.market.terms((supply, demand)):
            self.under[term] += -1 if back else 1


def decompose(market: ReducedExchange, flow: Circulation, longest: int) -> list[LinkCycle]:
    """Short rings taken from the circulation, those of few parties first, for whoever has most left to give."""
    tokens = _Tokens(market, flow)
    rings: list[LinkCycle] = []
    for length in range(2, longest + 1):
        stuck: set[int] = set()
        while True:
            waiting = [party for party in market.parties if tokens.left[party] and party not in stuck]
            if not waiting:
                break
            party = max(waiting, key=lambda party: (tokens.left[party], -party))
            ring = next((ring for path in _paths(tokens, party, length) if (ring := tokens.take(path))), None)
            if ring is None:
                stuck.add(party)
            else:
                rings.append(ring)
    return rings


def _paths(tokens: _Tokens, first: int, length: int) -> list[tuple[int, ...]]:
    """One cycle of so many parties from `first` on, those who have most left to give before others; none or one."""
    order = sorted((party for party in tokens.left if tokens.left[party]), key=lambda p: (-tokens.left[p], p))

    def onwards(path: tuple[int, ...]) -> tuple[int, ...] | None:
        has = tokens.has[path[-1]]
        if len(path) == length:
            return path if has & tokens.lacks[first] and tokens.link(path[-1], first) else None
        tokens.steps -= len(order)
        if tokens.steps < 0:
            return None
        for party in order:
            if has & tokens.lacks[party] and party not in path and tokens.link(path[-1], party):
                found = onwards((*path, party))
                if found is not None:
                    return found
        return None

    found = onwards((first,))
    return [] if found is None else [found]

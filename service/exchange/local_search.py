"""Swaps among many: a first answer made better bit by bit, exactly among a few parties at a time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace

from service.assignment.cp_sat import SolverBudget
from service.exchange.circulation import Circulation
from service.exchange.cycle_packing import CyclePacking
from service.exchange.reduction import Condition, Demand, LinkCycle, ReducedExchange, Supply, party_cycles

_NEIGHBOURHOOD_SIZE = 9
_MOST_FAILURES = 60
_SLICE_SECONDS = 0.1
_TRY_SECONDS = 0.05
"""What a try costs beside the solver's own time."""
_MOST_CYCLES = 6_000


def improve(
    market: ReducedExchange,
    flow: Circulation,
    start: list[LinkCycle],
    longest: int,
    meter: SolverBudget,
    seconds: float,
) -> list[LinkCycle]:
    """Rings that fill as many places as those of `start` or more. Ends where they reach the flow's bound, by the budget, or
    after PATIENCE tries in vain."""
    table, stop = _Table(market, flow, start), meter.left - seconds
    turn, vain, tried = 0, 0, set[frozenset[int]]()
    while vain < _MOST_FAILURES and meter.left > stop and table.filled < flow.value:
        turn, vain = turn + 1, vain + 1
        few = table.few(turn)
        if few in tried:
            continue
        tried.add(few)
        meter.spend(_TRY_SECONDS)
        part, supplies, demands = table.without(few)
        every = party_cycles(part, longest, _MOST_CYCLES)
        if not every:
            continue
        inside = table.inside(few)
        to_supply = {number: at for at, number in enumerate(supplies)}
        to_demand = {number: at for at, number in enumerate(demands)}
        seated = [tuple((to_supply[s], to_demand[d]) for s, d in table.rings[number]) for number in inside]
        search = CyclePacking(part, every, seated)
        most = min(sum(len(s.coins) for s in part.supplies), sum(len(d.places) for d in part.demands))
        if search.fill(most, meter, min(_SLICE_SECONDS, meter.left - stop)) > sum(map(len, seated)):
            made = [tuple((supplies[s], demands[d]) for s, d in ring) for ring in search.best]
            table.replace(inside, made)
            vain, tried = 0, set()
    return list(table.rings.values())


class _Table:
    """Rings, and what they use, party by party."""

    def __init__(self, market: ReducedExchange, flow: Circulation, rings: Iterable[LinkCycle]) -> None:
        self.market = market
        self.rings: dict[int, LinkCycle] = {}
        self.filled = 0
        self.supplies: dict[int, list[int]] = defaultdict(list)
        self.demands: dict[int, list[int]] = defaultdict(list)
        for number, supply in enumerate(market.supplies):
            self.supplies[supply.giver].append(number)
        for number, demand in enumerate(market.demands):
            self.demands[demand.receiver].append(number)
        self._at: dict[int, dict[int, None]] = {party: {} for party in market.parties}
        self._gone: Counter[int] = Counter()
        self._taken: Counter[int] = Counter()
        self._under: Counter[Condition] = Counter()
        self._missing: Counter[int] = Counter()
        for (given, _), count in flow.given.items():
            self._missing[market.supplies[given].giver] += count
        self._next = 0
        self.replace((), rings)

    def replace(self, old: Iterable[int], new: Iterable[LinkCycle]) -> None:
        """These rings taken off, and others laid down."""
        for number in old:
            self._count(self.rings.pop(number), number, -1)
        for ring in new:
            self.rings[self._next] = ring
            self._count(ring, self._next, 1)
            self._next += 1

    def _count(self, ring: LinkCycle, number: int, sign: int) -> None:
        self.filled += sign * len(ring)
        for supply, demand in ring:
            self._gone[supply] += sign
            self._taken[demand] += sign
            giver = self.market.supplies[supply].giver
            self._missing[giver] -= sign
            if sign > 0:
                self._at[giver][number] = None
            else:
                del self._at[giver][number]
            for term in self.market.terms((supply, demand)):
                self._under[term] += sign

    def few(self, turn: int) -> frozenset[int]:
        """A few parties: one that gives less than in the flow, others such, and some who swap with it; others each turn."""
        short = sorted((p for p in self.market.parties if self._missing[p] > 0), key=lambda p: (-self._missing[p], p))
        pool = short or list(self.market.parties)
        centre = pool[turn % len(pool)]
        with_it: Counter[int] = Counter()
        for number in self._at[centre]:
            with_it.update(self.market.parties_of(self.rings[number]))
        partners = sorted((p for p in with_it if p != centre), key=lambda p: (-with_it[p], p))
        chosen = {centre: None}
        for others, count in (
            (short, _NEIGHBOURHOOD_SIZE // 2),
            (partners, _NEIGHBOURHOOD_SIZE),
            (list(self.market.parties), _NEIGHBOURHOOD_SIZE),
        ):
            shift = (turn * 7 + turn // max(len(pool), 1)) % len(others) if others else 0
            for party in [*others[shift:], *others[:shift]]:
                if len(chosen) < count:
                    chosen[party] = None
        return frozenset(chosen)

    def inside(self, few: frozenset[int]) -> list[int]:
        """The rings that lie wholly among these."""
        near = sorted({number for party in few for number in self._at[party]})
        return [number for number in near if few.issuperset(self.market.parties_of(self.rings[number]))]

    def without(self, few: frozenset[int]) -> tuple[ReducedExchange, list[int], list[int]]:
        """The market among these, without what rings with others use; with the numbers of its supplies and demands."""
        market = self.market
        coins = {n: len(market.supplies[n].coins) - self._gone[n] for party in few for n in self.supplies[party]}
        places = {n: len(market.demands[n].places) - self._taken[n] for party in few for n in self.demands[party]}
        outside = Counter(self._under)
        for number in self.inside(few):
            for supply, demand in self.rings[number]:
                coins[supply] += 1
                places[demand] += 1
                outside.subtract(market.terms((supply, demand)))
        supplies = sorted(number for number, count in coins.items() if count)
        demands = sorted(number for number, count in places.items() if count)
        part = ReducedExchange(
            tuple(sorted(few)),
            tuple(_of_coins(market.supplies[number], coins[number]) for number in supplies),
            tuple(_of_places(market.demands[number], places[number]) for number in demands),
            {
                number: tuple(
                    replace(condition, count=condition.count - outside[number, at])
                    for at, condition in enumerate(conditions)
                )
                for number, conditions in market.limits.items()
            },
        )
        return part, supplies, demands


def _of_coins(supply: Supply, count: int) -> Supply:
    return Supply(supply.giver, supply.kinds, supply.coins[:count], supply.barred, supply.limits)


def _of_places(demand: Demand, count: int) -> Demand:
    return Demand(demand.receiver, demand.kind, demand.places[:count])

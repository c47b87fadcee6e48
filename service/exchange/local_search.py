"""Large neighbourhood search: cycles among many parties improved step by step, exactly among a few parties at a time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace

from service.assignment.cp_sat import SolverBudget
from service.exchange.circulation import Circulation
from service.exchange.cycle_packing import CyclePacking
from service.exchange.reduction import Condition, Demand, LinkCycle, ReducedExchange, Supply, party_cycles

_NEIGHBOURHOOD_SIZE = 9
"""Parties in a neighbourhood."""
_MOST_FAILURES = 60
_SECONDS_PER_TRY = 0.1
_OVERHEAD_SECONDS = 0.05
"""What a try costs in addition to the solver's own time."""
_MOST_CYCLES = 6_000


def improve(
    reduced: ReducedExchange,
    flow: Circulation,
    start: list[LinkCycle],
    longest: int,
    budget: SolverBudget,
    seconds: float,
) -> list[LinkCycle]:
    """Cycles that fill at least as many places as those of `start`. Ends at the flow's bound, at the end of the budget
    (`seconds`, deterministic), or after 60 neighbourhoods in a row without improvement. No optimality is claimed."""
    incumbent, stop = _Incumbent(reduced, flow, start), budget.left - seconds
    turn, failures, tried = 0, 0, set[frozenset[int]]()
    while failures < _MOST_FAILURES and budget.left > stop and incumbent.filled < flow.value:
        turn, failures = turn + 1, failures + 1
        neighbourhood = incumbent.neighbourhood(turn)
        if neighbourhood in tried:
            continue
        tried.add(neighbourhood)
        budget.spend(_OVERHEAD_SECONDS)
        part, supplies, demands = incumbent.restricted(neighbourhood)
        every = party_cycles(part, longest, _MOST_CYCLES)
        if not every:
            continue
        inside = incumbent.inside(neighbourhood)
        to_supply = {number: at for at, number in enumerate(supplies)}
        to_demand = {number: at for at, number in enumerate(demands)}
        current = [tuple((to_supply[s], to_demand[d]) for s, d in incumbent.cycles[number]) for number in inside]
        search = CyclePacking(part, every, current)
        most = min(sum(len(s.coins) for s in part.supplies), sum(len(d.places) for d in part.demands))
        if search.fill_places(most, budget, min(_SECONDS_PER_TRY, budget.left - stop)) > sum(map(len, current)):
            better = [tuple((supplies[s], demands[d]) for s, d in cycle) for cycle in search.best]
            incumbent.replace(inside, better)
            failures, tried = 0, set()
    return list(incumbent.cycles.values())


class _Incumbent:
    """The cycles so far, and what they use, party by party."""

    def __init__(self, reduced: ReducedExchange, flow: Circulation, cycles: Iterable[LinkCycle]) -> None:
        self.reduced = reduced
        self.cycles: dict[int, LinkCycle] = {}
        self.filled = 0
        self.supplies: dict[int, list[int]] = defaultdict(list)
        self.demands: dict[int, list[int]] = defaultdict(list)
        for number, supply in enumerate(reduced.supplies):
            self.supplies[supply.giver].append(number)
        for number, demand in enumerate(reduced.demands):
            self.demands[demand.receiver].append(number)
        self._at: dict[int, dict[int, None]] = {party: {} for party in reduced.parties}
        self._given: Counter[int] = Counter()
        self._filled: Counter[int] = Counter()
        self._counts: Counter[Condition] = Counter()
        self._missing: Counter[int] = Counter()
        for (supply_number, _), count in flow.given.items():
            self._missing[reduced.supplies[supply_number].giver] += count
        self._next = 0
        self.replace((), cycles)

    def replace(self, old: Iterable[int], new: Iterable[LinkCycle]) -> None:
        """Replace some of the cycles, by number, by others."""
        for number in old:
            self._count(self.cycles.pop(number), number, -1)
        for cycle in new:
            self.cycles[self._next] = cycle
            self._count(cycle, self._next, 1)
            self._next += 1

    def _count(self, cycle: LinkCycle, number: int, sign: int) -> None:
        self.filled += sign * len(cycle)
        for supply, demand in cycle:
            self._given[supply] += sign
            self._filled[demand] += sign
            giver = self.reduced.supplies[supply].giver
            self._missing[giver] -= sign
            if sign > 0:
                self._at[giver][number] = None
            else:
                del self._at[giver][number]
            for condition in self.reduced.conditions((supply, demand)):
                self._counts[condition] += sign

    def neighbourhood(self, turn: int) -> frozenset[int]:
        """A few parties, others each turn: one that gives less than in the flow, more of those, and parties in cycles
        with it."""
        short = sorted((p for p in self.reduced.parties if self._missing[p] > 0), key=lambda p: (-self._missing[p], p))
        pool = short or list(self.reduced.parties)
        centre = pool[turn % len(pool)]
        shared: Counter[int] = Counter()
        for number in self._at[centre]:
            shared.update(self.reduced.parties_of(self.cycles[number]))
        partners = sorted((p for p in shared if p != centre), key=lambda p: (-shared[p], p))
        chosen = {centre: None}
        for others, count in (
            (short, _NEIGHBOURHOOD_SIZE // 2),
            (partners, _NEIGHBOURHOOD_SIZE),
            (list(self.reduced.parties), _NEIGHBOURHOOD_SIZE),
        ):
            shift = (turn * 7 + turn // max(len(pool), 1)) % len(others) if others else 0
            for party in [*others[shift:], *others[:shift]]:
                if len(chosen) < count:
                    chosen[party] = None
        return frozenset(chosen)

    def inside(self, neighbourhood: frozenset[int]) -> list[int]:
        """The numbers of the cycles among these parties only."""
        near = sorted({number for party in neighbourhood for number in self._at[party]})
        return [number for number in near if neighbourhood.issuperset(self.reduced.parties_of(self.cycles[number]))]

    def restricted(self, neighbourhood: frozenset[int]) -> tuple[ReducedExchange, list[int], list[int]]:
        """The exchange among these parties, without what cycles with others use; and the numbers of its supplies and
        demands."""
        reduced = self.reduced
        coins = {
            n: len(reduced.supplies[n].coins) - self._given[n] for party in neighbourhood for n in self.supplies[party]
        }
        places = {
            n: len(reduced.demands[n].places) - self._filled[n] for party in neighbourhood for n in self.demands[party]
        }
        outside = Counter(self._counts)
        for number in self.inside(neighbourhood):
            for supply, demand in self.cycles[number]:
                coins[supply] += 1
                places[demand] += 1
                outside.subtract(reduced.conditions((supply, demand)))
        supplies = sorted(number for number, count in coins.items() if count)
        demands = sorted(number for number, count in places.items() if count)
        part = ReducedExchange(
            tuple(sorted(neighbourhood)),
            tuple(_of_coins(reduced.supplies[number], coins[number]) for number in supplies),
            tuple(_of_places(reduced.demands[number], places[number]) for number in demands),
            {
                number: tuple(
                    replace(condition, count=condition.count - outside[number, at])
                    for at, condition in enumerate(conditions)
                )
                for number, conditions in reduced.limits.items()
            },
        )
        return part, supplies, demands


def _of_coins(supply: Supply, count: int) -> Supply:
    return Supply(supply.giver, supply.kinds, supply.coins[:count], supply.barred, supply.conditions)


def _of_places(demand: Demand, count: int) -> Demand:
    return Demand(demand.receiver, demand.kind, demand.places[:count])

"""The best cycles of an exchange, with what is proven of them (see `service.exchange.problem`)."""

from __future__ import annotations

from functools import partial

from service.assignment.cp_sat import SolverBudget
from service.assignment.problem import Level
from service.exchange.circulation import Circulation, decompose, fewest_people, maximum_circulation
from service.exchange.cycle_packing import CyclePacking
from service.exchange.local_search import improve
from service.exchange.problem import LEVELS, LONGEST, Cycle, Exchange, ExchangeSolution, Transfer
from service.exchange.reduction import LinkCycle, ReducedExchange, link_count, party_cycles, reduce_exchange

MOST_PARTY_CYCLES = 4_000
"""With more cycles of parties, or more links, a part is not searched exactly."""
_MOST_LINKS = 20_000


def solve_exchange(exchange: Exchange, *, longest: int = LONGEST, budget_seconds: float = 10.0) -> ExchangeSolution:
    """The best cycles on every level of `service.exchange.problem`, with what is proven of them.

    `longest` is the largest number of parties in a cycle (at least 2; by local search there are never more than 4).
    `budget_seconds` are deterministic seconds, shared by the parts, so the answer does not depend on how busy the machine
    is. When they run out the answer still consists of whole cycles that satisfy every limit, and the levels say what is
    proven. Ties are broken by the level `order`, so the answer does not depend on the order of the input.

    Honest limits: a part with more than 4,000 cycles of parties or 20,000 links is solved by local search; there `places`
    and `people` are proven only where they reach their bounds, and `cycles` and `order` hardly ever.

    Two parties, each with a coin that fits the other's empty place:

    >>> from service.exchange.problem import Offer, Party
    >>> parties = {
    ...     0: Party(holes=frozenset({1}), offers=(Offer(coin=0, places=frozenset({2})),)),
    ...     1: Party(holes=frozenset({2}), offers=(Offer(coin=0, places=frozenset({1})),)),
    ... }
    >>> solution = solve_exchange(Exchange(parties))
    >>> [(t.giver, t.coin, t.receiver, t.place) for t in solution.cycles[0]]
    [(0, 0, 1, 2), (1, 0, 0, 1)]
    >>> [(level.name, level.value) for level in solution.levels], solution.proven
    ([('places', 2), ('people', 2), ('cycles', 1), ('order', 0)], True)
    """
    budget = SolverBudget(budget_seconds)
    parts = reduce_exchange(exchange)
    cycles: list[Cycle] = []
    totals = [Level(name, 0, True, 0) for name in LEVELS]
    for number, reduced in enumerate(parts):
        link_cycles, levels = _solve_part(reduced, longest, budget, budget.left / (len(parts) - number))
        cycles += _named(reduced, link_cycles)
        totals = [_added(total, level) for total, level in zip(totals, levels, strict=True)]
    return ExchangeSolution(tuple(sorted(cycles, key=_by_parties)), tuple(totals))


def _solve_part(
    reduced: ReducedExchange, longest: int, budget: SolverBudget, seconds: float
) -> tuple[list[LinkCycle], list[Level]]:
    flow = maximum_circulation(reduced)
    start = decompose(reduced, flow, longest)
    every = party_cycles(reduced, longest, MOST_PARTY_CYCLES) if link_count(reduced) <= _MOST_LINKS else None
    if every is not None:
        search = CyclePacking(reduced, every, start)
        search.optimise(flow.value, partial(fewest_people, reduced, flow), budget, seconds)
        return search.best, search.levels()
    best = improve(reduced, flow, start, longest, budget, seconds)
    return best, _levels_of(reduced, flow, best)


def _levels_of(reduced: ReducedExchange, flow: Circulation, cycles: list[LinkCycle]) -> list[Level]:
    """The levels of an answer that was not searched exactly."""
    places = sum(len(cycle) for cycle in cycles)
    people = len({reduced.supplies[supply].giver for cycle in cycles for supply, _ in cycle})
    fewest = min(fewest_people(reduced, flow, places), people)
    pairs = places // 2
    return [
        Level("places", places, places == flow.value, flow.value),
        Level("people", people, people == fewest, fewest),
        Level("cycles", len(cycles), len(cycles) == pairs, pairs),
        Level("order", places, not places, 0),
    ]


def _added(total: Level, level: Level) -> Level:
    return Level(level.name, total.value + level.value, total.proven and level.proven, total.bound + level.bound)


def _named(reduced: ReducedExchange, cycles: list[LinkCycle]) -> list[Cycle]:
    """The cycles with their coins and places: each in order takes the first that are left among equivalent ones."""
    coins = [iter(supply.coins) for supply in reduced.supplies]
    places = [iter(demand.places) for demand in reduced.demands]

    def named(supply: int, demand: int) -> Transfer:
        giver, receiver = reduced.supplies[supply].giver, reduced.demands[demand].receiver
        return Transfer(giver, next(coins[supply]), receiver, next(places[demand]))

    order = sorted(cycles, key=lambda cycle: (reduced.parties_of(cycle), cycle))
    return [tuple(named(*link) for link in cycle) for cycle in order]


def _by_parties(cycle: Cycle) -> tuple[list[int], Cycle]:
    return [transfer.giver for transfer in cycle], cycle

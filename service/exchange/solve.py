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

MOST_RINGS = 4_000
_MOST_LINKS = 20_000


def solve_exchange(exchange: Exchange, *, longest: int = LONGEST, budget_seconds: float = 10.0) -> ExchangeSolution:
    """The best cycles on every level. `budget_seconds` are the solver's deterministic seconds, so the answer does not
    depend on the load. When they run out the answer is still made of whole cycles, and the levels say what is proven.
    """
    meter = SolverBudget(budget_seconds)
    found = reduce_exchange(exchange)
    cycles: list[Cycle] = []
    totals = [Level(name, 0, True, 0) for name in LEVELS]
    for number, market in enumerate(found):
        rings, levels = _settle_part(market, longest, meter, meter.left / (len(found) - number))
        cycles += _named(market, rings)
        totals = [_added(total, level) for total, level in zip(totals, levels, strict=True)]
    return ExchangeSolution(tuple(sorted(cycles, key=_by_parties)), tuple(totals))


def _settle_part(
    market: ReducedExchange, longest: int, meter: SolverBudget, seconds: float
) -> tuple[list[LinkCycle], list[Level]]:
    flow = maximum_circulation(market)
    start = decompose(market, flow, longest)
    every = party_cycles(market, longest, MOST_RINGS) if link_count(market) <= _MOST_LINKS else None
    if every is not None:
        search = CyclePacking(market, every, start)
        search.optimise(flow.value, partial(fewest_people, market, flow), meter, seconds)
        return search.best, search.levels()
    best = improve(market, flow, start, longest, meter, seconds)
    return best, _levels_of(market, flow, best)


def _levels_of(market: ReducedExchange, flow: Circulation, rings: list[LinkCycle]) -> list[Level]:
    """What is known of an answer that was not searched exactly."""
    places = sum(len(ring) for ring in rings)
    people = len({market.supplies[supply].giver for ring in rings for supply, _ in ring})
    fewest = min(fewest_people(market, flow, places), people)
    pairs = places // 2
    return [
        Level("places", places, places == flow.value, flow.value),
        Level("people", people, people == fewest, fewest),
        Level("cycles", len(rings), len(rings) == pairs, pairs),
        Level("order", places, not places, 0),
    ]


def _added(total: Level, level: Level) -> Level:
    return Level(level.name, total.value + level.value, total.proven and level.proven, total.bound + level.bound)


def _named(market: ReducedExchange, rings: list[LinkCycle]) -> list[Cycle]:
    """The cycles with coins and places: each in order takes the first that are left of those alike."""
    coins = [iter(supply.coins) for supply in market.supplies]
    places = [iter(demand.places) for demand in market.demands]

    def named(supply: int, demand: int) -> Transfer:
        giver, receiver = market.supplies[supply].giver, market.demands[demand].receiver
        return Transfer(giver, next(coins[supply]), receiver, next(places[demand]))

    order = sorted(rings, key=lambda ring: (market.parties_of(ring), ring))
    return [tuple(named(*link) for link in ring) for ring in order]


def _by_parties(cycle: Cycle) -> tuple[list[int], Cycle]:
    return [transfer.giver for transfer in cycle], cycle

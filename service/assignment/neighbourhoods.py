"""Swaps among many: a first answer made better bit by bit, exactly among a few parties at a time."""

from __future__ import annotations

from collections import Counter

from service.assignment.circulation import Flow
from service.assignment.market import Demand, Market, Ring, Supply, rings_of
from service.assignment.rings import RingSearch
from service.assignment.search import Meter

TOGETHER = 9
MOST_TRIES = 400
_SLICE = 0.2
_MOST_CYCLES = 6_000


def improve(market: Market, flow: Flow, start: list[Ring], longest: int, meter: Meter, seconds: float) -> list[Ring]:
    """Rings that fill as many places or more. Ends where they reach the flow's bound, or by the budget, or when no
    neighbourhood gains."""
    best, stop = list(start), meter.left - seconds
    waiting = _short(market, flow, best)
    for turn in range(MOST_TRIES):
        if not waiting or meter.left <= stop or sum(map(len, best)) >= flow.value:
            break
        centre = waiting.pop(0)
        found = _around(market, best, centre, turn, longest, meter, min(_SLICE, meter.left - stop))
        if found is not None:
            best = found
            waiting = _short(market, flow, best)
    return best


def _short(market: Market, flow: Flow, rings: list[Ring]) -> list[int]:
    """The parties that give less than in the flow, those most short of it first."""
    gives = Counter(market.supplies[supply].giver for ring in rings for supply, _ in ring)
    missing: Counter[int] = Counter()
    for (supply, _), count in flow.given.items():
        missing[market.supplies[supply].giver] += count
    missing.subtract(gives)
    return sorted((party for party in market.parties if missing[party] > 0), key=lambda p: (-missing[p], p))


def _around(
    market: Market, rings: list[Ring], centre: int, turn: int, longest: int, meter: Meter, seconds: float
) -> list[Ring] | None:
    """Better rings after those among a few parties around one were made anew; None when there are none."""
    few = _few(market, rings, centre, turn)
    kept = [ring for ring in rings if not few.issuperset(market.parties_of(ring))]
    freed = [ring for ring in rings if few.issuperset(market.parties_of(ring))]
    part, supplies, demands = _part(market, kept, few)
    every = rings_of(part, longest, _MOST_CYCLES)
    if not every:
        return None
    to_supply = {number: at for at, number in enumerate(supplies)}
    to_demand = {number: at for at, number in enumerate(demands)}
    inside = [tuple((to_supply[s], to_demand[d]) for s, d in ring) for ring in freed]
    search = RingSearch(part, every, inside)
    before = sum(map(len, freed))
    most = min(sum(len(s.coins) for s in part.supplies), sum(len(d.places) for d in part.demands))
    if search.fill(most, meter, seconds) <= before:
        return None
    return [*kept, *(tuple((supplies[s], demands[d]) for s, d in ring) for ring in search.best)]


def _few(market: Market, rings: list[Ring], centre: int, turn: int) -> set[int]:
    """The party, some of those who are short of what they could, and some who swap with it; others at each turn."""
    free = Counter[int]()
    for supply in market.supplies:
        free[supply.giver] += len(supply.coins)
    for ring in rings:
        free.subtract(market.parties_of(ring))
    partners = Counter(party for ring in rings if centre in (parties := market.parties_of(ring)) for party in parties)
    by_swaps = sorted((p for p in partners if p != centre), key=lambda p: (-partners[p], p))
    by_free = sorted((p for p in market.parties if p != centre and free[p]), key=lambda p: (-free[p], p))
    few = {centre}
    for at, others in enumerate((by_free, by_swaps, by_free)):
        if others:
            shift = (turn * (at + 2)) % len(others)
            few.update((others[shift:] + others[:shift])[: (TOGETHER - 1) // 2 - at])
    return set(sorted(few - {centre})[: TOGETHER - 1]) | {centre}


def _part(market: Market, kept: list[Ring], few: set[int]) -> tuple[Market, list[int], list[int]]:
    """The market among these few, without what the kept rings use; with the numbers of its supplies and demands."""
    gone = Counter(supply for ring in kept for supply, _ in ring)
    filled = Counter(demand for ring in kept for _, demand in ring)
    supplies = [n for n, s in enumerate(market.supplies) if s.giver in few and len(s.coins) > gone[n]]
    demands = [n for n, d in enumerate(market.demands) if d.receiver in few and len(d.places) > filled[n]]
    bonds = dict(market.bonds)
    for ring in kept:
        for supply, demand in ring:
            for limit in market.supplies[supply].limits:
                bond = bonds[limit]
                if bond.receiver == market.demands[demand].receiver:
                    bonds[limit] = type(bond)(bond.receiver, bond.count - 1)
    part = Market(
        tuple(sorted(few)),
        tuple(_less_coins(market.supplies[number], gone[number]) for number in supplies),
        tuple(_less_places(market.demands[number], filled[number]) for number in demands),
        bonds,
    )
    return part, supplies, demands


def _less_coins(supply: Supply, gone: int) -> Supply:
    return Supply(supply.giver, supply.kinds, supply.coins[gone:], supply.barred, supply.limits)


def _less_places(demand: Demand, filled: int) -> Demand:
    return Demand(demand.receiver, demand.kind, demand.places[filled:])

"""What a search for swaps costs and finds, beside peers in the same run: pairs taken one by one by a plain loop, and networkx
listing the cycles of a small club. Each answer is checked to be made of whole cycles of coins that are there once."""

from __future__ import annotations

import random
import statistics
import time
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations

import networkx as nx
from rich.console import Console
from rich.table import Table

from service.clubs.swaps.model import FoundSwap, Leg
from service.clubs.swaps.reevaluation import Reevaluation
from service.clubs.swaps.search import find_swaps
from service.exchange.problem import LONGEST, Exchange, ExchangeSolution, Offer, Party
from service.exchange.reduction import party_cycles, reduce_exchange, successors
from service.exchange.solve import solve_exchange
from service.facts.holding import read_holdings
from service.progress.evaluate import EvaluationRequest, evaluate
from service.reference import shipped
from service.rules.document import read_definition
from tests.benchmarks.data import SEED, TODAY
from tests.clubs.swaps.sides import side_of

QUICK = [(12, 40, 60, 10.0), (40, 120, 300, 10.0)]
LARGE = [(150, 500, 2_000, 10.0), (500, 500, 2_000, 10.0), (500, 500, 2_000, 60.0)]
ISSUERS = ("GB", "IE", "NO", "CA", "AU")


def a_club(members: int, places: int, coins: int) -> Exchange:
    """Members who each drew so many coins: the n-th place is n ** 0.9 times rarer than the first, and one coin in ten fits
    the next place too. Who has a place twice has a spare, who has it never a hole."""
    chance = random.Random(SEED)
    weights = [1 / (place + 1) ** 0.9 for place in range(places)]
    parties = {}
    for member in range(members):
        drawn = sorted(chance.choices(range(places), weights, k=coins))
        held = Counter(drawn)
        offers = [
            Offer(
                number, frozenset((place, min(place + 1, places - 1))) if chance.random() < 0.1 else frozenset((place,))
            )
            for number, place in enumerate(drawn)
            if number and drawn[number - 1] == place
        ]
        # A coin that fits two places fills the second where it lacks.
        filled = set(held)
        spare = []
        for offer in offers:
            lacking = sorted(offer.places - filled)
            if lacking:
                filled.add(lacking[0])
            else:
                spare.append(offer)
        parties[member] = Party(frozenset(range(places)) - filled, tuple(spare))
    return Exchange(parties)


def greedy_pairs(exchange: Exchange) -> int:
    """How many places pairs fill that are taken as they come: two members swap as long as each has what the other lacks."""
    lacks = {number: set(party.holes) for number, party in exchange.parties.items()}
    has: dict[int, dict[int, list[frozenset[int]]]] = {}
    for number, party in exchange.parties.items():
        has[number] = {}
        for offer in party.offers:
            for place in offer.places:
                has[number].setdefault(place, []).append(offer.places)

    def take(giver: int, place: int) -> None:
        coin = has[giver][place].pop()
        for other in coin:
            if other != place:
                has[giver][other].remove(coin)

    filled = 0
    for one, other in combinations(sorted(exchange.parties), 2):
        while True:
            there = next((p for p in sorted(lacks[other]) if has[one].get(p)), None)
            back = next((p for p in sorted(lacks[one]) if has[other].get(p)), None)
            if there is None or back is None:
                break
            take(one, there)
            take(other, back)
            lacks[other].discard(there)
            lacks[one].discard(back)
            filled += 2
    return filled


def check(exchange: Exchange, found: ExchangeSolution) -> None:
    """Raises AssertionError when the cycles are not what they should be."""
    transfers = [transfer for cycle in found.cycles for transfer in cycle]
    assert (
        len({(t.giver, t.coin) for t in transfers}) == len({(t.receiver, t.place) for t in transfers}) == len(transfers)
    )
    fits = {(number, o.coin): o.places for number, party in exchange.parties.items() for o in party.offers}
    assert all(t.place in fits[t.giver, t.coin] and t.place in exchange.parties[t.receiver].holes for t in transfers)
    for cycle in found.cycles:
        assert [t.receiver for t in cycle] == [*(t.giver for t in cycle[1:]), cycle[0].giver]
        assert 2 <= len({t.giver for t in cycle}) == len(cycle) <= LONGEST


def searches(console: Console, sizes: list[tuple[int, int, int, float]]) -> None:
    table = Table(title="Swap search", title_justify="left", show_edge=False)
    for column in (
        "members x places x coins",
        "holes",
        "spares",
        "budget",
        "filled",
        "bound",
        "people",
        "cycles 2/3/4",
        "s",
    ):
        table.add_column(column, justify="right")
    table.add_column("pairs as they come", justify="right")
    table.add_column("more places", justify="right")
    for members, places, coins, budget in sizes:
        exchange = a_club(members, places, coins)
        begun = time.perf_counter()
        found = solve_exchange(exchange, budget_seconds=budget)
        ours = time.perf_counter() - begun
        check(exchange, found)
        begun = time.perf_counter()
        pairs = greedy_pairs(exchange)
        plain = time.perf_counter() - begun
        lengths = Counter(map(len, found.cycles))
        filled, people = found.level("places"), found.level("people")
        table.add_row(
            f"{members} x {places} x {coins:,}",
            f"{sum(len(party.holes) for party in exchange.parties.values()):,}",
            f"{sum(len(party.offers) for party in exchange.parties.values()):,}",
            f"{budget:g}",
            f"{filled.value:,}",
            "proven" if filled.proven else f"{filled.bound:,} (+{(filled.bound / filled.value - 1) * 100:.2f} %)",
            f"{people.value}" + ("" if people.proven else f" (>= {people.bound})"),
            "/".join(f"{lengths[length]:,}" for length in (2, 3, 4)),
            f"{ours:.1f}",
            f"{pairs:,} in {plain:.1f} s",
            f"{(filled.value / pairs - 1) * 100:.1f} %",
        )
    console.print(table)
    console.print()


def listings(console: Console, members: int) -> None:
    """All cycles of up to four parties, ours and networkx', which are to be the same."""
    (market,) = reduce_exchange(a_club(members, 60, 90))
    begun = time.perf_counter()
    ours = party_cycles(market, LONGEST, 10**7)
    mine = time.perf_counter() - begun
    graph = nx.DiGraph((one, other) for one, others in successors(market).items() for other in others)
    begun = time.perf_counter()
    theirs = sorted(tuple(_from_lowest(cycle)) for cycle in nx.simple_cycles(graph, length_bound=LONGEST))
    peer = time.perf_counter() - begun
    assert ours == theirs
    console.print(
        f"Cycles of up to {LONGEST} among {members} members: {len(theirs):,} in {mine:.2f} s, "
        f"networkx {peer:.2f} s ({peer / mine:.1f}x)\n"
    )


def _from_lowest(cycle: list[int]) -> list[int]:
    first = cycle.index(min(cycle))
    return cycle[first:] + cycle[:first]


@dataclass(frozen=True)
class Club:
    """Whole members, with collections of coins."""

    measurements: dict[str, EvaluationRequest]


def a_whole_club(members: int, places: int, coins: int) -> Club:
    """Definition and collections: a place is an issuer and a year, the later the rarer."""
    chance = random.Random(SEED)
    kinds = [(ISSUERS[n % len(ISSUERS)], 1800 + n // len(ISSUERS)) for n in range(places)]
    weights = [1 / (place + 1) ** 0.9 for place in range(places)]
    slots = [
        {"id": f"place-{n:04}", "accepts": f"issuer = '{issuer}' AND year_on_coin = {year}"}
        for n, (issuer, year) in enumerate(kinds)
    ]
    document = {"format": "set-definition/1", "title": "club", "prefer": [{"highest": "grade"}], "slots": slots}
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    found = {}
    for member in range(members):
        drawn = chance.choices(kinds, weights, k=coins)
        raw = [
            {"id": f"{number:05}", "facts": {"issuer": issuer, "year_on_coin": year, "grade": chance.randint(1, 70)}}
            for number, (issuer, year) in enumerate(drawn)
        ]
        holdings = read_holdings(raw, definition.attributes, strict=True)
        found[f"member-{member:03}"] = EvaluationRequest(definition, holdings, TODAY, shipped.vocabularies())
    return Club(found)


def whole(console: Console, members: int, places: int, coins: int) -> None:
    """From evaluations to swaps, with every set of those who take part measured again."""
    club = a_whole_club(members, places, coins)
    begun = time.perf_counter()
    results = {owner: evaluate(asked) for owner, asked in club.measurements.items()}
    evaluated = time.perf_counter() - begun
    sides = [side_of(owner, result) for owner, result in results.items()]
    begun = time.perf_counter()
    again = Reevaluation(club.measurements.__getitem__)
    found = find_swaps(sides, again, lambda owner, holding: {})
    whole_seconds = time.perf_counter() - begun
    times = _times(club, again, found)
    console.print(
        f"{members} members x {places} places x {coins:,} coins: evaluations {evaluated:.1f} s; swaps {whole_seconds:.1f} s, "
        f"in it {again.evaluations} sets measured again at {statistics.median(times) * 1000:.0f} ms "
        f"({sum(map(len, found.swaps)):,} places, {len(found.swaps):,} swaps, {found.rounds} rounds)\n"
    )


def _times(club: Club, again: Reevaluation, found: FoundSwap) -> list[float]:
    """How long it takes to measure a set again, for some."""
    legs: list[Leg] = [leg for swap in found.swaps for leg in swap]
    times = []
    for owner in list(club.measurements)[:5]:
        gone = {leg.holding for leg in legs if leg.giver == owner}
        request = club.measurements[owner]
        less = replace(request, holdings=tuple(coin for coin in request.holdings if coin.id not in gone))
        begun = time.perf_counter()
        again._measured(less)
        times.append(time.perf_counter() - begun)
    return times


def run(quick: bool, console: Console | None = None) -> None:
    """All of it, printed."""
    console = console or Console()
    listings(console, 14 if quick else 24)
    searches(console, QUICK if quick else [*QUICK, *LARGE])
    whole(console, *((6, 60, 200) if quick else (30, 500, 2_000)))


if __name__ == "__main__":
    import sys

    run("--quick" in sys.argv, Console(width=180))

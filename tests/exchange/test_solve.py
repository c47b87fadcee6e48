"""Swaps equal brute force on small clubs; cycles are whole, coins and places used once; the order of input never matters."""

from __future__ import annotations

from collections import Counter
from math import prod
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.assignment.cp_sat import SolverBudget
from service.assignment.problem import Level
from service.exchange import solve
from service.exchange.circulation import decompose, fewest_people, maximum_circulation
from service.exchange.local_search import improve
from service.exchange.problem import AtMost, Exchange, ExchangeSolution, Offer, Party, Transfer, TransferLimit
from service.exchange.reduction import reduce_exchange
from service.exchange.remainder import Remainder
from service.exchange.solve import solve_exchange
from tests.benchmarks.swaps import a_club
from tests.exchange.brute import Parties, keeps_limits, splits, ways
from tests.strategies import examples


def some(*parties: tuple[set[int], list[set[int]]], limits: tuple[TransferLimit, ...] = ()) -> Exchange:
    """Parties from 0 on, each with its holes and, for coins from 0 on, the places that they fit."""
    return Exchange(
        {
            number: Party(frozenset(holes), tuple(Offer(coin, frozenset(places)) for coin, places in enumerate(offers)))
            for number, (holes, offers) in enumerate(parties)
        },
        limits,
    )


# The slow, obvious answer ---------------------------------------------------------------------------------------------


def truth(exchange: Exchange, longest: int) -> tuple[int, int, int, tuple[Parties, ...]]:
    """(-places, people, -cycles, the cycles of parties in order) of the best answer."""
    best: tuple[int, int, int, tuple[Parties, ...]] = (0, 0, 0, ())
    seen: set[frozenset[tuple[tuple[int, int], int]]] = set()
    for taken in ways(exchange):
        if -len(taken) > best[0]:
            continue
        steps = Counter((transfer.giver, transfer.receiver) for transfer in taken)
        gives, takes = Counter(t.giver for t in taken), Counter(t.receiver for t in taken)
        if gives != takes or (-len(taken), len(gives)) > best[:2] or frozenset(steps.items()) in seen:
            continue
        seen.add(frozenset(steps.items()))
        for cycles in splits(steps, longest):
            best = min(best, (-len(taken), len(gives), -len(cycles), tuple(sorted(cycles))))
    return best


def told(settlement: ExchangeSolution) -> tuple[int, int, int, tuple[Parties, ...]]:
    """The same of an answer."""
    people = {transfer.giver for cycle in settlement.cycles for transfer in cycle}
    cycles = tuple(sorted(tuple(transfer.giver for transfer in cycle) for cycle in settlement.cycles))
    return -sum(map(len, settlement.cycles)), len(people), -len(cycles), cycles


def wrongs(exchange: Exchange, settlement: ExchangeSolution, longest: int) -> list[str]:
    """All that is not right with the cycles of an answer."""
    found = []
    transfers = [transfer for cycle in settlement.cycles for transfer in cycle]
    for cycle in settlement.cycles:
        givers = [transfer.giver for transfer in cycle]
        if [transfer.receiver for transfer in cycle] != [*givers[1:], givers[0]]:
            found.append("broken")
        if len(set(givers)) != len(givers) or not 2 <= len(givers) <= longest or givers[0] != min(givers):
            found.append("no cycle")
    for (giver, coin), count in Counter((t.giver, t.coin) for t in transfers).items():
        if count > sum(offer.pieces for offer in exchange.parties[giver].offers if offer.coin == coin):
            found.append("coin given too often")
    if any(count > 1 for count in Counter((t.receiver, t.place) for t in transfers).values()):
        found.append("place filled twice")
    for t in transfers:
        fits = any(o.coin == t.coin and t.place in o.places for o in exchange.parties[t.giver].offers)
        if not fits or t.place not in exchange.parties[t.receiver].holes:
            found.append("no hole that it fits")
    found += [] if keeps_limits(exchange, transfers) else ["past a limit"]
    return found


# Clubs ----------------------------------------------------------------------------------------------------------------


@st.composite
def clubs(draw: st.DrawFn) -> Exchange:
    size = draw(st.integers(2, 5))
    places = draw(st.integers(1, 5))
    likely = draw(st.sampled_from([0.0, 0.1, 0.45]))
    coins = draw(st.integers(size, 8))
    random = draw(st.randoms(use_true_random=False))
    offers: list[list[Offer]] = [[] for _ in range(size)]
    for number in range(coins):
        fits = frozenset(random.sample(range(places), random.choice([1, 1, min(2, places)])))
        owner = number % size if number < size else random.randrange(size)
        offers[owner].append(Offer(number, fits, random.choice([1, 1, 1, 2])))
    # Where each lacks one place of its own and little more, cycles of three and four come about.
    holes = [
        frozenset(p for p in range(places) if random.random() < likely or (likely < 0.4 and p == n % places))
        for n in range(size)
    ]
    pool = [(giver, offer.coin) for giver in range(size) for offer in offers[giver]]
    limits = []
    for _ in range(draw(st.integers(0, 2))):
        conditions = []
        for _ in range(random.choice([1, 1, 2, 3])):
            named = frozenset(random.sample(pool, random.randint(1, min(3, len(pool)))))
            conditions.append(AtMost(named, random.choice([None, *range(size)]), random.randint(0, 1)))
        limits.append(tuple(conditions))

    # Brute force looks at every way: the last coins are left out until there are few enough.
    def ways_at_most() -> int:
        return prod(
            (1 + sum(len(offer.places & holes[other]) for other in range(size) if other != giver)) ** offer.pieces
            for giver in range(size)
            for offer in offers[giver]
        )

    while ways_at_most() > 30_000:
        max(offers, key=len).pop()
    return Exchange({n: Party(holes[n], tuple(offers[n])) for n in range(size)}, tuple(limits))


def shuffled(exchange: Exchange, random: Random) -> Exchange:
    parties = [(n, Party(p.holes, tuple(random.sample(p.offers, len(p.offers))))) for n, p in exchange.parties.items()]
    random.shuffle(parties)
    return Exchange(dict(parties), tuple(random.sample(exchange.limits, len(exchange.limits))))


@given(clubs(), st.integers(2, 4))
@settings(max_examples=examples(100), deadline=None)
def test_the_best_cycles_are_those_of_brute_force(exchange: Exchange, longest: int) -> None:
    found = solve_exchange(exchange, longest=longest)
    assert wrongs(exchange, found, longest) == []
    best = truth(exchange, longest)
    assert told(found) == best
    assert found.proven
    assert [level.value for level in found.levels] == [-best[0], best[1], -best[2], 0]


@given(clubs(), st.randoms(use_true_random=False))
@settings(max_examples=examples(50), deadline=None)
def test_the_order_of_input_never_matters(exchange: Exchange, random: Random) -> None:
    assert solve_exchange(shuffled(exchange, random)) == solve_exchange(exchange)


@given(clubs(), st.integers(2, 4))
@settings(max_examples=examples(60), deadline=None)
def test_without_the_exact_search_cycles_are_right_and_bounds_hold(exchange: Exchange, longest: int) -> None:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(solve, "MOST_PARTY_CYCLES", 0)
        found = solve_exchange(exchange, longest=longest)
    assert wrongs(exchange, found, longest) == []
    best = truth(exchange, longest)
    places, people, cycles, _ = found.levels
    assert places.value <= -best[0] <= places.bound
    if places.value == -best[0]:
        assert people.bound <= best[1] <= people.value
    if places.proven:
        assert places.value == -best[0]
    if places.proven and people.proven:
        assert people.value == best[1]
        assert cycles.value <= -best[2] <= cycles.bound


@pytest.mark.parametrize("seed", range(3))
def test_among_more_than_a_neighbourhood_limits_are_kept_too(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    random = Random(seed)
    size, places = 14, 12
    parties = {}
    for number in range(size):
        holes = frozenset(random.sample(range(places), 5))
        kinds = [place for place in range(places) if place not in holes]
        parties[number] = Party(
            holes, tuple(Offer(coin, frozenset((random.choice(kinds),)), random.choice([1, 2])) for coin in range(6))
        )
    pool = [(giver, coin) for giver in parties for coin in range(6)]
    limits = tuple(
        (AtMost(frozenset(random.sample(pool, 30)), receiver, 1), AtMost(frozenset(random.sample(pool, 5)), None, 0))
        for receiver in [*parties, None]
    )
    exchange = Exchange(parties, limits)
    monkeypatch.setattr(solve, "MOST_PARTY_CYCLES", 0)
    found = solve_exchange(exchange, budget_seconds=1)
    assert wrongs(exchange, found, 4) == []
    assert found.level("places").value > 20
    assert "past a limit" in wrongs(exchange, solve_exchange(Exchange(parties), budget_seconds=1), 4), (
        "they are to bind"
    )
    assert solve_exchange(shuffled(exchange, random), budget_seconds=1) == found


@given(clubs(), st.integers(2, 4), st.sampled_from((0, 1e-6, 1e-5, 1e-4)))
@settings(max_examples=examples(50), deadline=None)
def test_with_little_time_the_answer_is_whole_and_says_what_is_not_proven(
    exchange: Exchange, longest: int, budget: float
) -> None:
    found = solve_exchange(exchange, longest=longest, budget_seconds=budget)
    assert wrongs(exchange, found, longest) == []
    best, places = truth(exchange, longest), found.level("places")
    assert places.value <= -best[0] <= places.bound
    assert not places.proven or told(found)[0] == best[0]


def test_a_solution_is_proven_when_every_level_is() -> None:
    levels = [Level(name, 1, proven, 1) for name, proven in (("places", True), ("people", False))]
    assert not ExchangeSolution((), tuple(levels)).proven
    assert ExchangeSolution((), tuple(levels[:1])).proven


def test_a_pair_swaps() -> None:
    exchange = some(({1}, [{2}]), ({2}, [{1}]))
    assert solve_exchange(exchange).cycles == ((Transfer(0, 0, 1, 2), Transfer(1, 0, 0, 1)),)


def test_a_ring_of_five_is_too_long() -> None:
    def ring(size: int) -> Exchange:
        return some(*(({n}, [{(n + 1) % size}]) for n in range(size)))

    assert [len(cycle) for cycle in solve_exchange(ring(4)).cycles] == [4]
    assert solve_exchange(ring(5)).cycles == ()
    # The flow does not see the length, so the bound alone would not have told.
    (market,) = reduce_exchange(ring(5))
    assert maximum_circulation(market).value == 5


def test_a_flexible_coin_goes_where_the_other_cannot() -> None:
    exchange = some(({9}, [{1, 2}]), ({9}, [{1}]), ({1, 2}, [{9}, {9}]))
    found = solve_exchange(exchange)
    assert {(t.giver, t.place) for cycle in found.cycles for t in cycle if t.receiver == 2} == {(0, 2), (1, 1)}


def test_fewest_people_before_shorter_cycles() -> None:
    # 0 and 1 can swap twice; 0 with 1 and 0 with 2 fills as many places, with one more at the table.
    exchange = some(({1, 2}, [{5}, {5, 6}]), ({5, 6}, [{1}, {2}]), ({5}, [{1}]))
    found = solve_exchange(exchange)
    assert [tuple(t.giver for t in cycle) for cycle in found.cycles] == [(0, 1), (0, 1)]


def test_two_pairs_rather_than_a_ring_of_four() -> None:
    exchange = some(({1}, [{2, 4}]), ({2}, [{1, 3}]), ({3}, [{4, 2}]), ({4}, [{3, 1}]))
    assert sorted(len(cycle) for cycle in solve_exchange(exchange).cycles) == [2, 2]


def test_a_barred_coin_goes_to_another() -> None:
    exchange = some(({1}, [{2}, {2}]), ({2}, [{1}]))
    barred = AtMost(frozenset({(0, 0)}), 1, 0)
    assert solve_exchange(Exchange(exchange.parties, ((barred,),))).cycles[0][0].coin == 1


def test_a_limit_over_several_coins_holds() -> None:
    exchange = some(({8, 9}, [{1}, {2}]), ({1, 2}, [{8}, {9}]))
    assert len(solve_exchange(exchange).cycles) == 2
    limited = Exchange(exchange.parties, ((AtMost(frozenset({(0, 0), (0, 1)}), 1, 1),),))
    assert len(solve_exchange(limited).cycles) == 1
    # What is left by the limit is the first of what could be.
    assert solve_exchange(limited).cycles[0][0] == Transfer(0, 0, 1, 1)


def test_of_a_limit_one_condition_is_enough() -> None:
    exchange = some(({8, 9}, [{1}, {2}]), ({1, 2}, [{8}, {9}]))
    none_of = [AtMost(frozenset({(0, coin)}), None, 0) for coin in (0, 1)]
    assert len(solve_exchange(Exchange(exchange.parties, (tuple(none_of),))).cycles) == 1
    assert len(solve_exchange(Exchange(exchange.parties, ((none_of[0],), (none_of[1],)))).cycles) == 0


def test_whoever_cannot_be_missed_is_known_by_the_prices() -> None:
    exchange = some(({1}, [{2}, {4}]), ({2}, [{3}]), ({3}, [{1}]), ({4}, [{1}]))
    (market,) = reduce_exchange(exchange)
    flow = maximum_circulation(market)
    assert flow.value == 3
    # The pair of 0 and 3 fills two; three places need 0, 1 and 2.
    assert fewest_people(market, flow, 3) == 3
    assert fewest_people(market, flow, 2) == 2
    assert fewest_people(market, flow, 0) == 0


def test_of_a_coin_with_two_pieces_both_may_go() -> None:
    offers = (Offer(7, frozenset({1}), 2),)
    exchange = Exchange({
        0: Party(frozenset({3, 4}), offers),
        1: Party(frozenset({1}), (Offer(0, frozenset({3})),)),
        2: Party(frozenset({1}), (Offer(0, frozenset({4})),)),
    })  # fmt: skip
    assert len(solve_exchange(exchange).cycles) == 2


@given(clubs())
@settings(max_examples=examples(60), deadline=None)
def test_the_prices_bound_what_is_left_without_some(exchange: Exchange) -> None:
    free = Exchange(exchange.parties)
    for market in reduce_exchange(free):
        flow = maximum_circulation(market)
        for party, weight in zip(market.parties, flow.weights, strict=True):
            inside = {n: free.parties[n] for n in market.parties if n != party}
            without = sum(maximum_circulation(part).value for part in reduce_exchange(Exchange(inside)))
            assert without <= flow.value - weight
        assert fewest_people(market, flow, flow.value) <= len(market.parties)
        assert sum(map(len, decompose(market, flow, 4))) <= flow.value


@given(clubs(), st.randoms(use_true_random=False))
@settings(max_examples=examples(60), deadline=None)
def test_what_cycles_leave_is_the_same_whichever_way_they_came_about(exchange: Exchange, random: Random) -> None:
    for market in reduce_exchange(exchange):
        left = Remainder(market)
        for _ in range(20):
            taken = left.take(random.randrange(len(market.parties)), 4, random.randrange(9))
            if taken is None or random.random() < 0.3:
                for number in random.sample(sorted(left.cycles), len(left.cycles) // 2):
                    left.remove(number)
        fresh = Remainder(market, left.cycles.values())
        assert left.filled == fresh.filled == sum(map(len, left.cycles.values()))
        for name in ("_coins", "_places", "_has", "_lacks", "_givers", "_receivers", "_wanted"):
            assert getattr(left, name) == getattr(fresh, name), name
        assert +left._counts == +fresh._counts


def test_among_many_members_short_cycles_fill_all_that_any_would() -> None:
    exchange = a_club(30, 100, 250)
    found = solve_exchange(exchange)
    assert wrongs(exchange, found, 4) == []
    assert found.level("places").proven
    (market,) = reduce_exchange(exchange)
    flow = maximum_circulation(market)
    first = decompose(market, flow, 4)
    assert sum(map(len, first)) < found.level("places").value, "the search is to have something to improve"
    spent = SolverBudget(0)
    assert improve(market, flow, first, 4, spent, 0) == first
    assert not spent.left


# Controls: planted mistakes are seen ----------------------------------------------------------------------------------


def _mistakes(made: tuple[Transfer, ...]) -> dict[str, tuple[tuple[Transfer, ...], ...]]:
    one, two = made
    return {
        "coin given too often": (made, made),
        "place filled twice": (made, made),
        "broken": ((one, Transfer(two.giver, two.coin, 2, two.place)),),
        "no cycle": ((one,),),
        "no hole that it fits": ((Transfer(one.giver, one.coin, one.receiver, 1), two),),
    }


@pytest.mark.parametrize(
    "wrong", ["coin given too often", "place filled twice", "broken", "no cycle", "no hole that it fits"]
)
def test_a_planted_mistake_is_seen(wrong: str) -> None:
    exchange = some(({1}, [{2}]), ({2}, [{1}]), ({1}, []))
    found = solve_exchange(exchange)
    assert wrongs(exchange, found, 4) == []
    planted = ExchangeSolution(_mistakes(found.cycles[0])[wrong], found.levels)
    assert wrong in wrongs(exchange, planted, 4)


def test_greedy_cycles_are_seen_to_be_worse() -> None:
    # The control of the comparison with brute force: pairs first, one after the other, is not the best.
    exchange = some(({1, 2}, [{5}]), ({5}, [{1}]), ({3}, [{2}]), ({6}, [{3}]), ({5}, [{6}]))
    greedy = ExchangeSolution(((Transfer(0, 0, 1, 5), Transfer(1, 0, 0, 1)),), solve_exchange(exchange).levels)
    assert wrongs(exchange, greedy, 4) == []
    assert told(greedy) > truth(exchange, 4)
    assert told(solve_exchange(exchange)) == truth(exchange, 4)

"""Several sets of one owner at once, against every way of sharing out the coins (rules.md sections 5 and 6)."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import chain
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.assignment.solve import solve
from service.errors import OverLimit
from service.progress import allocations, claims
from service.progress.allocated import Mode
from service.progress.allocations import IN_ORDER, JOINTLY, SetRequest, allocate, ensure_within
from service.rules.messages import message
from tests import reference
from tests.factories import (
    OUTSIDE,
    a_document,
    a_holding,
    a_measurement,
    as_sent,
    bytes_of,
    measured,
    places_of,
    result_of,
    seats_of,
)
from tests.strategies import ISSUES, definitions, examples, holdings

QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
Pairs = Sequence[tuple[str, str]]
Document = dict[str, Any]
Coins = list[dict[str, Any]]


def allocated(
    documents: Sequence[Document],
    coins: Coins,
    mode: Mode,
    *,
    pins: Sequence[Pairs] = (),
    nevers: Sequence[Pairs] = (),
    exclusive: Sequence[bool] = (),
) -> dict[str, Any]:
    sets = [
        SetRequest(
            a_measurement(
                {**document, "title": f"Set {number}"},
                coins,
                issues=ISSUES,
                pins=pins[number] if pins else (),
                nevers=nevers[number] if nevers else (),
            ),
            exclusive[number] if exclusive else True,
        )
        for number, document in enumerate(documents)
    ]
    answer: dict[str, Any] = as_sent(allocate(sets, mode, 10))
    return answer


def of_mode(answer: Mapping[str, Any], kind: str, number: int) -> list[dict[str, Any]]:
    return [conflict for conflict in answer["sets"][number]["conflicts"] if conflict["kind"] == kind]


def seats(answer: Mapping[str, Any]) -> list[dict[str, str]]:
    return [seats_of(one) for one in answer["sets"]]


@st.composite
def small_sets(draw: st.DrawFn) -> list[Document]:
    """Two or three sets of up to three places."""
    made: list[Document] = []
    for _ in range(draw(st.sampled_from((2, 2, 3)))):
        document = draw(definitions())
        document["slots"] = document["slots"][: 1 if document["one_per"] or document["free_choice"] else 3]
        ids = {entry["id"] for kind in ("slots", "one_per", "free_choice") for entry in document[kind]}
        for rule in document["constraints"]:
            if "places" in rule:
                rule["places"] = [name for name in rule["places"] if name in ids] or sorted(ids)[:1]
            if "place" in rule:
                slots = [slot["id"] for slot in document["slots"]]
                rule["place"] = rule["place"] if rule["place"] in slots else slots[0]
        made.append(document)
    return made


def some_pins(documents: Sequence[Document], coins: Coins) -> st.SearchStrategy[list[list[tuple[str, str]]]]:
    if not coins:
        return st.just([[] for _ in documents])
    names = st.sampled_from([coin["id"] for coin in coins])
    return st.tuples(
        *(
            st.lists(st.tuples(names, st.sampled_from([slot["id"] for slot in document["slots"]])), max_size=2)
            for document in documents
        )
    ).map(list)


# --- every way of sharing out ------------------------------------------------------------------------------------------


HEAD = ("pins", "required", "places", "unknown", "alternatives", "to_check", "presumed", "shortfall")
Ways = dict[tuple[frozenset[tuple[str, int]], int], tuple[tuple[Any, ...], int, int]]
"""By the pieces used and the pins kept: the best rank, the most places surely filled, the most places filled."""


class Slow:
    """One set and all that may be done with it, by the slow reference."""

    def __init__(self, document: Document, coins: Coins, pins: Pairs) -> None:
        self.all = reference.assignments(document, coins, OUTSIDE, issues=ISSUES, pins=pins)
        self.prices = self.all.prices

    def rank(self, taken: Sequence[reference.Seat], bases: Sequence[str], levels: int) -> tuple[Any, ...]:
        found = self.all.levels(taken, list(bases))
        prices = {f"prefer-{n + 1}": found.get(f"prefer-{n + 1}", 0) for n in range(levels)}
        return reference.rank({**{name: found[name] for name in HEAD}, **prices})

    def ways(self, levels: int) -> Ways:
        """For every choice of pieces, and number of pins, the best that they reach here."""
        found: Ways = {}
        for taken, bases in self.all.ways():
            worth = self.rank(taken, bases, levels)
            key = (frozenset(Counter(coin.id for _, coin in taken).items()), -worth[0])
            before, sure, most = found.get(key, (worth, 0, 0))
            found[key] = min(before, worth), max(sure, bases.count("firm")), max(most, len(taken))
        return found

    def told(self, result: Mapping[str, Any], levels: int) -> tuple[Any, ...]:
        """The rank of the answer's own seats."""
        spots = {spot.address: spot for spot in self.all.places}
        coins = {coin.id: coin for coin in self.all.coins}
        filled = [place for place in places_of(result) if place["holding"]]
        taken = [(spots[place["place"]], coins[place["holding"]]) for place in filled]
        return self.rank(taken, [place.get("basis", "firm") for place in filled], levels)


def best_of_all(sets: Sequence[Slow], coins: Coins, levels: int) -> tuple[tuple[Any, ...], int, int]:
    """The least sum of ranks, and with the most pins the most places surely filled and filled, over all ways in which no
    piece is used twice. Of ways that use the same pieces only the best need be kept: ranks add up level by level."""
    owned = {coin["id"]: coin.get("quantity", 1) for coin in coins}
    whole: Ways = {(frozenset(), 0): ((0,) * (len(HEAD) + levels), 0, 0)}
    for one in sets:
        ways, further = one.ways(levels), {}
        if len(ways) * len(whole) > 200_000:
            raise reference.TooMany
        for (before, pins), (rank, sure, most) in whole.items():
            for (here, more_pins), (more, surely, filled) in ways.items():
                used = Counter(dict(before))
                used.update(dict(here))
                if any(used[name] > owned[name] for name in used):
                    continue
                key = frozenset(used.items()), pins + more_pins
                total = tuple(a + b for a, b in zip(rank, more, strict=True))
                known = further.get(key, (total, 0, 0))
                further[key] = min(known[0], total), max(known[1], sure + surely), max(known[2], most + filled)
        whole = further
    kept = max(pins for _, pins in whole)
    best = [way for (_, pins), way in whole.items() if pins == kept]
    return min(rank for rank, _, _ in whole.values()), max(way[1] for way in best), max(way[2] for way in best)


@settings(QUIETLY, max_examples=examples(50))
@given(small_sets(), holdings(), st.data())
def test_jointly_is_the_best_of_all_ways_of_sharing_out_on_every_level(
    documents: list[Document], coins: Coins, data: st.DataObject
) -> None:
    pins = data.draw(some_pins(documents, coins))
    exclusive = [data.draw(st.integers(0, 4)) > 0 for _ in documents]
    answer = allocated(documents, coins, JOINTLY, pins=pins, exclusive=exclusive)
    try:
        slow = [Slow(*one, pin) for *one, pin in zip(documents, [coins] * len(documents), pins, strict=True)]
        levels = max(len(one.prices) for one in slow)
        shared = [one for one, mine in zip(slow, exclusive, strict=True) if mine]
        best, certain, possible = best_of_all(shared, coins, levels)
    except reference.TooMany:
        assume(False)
        raise
    assert answer["proven_optimal"] is True
    told = [one.told(result, levels) for one, result, mine in zip(slow, answer["sets"], exclusive, strict=True) if mine]
    assert tuple(map(sum, zip(*told, strict=True))) == (best if told else ())
    found = {level["level"]: abs(level["value"]) for level in answer["levels"]}
    assert [found[name] for name in HEAD] == [abs(value) for value in best[: len(HEAD)]]
    assert answer["summary"]["certain"] == certain
    assert answer["summary"]["possible"] == possible


@settings(QUIETLY, max_examples=examples(40))
@given(small_sets(), holdings(), st.data())
def test_in_order_is_one_evaluation_after_the_other_on_what_is_left(
    documents: list[Document], coins: Coins, data: st.DataObject
) -> None:
    pins = data.draw(some_pins(documents, coins))
    exclusive = [data.draw(st.integers(0, 4)) > 0 for _ in documents]
    answer = allocated(documents, coins, IN_ORDER, pins=pins, exclusive=exclusive)
    gone: Counter[str] = Counter()
    for number, document in enumerate(documents):
        left = [{**coin, "quantity": coin.get("quantity", 1) - gone[coin["id"]]} for coin in coins]
        mine = [coin for coin in left if coin["quantity"] > 0] if exclusive[number] else coins
        alone = measured({**document, "title": f"Set {number}"}, mine, issues=ISSUES, pins=pins[number])
        here = answer["sets"][number]
        for part in ("definition", "levels", "slots", "one_per", "free_choice", "pages", "proven_optimal"):
            assert here[part] == alone[part], part
        assert {**here["summary"], "unplaced": 0} == {**alone["summary"], "unplaced": 0}
        kinds = ("contested", "undecided", "constraint")
        assert [c for c in here["conflicts"] if c["kind"] in kinds] == [
            c for c in alone["conflicts"] if c["kind"] in kinds
        ]
        if exclusive[number]:
            gone.update(seats_of(here).values())
    assert answer["summary"]["certain"] == sum(one["summary"]["certain"] for one in answer["sets"] if one["exclusive"])


@settings(QUIETLY, max_examples=examples(30))
@given(small_sets(), holdings(), st.sampled_from((IN_ORDER, JOINTLY)), st.data())
def test_no_piece_sits_twice_and_every_coin_stands_once_in_every_set(
    documents: list[Document], coins: Coins, mode: str, data: st.DataObject
) -> None:
    pins = data.draw(some_pins(documents, coins))
    answer = allocated(documents, coins, mode, pins=pins)
    placed = Counter(coin for one in seats(answer) for coin in one.values())
    for coin in coins:
        gone, pieces = coin.get("status", "held") != "held", coin.get("quantity", 1)
        assert placed[coin["id"]] <= (0 if gone else pieces)
        for number, one in enumerate(answer["sets"]):
            here = list(seats_of(one).values()).count(coin["id"])
            (*entries,) = (entry for entry in one["unplaced"] if entry["holding"] == coin["id"])
            assert len(entries) <= 1
            (entry,) = entries or [None]
            if entry is None:
                assert here
                left = 0
            elif entry["reason"] == "elsewhere":
                left = 0
                assert not here
                assert entry["sits_in"]
                for there in entry["sits_in"]:
                    assert there["set"] != number
                    assert seats_of(answer["sets"][there["set"]])[there["place"]] == coin["id"]
            else:
                left = pieces if gone else entry.get("pieces", 1)
            assert left == pieces - placed[coin["id"]]
        for one in answer["sets"]:
            assert one["summary"]["unplaced"] == len(one["unplaced"])
    assert answer["summary"]["unplaced"] == sum(coin.get("quantity", 1) > placed[coin["id"]] for coin in coins)


@settings(QUIETLY, max_examples=examples(30))
@given(small_sets(), holdings(), st.sampled_from((IN_ORDER, JOINTLY)), st.data())
def test_claimed_is_exactly_a_fitting_coin_of_an_empty_or_doubtful_place_that_sits_in_another_set(
    documents: list[Document], coins: Coins, mode: str, data: st.DataObject
) -> None:
    exclusive = [data.draw(st.integers(0, 4)) > 0 for _ in documents]
    answer = allocated(documents, coins, mode, exclusive=exclusive)
    placed = [seats_of(one) if mine else {} for one, mine in zip(answer["sets"], exclusive, strict=True)]
    for number, (document, one) in enumerate(zip(documents, answer["sets"], strict=True)):
        told = {
            (c["place"].split("/")[0] if c["place"].startswith("any/") else c["place"], c["holding"])
            for c in of_mode(answer, "claimed", number)
        }
        if not exclusive[number]:
            assert told == set()
            continue
        for conflict in of_mode(answer, "claimed", number):
            by = conflict["by"]
            assert placed[by["set"]][by["place"]] == conflict["holding"]
            assert by["set"] != number
            assert by["definition"] == answer["sets"][by["set"]]["definition"]["digest"]
        slow = Slow(document, coins, ())
        status = {place["place"]: place["status"] for place in places_of(one)}
        before = placed[: number + 1] if mode == IN_ORDER else placed
        others = Counter(coin for n, row in enumerate(before) if n != number for coin in row.values())
        used = others + Counter(placed[number].values())
        expected = set()
        for (address, coin), basis in slow.all.fits.items():
            pieces = next(c.quantity for c in slow.all.coins if c.id == coin)
            now = status.get(address, "empty")
            wanted = now == "empty" or (now == "tentative" and basis == "firm")
            if wanted and others[coin] and used[coin] == pieces:
                expected.add((address.split("/")[0] if address.startswith("any/") else address, coin))
        assert told == expected


@settings(QUIETLY, max_examples=examples(40))
@given(small_sets(), holdings(), st.sampled_from((IN_ORDER, JOINTLY)), st.randoms(use_true_random=False))
def test_the_order_of_holdings_never_changes_the_answer(
    documents: list[Document], coins: Coins, mode: str, chance: random.Random
) -> None:
    shuffled = chance.sample(coins, len(coins))
    assert bytes_of(allocated(documents, coins, mode)) == bytes_of(allocated(documents, shuffled, mode))


@settings(QUIETLY, max_examples=examples(30))
@given(small_sets(), holdings())
def test_jointly_never_fills_less_than_in_order_where_all_places_are_required(
    documents: list[Document], coins: Coins
) -> None:
    for document in documents:
        for entry in chain(document["slots"], document["one_per"], document["free_choice"]):
            entry["tier"] = "required"
        document["constraints"] = []
        for choice in document["free_choice"]:
            choice.pop("distinct", None)
            choice.pop("at_most", None)
    together, one_by_one = (allocated(documents, coins, mode)["summary"] for mode in (JOINTLY, IN_ORDER))
    assert together["possible"] >= one_by_one["possible"]
    # Without pins, tiers and set-level rules what one set counts on for certain is among the coins that it takes.
    assert together["certain"] >= one_by_one["certain"]


@settings(QUIETLY, max_examples=examples(25))
@given(small_sets(), holdings(), st.sampled_from((IN_ORDER, JOINTLY)))
def test_each_set_is_told_what_it_would_reach_alone(documents: list[Document], coins: Coins, mode: str) -> None:
    answer = allocated(documents, coins, mode)
    for document, one in zip(documents, answer["sets"], strict=True):
        alone = measured(document, coins, issues=ISSUES)
        lone = {name: figure for name, figure in alone["summary"].items() if name != "unplaced"}
        assert one["alone"] == {**lone, "proven_optimal": True}


# --- one plain example at a time ---------------------------------------------------------------------------------------

CROWN = a_document({"crown": "mint = 'Tower'"})
OLD = a_document({"old": "year_on_coin < 1900"})
COIN = a_holding("coin", mint="Tower", year_on_coin=1890)


def test_the_first_set_in_order_has_the_coin_and_the_other_is_told_who_claims_it() -> None:
    answer = allocated([CROWN, OLD], [COIN], IN_ORDER)
    assert seats(answer) == [{"crown": "coin"}, {}]
    (conflict,) = of_mode(answer, "claimed", 1)
    assert conflict["message"] == "coin (1890 coin) fits 'old', which is empty, but is in 'crown' of 'Set 0'."
    assert of_mode(answer, "claimed", 0) == []
    assert (answer["sets"][1]["summary"]["possible"], answer["sets"][1]["alone"]["possible"]) == (0, 1)
    assert answer["levels"] is None
    assert seats(allocated([OLD, CROWN], [COIN], IN_ORDER)) == [{"old": "coin"}, {}]


def test_jointly_the_first_set_gives_a_coin_up_where_both_can_then_be_full() -> None:
    newer = a_holding("a-newer", mint="Tower", year_on_coin=1950)
    best = a_document({"crown": "mint = 'Tower'"}, prefer=[{"lowest": "year_on_coin"}])
    assert seats(allocated([best, OLD], [newer, COIN], IN_ORDER)) == [{"crown": "coin"}, {}]
    answer = allocated([best, OLD], [newer, COIN], JOINTLY)
    assert seats(answer) == [{"crown": "a-newer"}, {"old": "coin"}]
    assert (answer["summary"]["possible"], answer["summary"]["unplaced"]) == (2, 0)


def test_a_set_that_borrows_uses_what_others_use_and_takes_nothing() -> None:
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([OLD, CROWN], [COIN], mode, exclusive=[False, True])
        assert seats(answer) == [{"old": "coin"}, {"crown": "coin"}]
        assert (answer["summary"]["possible"], answer["summary"]["sets"]) == (1, 1)
        assert (answer["borrowing"]["possible"], answer["borrowing"]["sets"]) == (1, 1)
        assert allocated([OLD, CROWN], [COIN], mode)["borrowing"] is None
        assert all(answer["sets"][number]["conflicts"] == [] for number in (0, 1))


def test_a_holding_of_three_pieces_used_once_leaves_two() -> None:
    three = {**COIN, "quantity": 3}
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, OLD], [three], mode)
        assert seats(answer) == [{"crown": "coin"}, {"old": "coin"}]
        for one in answer["sets"]:
            assert [(e["holding"], e["pieces"], e["reason"]) for e in one["unplaced"]] == [("coin", 1, "spare")]
        fourth = allocated([CROWN, OLD, CROWN, OLD], [three], mode)
        assert [len(one) for one in seats(fourth)] == [1, 1, 1, 0]
        assert [c["by"]["set"] for c in of_mode(fourth, "claimed", 3)] == [0]


def test_a_coin_pinned_in_two_sets_stays_in_the_first_and_the_other_pin_says_so() -> None:
    pins = [[("coin", "crown")], [("coin", "old")]]
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, OLD], [COIN], mode, pins=pins)
        assert seats(answer) == [{"crown": "coin"}, {}]
        (conflict,) = of_mode(answer, "pin", 1)
        assert (conflict["reason"], conflict["by"]["place"]) == ("claimed", "crown")
        assert conflict["message"] == "coin (1890 coin) cannot be kept in 'old': it is in 'crown' of 'Set 0'."
        assert of_mode(answer, "pin", 0) == []


def test_a_pin_in_a_later_set_holds_jointly_and_yields_in_order() -> None:
    pins: list[Pairs] = [[], [("coin", "old")]]
    assert seats(allocated([CROWN, OLD], [COIN], JOINTLY, pins=pins)) == [{}, {"old": "coin"}]
    assert seats(allocated([CROWN, OLD], [COIN], IN_ORDER, pins=pins)) == [{"crown": "coin"}, {}]


def test_a_pin_that_fails_for_its_own_reason_says_that_one() -> None:
    pins: list[Pairs] = [[], [("coin", "old"), ("nobody", "old"), ("coin", "nowhere")]]
    young = a_holding("coin", mint="Tower", year_on_coin=1950)
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, OLD], [young], mode, pins=pins)
        assert [c["reason"] for c in of_mode(answer, "pin", 1)] == ["does_not_fit", "unknown_holding", "unknown_place"]


def test_a_never_of_one_set_leaves_the_coin_to_the_other() -> None:
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, OLD], [COIN], mode, nevers=[[("coin", "crown")], []])
        assert seats(answer) == [{}, {"old": "coin"}]
        assert of_mode(answer, "claimed", 0) == []


def test_a_key_of_an_open_group_whose_coin_sits_elsewhere_is_claimed_by_its_address() -> None:
    beasts = a_document(one_per=[{"id": "beasts", "attribute": "species", "keys": {"from": "holdings"}}])
    owl = a_holding("owl", species="owl", mint="Tower")
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, beasts], [owl], mode)
        assert answer["sets"][1]["summary"]["places"] == 0
        assert [c["place"] for c in of_mode(answer, "claimed", 1)] == ["beasts/owl"]


def test_a_coin_with_a_piece_to_spare_is_claimed_by_nobody() -> None:
    # The rule keeps the second piece out, not the other set.
    none_old = {"id": "none", "kind": "at_most", "where": "year_on_coin < 1900", "count": 0}
    barred = a_document({"old": "year_on_coin < 1900"}, constraints=[none_old])
    for mode in (IN_ORDER, JOINTLY):
        answer = allocated([CROWN, barred], [{**COIN, "quantity": 2}], mode)
        assert seats(answer) == [{"crown": "coin"}, {}]
        assert of_mode(answer, "claimed", 1) == []
        (conflict,) = of_mode(allocated([CROWN, barred], [COIN], mode), "claimed", 1)
        assert conflict["by"]["place"] == "crown"


def test_a_doubtful_place_is_claimed_only_by_a_coin_that_surely_fits_it() -> None:
    tower, dated = a_holding("tower", mint="Tower"), a_holding("dated", mint="Tower", year_on_coin=1890)
    doubtful = a_holding("doubtful", mint="Heaton")
    for coin, told in ((tower, []), (dated, ["dated"])):
        answer = allocated([CROWN, OLD], [coin, doubtful], IN_ORDER)
        assert seats(answer) == [{"crown": coin["id"]}, {"old": "doubtful"}]
        assert [c["holding"] for c in of_mode(answer, "claimed", 1)] == told
    (conflict,) = of_mode(allocated([CROWN, OLD], [tower], IN_ORDER), "claimed", 1)
    assert conflict["tentative"] is True
    assert conflict["message"] == "tower may fit 'old', which is empty, but is in 'crown' of 'Set 0'."


def test_claimed_coins_past_the_most_are_counted_and_not_put_into_words(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []

    def counting(code: str, **told: Any) -> Any:
        said.append(code)
        return message(code, **told)

    monkeypatch.setattr(claims, "MOST_CLAIMED", 5)
    monkeypatch.setattr(claims, "message", counting)
    document = a_document({f"place-{number}": "grade > 0" for number in range(6)})
    coins = [a_holding(f"coin-{number}", grade=20) for number in range(6)]
    first, second = allocated([document, document], coins, IN_ORDER)["sets"]
    assert (sum(one["kind"] == "claimed" for one in first["conflicts"]), first["conflicts_left_out"]) == (0, 0)
    assert (sum(one["kind"] == "claimed" for one in second["conflicts"]), second["conflicts_left_out"]) == (5, 31)
    assert said == ["claimed-empty"] * 5


def test_two_sets_may_be_the_same() -> None:
    pair = [COIN, a_holding("twin", mint="Tower", year_on_coin=1891)]
    answer = allocated([CROWN, CROWN], pair, JOINTLY)
    assert seats(answer) == [{"crown": "coin"}, {"crown": "twin"}]


def test_past_the_limits_the_refusal_names_them() -> None:
    one = SetRequest(a_measurement(CROWN, [COIN]))
    with pytest.raises(OverLimit, match="up to 100 sets"):
        ensure_within([one] * 101)
    many = replace(one.request, holdings=one.request.holdings * 50_001)
    with pytest.raises(OverLimit, match="50001 holdings in 10 sets; up to 500000"):
        ensure_within([SetRequest(many)] * 10)
    ensure_within([one] * 100)
    assert result_of(one.request)["summary"]["filled"] == 1


def test_more_fits_than_are_solved_together_are_refused_before_any_set_is_solved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    solved = []
    monkeypatch.setattr(allocations, "MOST_FITS", 4)
    monkeypatch.setattr(
        allocations, "solve", lambda problem, **asked: solved.append(problem) or solve(problem, **asked)
    )
    pair = [COIN, a_holding("twin", mint="Tower", year_on_coin=1891)]
    with pytest.raises(OverLimit, match="the first 3 sets have 6 fits of coins to places; up to 4 are solved together"):
        allocated([CROWN] * 5, pair, JOINTLY)
    assert solved == []
    # Neither in order, nor sets that share no piece, are solved together.
    assert len(allocated([CROWN] * 5, pair, IN_ORDER)["sets"]) == 5
    assert len(allocated([CROWN] * 5, pair, JOINTLY, exclusive=[True, True, False, False, False])["sets"]) == 5
    assert solved

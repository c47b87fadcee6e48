"""Whole small evaluations against brute force over every assignment (rules.md section 5), and what must never change."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.errors import OverLimit
from tests import reference
from tests.factories import OUTSIDE, a_document, a_holding, bytes_of, measured, places_of, seats_of
from tests.strategies import ISSUES, definitions, examples, holdings, simple_facts

QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
MANY = settings(QUIETLY, max_examples=examples(200))
SOME = settings(QUIETLY, max_examples=examples(100))


@st.composite
def wishes(draw: st.DrawFn, document: dict[str, Any], coins: list[dict[str, Any]]) -> dict[str, Any]:
    """At most two pins, a never and two previous placements, of groups too."""
    if not coins:
        return {}
    slots = [slot["id"] for slot in document["slots"]]
    choices = [choice["id"] for choice in document.get("free_choice", [])]
    groups = choices + [group["id"] for group in document.get("one_per", [])]
    coin = st.sampled_from([coin["id"] for coin in coins])
    named = st.tuples(coin, st.sampled_from(slots + groups + [f"{name}/1" for name in choices]))
    single = st.tuples(coin, st.sampled_from(slots + [f"{name}/1" for name in choices]))
    pins, nevers = draw(st.lists(named, max_size=2, unique=True)), draw(st.lists(named, max_size=1))
    before = draw(st.lists(single, max_size=2, unique_by=lambda pair: pair[1]))
    return {"pins": pins, "nevers": nevers, "previous": [(place, coin) for coin, place in before]}


@MANY
@given(definitions(), holdings(), st.data())
def test_an_evaluation_is_the_best_of_all_assignments_on_every_level(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    wished = data.draw(wishes(document, coins))
    found = measured(document, coins, issues=ISSUES, **wished)
    try:
        best = reference.evaluate(document, coins, OUTSIDE, issues=ISSUES, **wished)
    except reference.TooMany:
        assume(False)
        raise
    assert found["proven_optimal"] is True
    seats = {
        place["place"]: (
            place["holding"],
            "firm" if place["status"] == "filled" else place["basis"],
            place["certainty"] == "forced",
        )
        for place in places_of(found)
        if place["holding"]
    }
    assert seats == best.seats
    instead = {
        place["place"]: place["interchangeable_with"] for place in places_of(found) if "interchangeable_with" in place
    }
    assert instead == best.instead
    assert not any("interchangeable_limit" in place for place in places_of(found))
    levels = {level["level"]: level["value"] for level in found["levels"]}
    assert {name: levels[name] for name in best.levels} == best.levels
    summary = found["summary"]
    assert (summary["certain"], summary["possible"]) == (best.certain, best.possible)
    assert summary["filled"] <= summary["certain"] <= summary["possible"]


@SOME
@given(definitions(), holdings())
def test_every_coin_and_every_place_stands_exactly_once(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    found = measured(document, coins, issues=ISSUES)
    addresses = [place["place"] for place in places_of(found)]
    assert len(addresses) == len(set(addresses)) == found["summary"]["places"]
    pieces = {coin["id"]: coin.get("quantity", 1) for coin in coins}
    placed = [place["holding"] for place in places_of(found) if place["holding"]]
    left = {entry["holding"]: entry.get("pieces", 1) for entry in found["unplaced"]}
    assert len(left) == len(found["unplaced"]) == found["summary"]["unplaced"]
    for coin in coins:
        gone = coin.get("status", "held") not in ("held", "for trade")
        assert (gone and coin["id"] in left) or placed.count(coin["id"]) + left.get(coin["id"], 0) == pieces[coin["id"]]
    assert found["summary"]["filled"] + found["summary"]["tentative"] + found["summary"]["empty"] == len(addresses)


@SOME
@given(definitions(), holdings(), st.randoms(use_true_random=False))
def test_the_order_of_the_coins_never_changes_a_byte(
    document: dict[str, Any], coins: list[dict[str, Any]], random: Any
) -> None:
    shuffled = random.sample(coins, len(coins))
    assert bytes_of(measured(document, coins, issues=ISSUES)) == bytes_of(measured(document, shuffled, issues=ISSUES))


@SOME
@given(definitions(), holdings())
def test_names_that_keep_their_order_change_nothing_but_the_names(
    document: dict[str, Any], coins: list[dict[str, Any]]
) -> None:
    renamed = [{**coin, "id": coin["id"].replace("coin-", "zz-piece-")} for coin in coins]
    before = bytes_of(measured(document, coins, issues=ISSUES))
    assert bytes_of(measured(document, renamed, issues=ISSUES)) == before.replace(b"coin-", b"zz-piece-")


@SOME
@given(definitions(with_rules=False), holdings(most=4), simple_facts())
def test_one_coin_more_never_lowers_what_can_be_filled(
    document: dict[str, Any], coins: list[dict[str, Any]], facts: dict[str, Any]
) -> None:
    before = measured(document, coins, issues=ISSUES)["summary"]
    after = measured(document, [*coins, {"id": "newcomer", "facts": facts}], issues=ISSUES)["summary"]
    assert after["possible"] >= before["possible"]
    assert after["certain"] >= before["certain"]


@SOME
@given(definitions(), holdings(most=4), simple_facts())
def test_nor_does_it_under_set_level_rules(
    document: dict[str, Any], coins: list[dict[str, Any]], facts: dict[str, Any]
) -> None:
    # An empty place satisfies every rule, so all that could be filled still can be; but one more required place goes before
    # any number of optional ones.
    before = measured(document, coins, issues=ISSUES)["summary"]
    after = measured(document, [*coins, {"id": "newcomer", "facts": facts}], issues=ISSUES)["summary"]
    assert after["certain"] >= before["certain"]
    required = [side["required"]["filled"] + side["required"]["tentative"] for side in (before, after)]
    assert required[1] > required[0] or after["possible"] >= before["possible"]


@SOME
@given(definitions(), holdings())
def test_a_scope_that_excludes_nothing_changes_nothing(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    assume("scope" not in document)
    bare, scoped = (measured(doc, coins, issues=ISSUES) for doc in (document, {**document, "scope": True}))
    for result in (bare, scoped):
        del result["definition"]["digest"]
    assert bare == scoped


@SOME
@given(definitions(), holdings())
def test_an_answer_given_back_as_the_previous_one_stays(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    before = seats_of(measured(document, coins, issues=ISSUES))
    assert seats_of(measured(document, coins, issues=ISSUES, previous=before.items())) == before


@pytest.mark.parametrize(("last", "is_settled"), [("00Z", True), ("00.000001Z", False), ("00.000003Z", False)])
def test_instants_are_told_apart_to_the_microsecond(last: str, is_settled: bool) -> None:
    noon = "2026-11-25T12:00:"
    slots = {"early": f"struck_at <= TIMESTAMP('{noon}00Z')", "late": f"struck_at > TIMESTAMP('{noon}00Z')"}
    document = {**a_document(slots), "attributes": [{"name": "struck_at", "type": "timestamp"}]}
    found = measured(document, [a_holding("c", struck_at={"from": f"{noon}00Z", "to": noon + last})])
    doubts = [conflict["places"] for conflict in found["conflicts"] if conflict["kind"] == "undecided"]
    assert doubts == ([] if is_settled else [["early", "late"]])


def test_preferred_numbers_may_span_only_so_many_steps() -> None:
    document = {**a_document({"a": "grade > 0"}, prefer=[{"highest": "score"}]), "attributes": [SCORE]}
    coins = [a_holding(name, grade=5, score=score) for name, score in (("low", 1), ("high", 2**53))]
    assert seats_of(measured(document, coins)) == {"a": "high"}
    # With a thousandth as the smallest difference they are 2^53 thousands apart, and more than 2^60.
    with pytest.raises(OverLimit) as refusal:
        measured(document, [*coins, a_holding("odd", grade=5, score=Decimal("1.001"))])
    assert [fault.pointer for fault in refusal.value.faults] == ["/prefer/0"]


SCORE = {"name": "score", "type": "decimal"}


def left_over(document: dict[str, Any], *coins: dict[str, Any]) -> dict[str, Any]:
    """What is said of the coins that sit nowhere, by their ids."""
    return {entry.pop("holding"): entry for entry in measured(document, list(coins))["unplaced"]}


def test_a_coin_left_over_is_told_with_the_places_that_it_fits_or_may_fit() -> None:
    slots = a_document({"old": "year_on_coin < 1850", "new": "year_on_coin >= 1850", "fine": "grade >= 40"})
    sure = [a_holding("1", year_on_coin=1840, grade=1), a_holding("2", year_on_coin=1860, grade=1)]
    sure.append(a_holding("3", year_on_coin=1999, grade=60))
    doubtful = a_holding("4", year_on_coin={"one_of": [1840, 1860]}, grade=50)
    vague, misfit = a_holding("5", grade=1), a_holding("6", year_on_coin=1840, grade={"from": 30, "to": 50})
    assert left_over(slots, *sure, {**doubtful, "quantity": 2}, vague, misfit) == {
        # It fits one place for certain, so that the doubtful ones are of no interest.
        "4": {"reason": "spare", "pieces": 2, "places": ["fine"]},
        "5": {"reason": "undecided", "places": ["old", "new"]},
        "6": {"reason": "spare", "places": ["old"]},
    }
    assert left_over(slots, *sure, {**vague, "quantity": 3}) == {
        "5": {"reason": "undecided", "pieces": 3, "places": ["old", "new"]}
    }


def test_of_like_pieces_only_those_that_sit_nowhere_are_left_over() -> None:
    slots = a_document({"a": "grade >= 40", "b": "grade >= 50", "c": "grade >= 99"})
    like = {**a_holding("x", grade=60), "quantity": 3}
    assert left_over(slots, like) == {"x": {"reason": "spare", "pieces": 1, "places": ["a", "b"]}}
    assert left_over(slots, {**like, "quantity": 2}) == {}
    poor = {**a_holding("p", grade=5), "quantity": 2}
    assert left_over(slots, poor) == {
        "p": {
            "reason": "outside",
            "pieces": 2,
            "closest": {"place": "a", "label": "a", "failing": ["grade at least 40"], "clauses": ["grade >= 40"]},
        }
    }


def placed_apart(*years: Any) -> list[str | None]:
    """Under a rule that no two coins have one year: how the place of each coin is filled, in the order of the coins."""
    slots = {f"p{at}": f"grade = {at + 1}" for at in range(len(years))}
    rule = {"id": "apart", "kind": "different", "by": ["year_on_coin"]}
    coins = [a_holding(f"c{at}", grade=at + 1, year_on_coin=year) for at, year in enumerate(years)]
    found = {place["place"]: place for place in places_of(measured(a_document(slots, constraints=[rule]), coins))}
    return [found[f"p{at}"]["status"] for at in range(len(years))]


def test_a_range_as_a_key_stands_for_every_year_in_it_its_ends_among_them() -> None:
    free = {"from": 1903, "to": 1905}
    assert placed_apart(1901, 1902, free) == ["filled", "filled", "filled"]
    for year in (1903, 1904, 1905):
        # One of the two may have the other's year, so that one of the places is filled for the time being only.
        assert sorted(map(str, placed_apart(1901, year, free))) == ["filled", "filled", "tentative"]
    for year in (1902, 1906):
        assert placed_apart(1901, year, free) == ["filled", "filled", "filled"]


def test_a_range_of_one_year_is_that_year() -> None:
    one = {"from": 1903, "to": 1903}
    assert placed_apart(1901, one) == ["filled", "filled"]
    assert sorted(map(str, placed_apart(1903, one))) == ["empty", "filled"]


def test_a_pin_that_cannot_hold_is_reported_with_its_reason() -> None:
    document = a_document({"early": "year_on_coin < 1900"})
    found = measured(document, [a_holding("late", year_on_coin=1950)], pins=[("late", "early"), ("late", "nowhere")])
    pins = [conflict for conflict in found["conflicts"] if conflict["kind"] == "pin"]
    assert [conflict["reason"] for conflict in pins] == ["does_not_fit", "unknown_place"]
    assert pins[0]["failing"] == ["year on the coin before 1900"]
    assert pins[0]["clauses"] == ["year_on_coin < 1900"]
    assert pins[0]["message"] == "late (1950 coin) cannot be kept in 'early': it needs year on the coin before 1900."
    assert [conflict["label"] for conflict in pins] == ["early", "nowhere"]

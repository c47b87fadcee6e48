"""Goals, pins to groups and what pins cost, against brute force over every assignment."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests import reference
from tests.factories import OUTSIDE, a_document, a_holding, measured, places_of, seats_of
from tests.progress.test_conflicts import conflicts
from tests.strategies import ISSUES, definitions, examples, holdings

SOME = settings(max_examples=examples(120), deadline=None, suppress_health_check=list(HealthCheck), database=None)
SILVER = {"id": "silver", "kind": "at_least", "where": "fineness >= 0.9", "count": 2}


def test_a_goal_tells_how_many_are_there_and_where_one_more_would_count() -> None:
    slots = {"coin": "TRUE", "base": "fineness < 0.6", "old": "year_on_coin < 1900", "empty": "grade > 60"}
    coins = [
        a_holding("a", fineness=0.925, year_on_coin=1950),
        a_holding("b", fineness=0.5, year_on_coin=1950),
        a_holding("c", year_on_coin=1890),
    ]
    found = measured(a_document(slots, constraints=[SILVER]), coins)
    assert seats_of(found) == {"coin": "a", "base": "b", "old": "c"}
    # Of the old coin it is not known, and a coin of the second place can never count.
    goal = {"constraint": "silver", "label": "silver", "count": 2, "reached": 1, "short_by": 1}
    assert found["goals"] == [{**goal, "would_reach": ["old", "empty"]}]
    assert measured(a_document(slots), coins)["goals"] == []


@SOME
@given(definitions(), holdings())
def test_goals_add_up_to_the_shortfall(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    found = measured(document, coins, issues=ISSUES)
    levels = {level["level"]: level["value"] for level in found["levels"]}
    assert sum(goal["short_by"] for goal in found["goals"]) == levels["shortfall"]
    filled = {place["place"] for place in places_of(found) if place["status"] == "filled"}
    for goal in found["goals"]:
        assert goal["short_by"] == max(0, goal["count"] - goal["reached"])
        assert goal["reached"] <= len(filled)


def test_a_goal_over_many_places_that_is_met_halfway_is_proven() -> None:
    # The best grades have too few of silver, and all of silver would be too many: the goal decides how many.
    slots = {f"place-{n:02}": "TRUE" for n in range(24)}
    coins = [a_holding(f"base-{n:02}", fineness=0.5, grade=40 + n % 9) for n in range(30)]
    coins += [a_holding(f"silver-{n:02}", fineness=0.925, grade=4 + n % 9) for n in range(30)]
    document = a_document(slots, prefer=[{"highest": "grade"}], constraints=[{**SILVER, "count": 7}])
    found = measured(document, coins)
    assert found["proven_optimal"] is True
    assert [(goal["reached"], goal["short_by"]) for goal in found["goals"]] == [(7, 0)]
    grades = sorted((coin["facts"]["grade"] for coin in coins if coin["id"].startswith("base")), reverse=True)[:17]
    grades += sorted((coin["facts"]["grade"] for coin in coins if coin["id"].startswith("silver")), reverse=True)[:7]
    placed = {coin["id"]: coin["facts"]["grade"] for coin in coins}
    assert sum(placed[holding] for holding in seats_of(found).values()) == sum(grades)


def test_a_pin_to_a_group_holds_in_any_of_its_places_and_a_never_in_none() -> None:
    document = a_document({"old": "year_on_coin < 1900"}, prefer=[{"highest": "grade"}])
    document["free_choice"] = [{"id": "any", "places": 2, "accepts": "year_on_coin < 1950"}]
    coins = [a_holding(f"c{n}", year_on_coin=1880, grade=10 * n) for n in range(1, 5)]
    assert set(seats_of(measured(document, coins)).values()) == {"c2", "c3", "c4"}
    pinned = measured(document, coins, pins=[("c1", "any")])
    assert conflicts(pinned, "pin") == []
    assert "c1" in {seats_of(pinned)["any/1"], seats_of(pinned)["any/2"]}
    never = measured(document, coins, nevers=[("c4", "any"), ("c4", "old")])
    assert "c4" not in seats_of(never).values()
    (left,) = [entry for entry in never["unplaced"] if entry["holding"] == "c4"]
    assert (left["reason"], left["places"]) == ("never", ["old", "any"])
    both = measured(document, coins, pins=[("c1", "any")], nevers=[("c1", "any")])
    assert [conflict["reason"] for conflict in conflicts(both, "pin")] == ["never"]
    full = measured(document, coins, pins=[(f"c{n}", "any") for n in (1, 2, 3)])
    (clash,) = conflicts(full, "pin")
    assert (clash["reason"], clash["with"]["place"]) == ("clashes", "any")
    assert "which takes 2 coins. Remove one of these decisions." in clash["message"]


def test_a_pin_that_leaves_a_place_empty_says_which() -> None:
    document = a_document({"crown": "denomination = 'crown'", "any": "TRUE"})
    coins = [a_holding("crown", denomination="crown"), a_holding("penny", denomination="penny")]
    assert conflicts(measured(document, coins, pins=[("penny", "any")]), "pin") == []
    (cost,) = conflicts(measured(document, coins, pins=[("crown", "any")]), "pin")
    assert (cost["holding"], cost["place"], cost["reason"], cost["places"]) == ("crown", "any", "costs", ["crown"])
    assert cost["message"] == "crown (crown) is kept in 'any'; without that 'crown' could be filled."


@SOME
@given(definitions(), holdings(), st.data())
def test_a_pin_costs_what_could_be_filled_without_it(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    names = [slot["id"] for slot in document["slots"]] + [choice["id"] for choice in document["free_choice"]]
    assume(coins and names)
    coin = st.sampled_from([one["id"] for one in coins])
    pins = data.draw(st.lists(st.tuples(coin, st.sampled_from(names)), min_size=1, max_size=2, unique=True))
    found = measured(document, coins, issues=ISSUES, pins=pins)
    told = {(one["holding"], one["place"]): one for one in conflicts(found, "pin")}
    try:
        whole = reference.evaluate(document, coins, OUTSIDE, issues=ISSUES, pins=pins)
        without = {
            pin: reference.evaluate(document, coins, OUTSIDE, issues=ISSUES, pins=[p for p in pins if p != pin])
            for pin in pins
        }
    except reference.TooMany:
        assume(False)
        raise
    open_groups = {group["id"] for group in document["one_per"] if group["keys"]["from"] == "holdings"}
    for pin, other in without.items():
        kept = pin not in told or told[pin]["reason"] == "costs"
        gains = [other.levels[name] - whole.levels[name] for name in ("required", "places")]
        # A place of an open-ended group is no hole that a pin could leave.
        if kept and not open_groups:
            assert (pin in told) == (gains > [0, 0]), (pin, gains, told)
        if pin in told and kept:
            assert set(told[pin]["places"]) <= set(whole.empty)

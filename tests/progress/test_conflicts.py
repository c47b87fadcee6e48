"""What stands in the way is told with its reason, in plain words."""

from __future__ import annotations

from typing import Any

import pytest

from service.progress import conflicts as rule_conflicts
from tests.factories import a_document, a_holding, measured

PENNIES = {"early": "denomination = 'penny' AND year_on_coin < 1900", "any": "denomination = 'penny'"}


def conflicts(result: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [conflict for conflict in result["conflicts"] if conflict["kind"] == kind]


def a_penny(identity: str, year: Any, **more: Any) -> dict[str, Any]:
    return a_holding(identity, denomination="penny", year_on_coin=year, **more)


def test_two_places_that_want_one_coin_are_a_contest_with_the_number_that_is_short() -> None:
    (contest,) = conflicts(measured(a_document(PENNIES), [a_penny("p1", 1889)]), "contested")
    assert (contest["places"], contest["holdings"], contest["short_by"]) == (["early", "any"], ["p1"], 1)
    assert contest["message"] == (
        "2 places, 1 coin short: No. p1 (1889 penny) is the only coin that fits 'early' and 'any'."
    )


def test_a_place_that_a_rule_keeps_empty_is_no_contest() -> None:
    rule = {"id": "one", "kind": "at_most", "per": ["denomination"], "count": 1}
    found = measured(a_document(PENNIES, constraints=[rule]), [a_penny("p1", 1889), a_penny("p2", 1950)])
    assert conflicts(found, "contested") == []
    (conflict,) = conflicts(found, "constraint")
    assert (conflict["constraint"], conflict["gain"]) == ("one", 1)
    assert conflict["message"] in ("Rule 'one' keeps 1 place empty: 'early'.", "Rule 'one' keeps 1 place empty: 'any'.")


def test_a_conflict_of_a_rule_speaks_of_a_limit_only_when_rules_were_left_untried(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules = [{"id": f"one-{n}", "kind": "at_most", "per": ["denomination"], "count": 1 + 8 * n} for n in range(2)]
    document, coins = a_document(PENNIES, constraints=rules), [a_penny("p1", 1889), a_penny("p2", 1950)]
    (conflict,) = conflicts(measured(document, coins), "constraint")
    assert conflict.get("limit") is None
    # Enough for all rules away, and for the first one away.
    monkeypatch.setattr(rule_conflicts, "MOST_WORK", 8)
    (limited,) = conflicts(measured(document, coins), "constraint")
    assert limited == {**conflict, "limit": "budget"}


def test_a_contest_beside_a_rule_that_could_not_help_stays_a_contest() -> None:
    rule = {"id": "idle", "kind": "at_most", "per": ["denomination"], "count": 9}
    found = measured(a_document(PENNIES, constraints=[rule]), [a_penny("p1", 1889)])
    assert [conflict["kind"] for conflict in found["conflicts"]] == ["contested"]


def test_two_pins_on_one_place_clash_and_the_sitting_one_is_named() -> None:
    coins = [a_penny("p1", 1889), a_penny("p2", 1890)]
    found = measured(a_document(PENNIES), coins, pins=[("p1", "early"), ("p2", "early")])
    (pin,) = conflicts(found, "pin")
    sitting = next(slot["holding"] for slot in found["slots"] if slot["place"] == "early")
    assert pin["reason"] == "clashes"
    assert pin["with"] == {"holding": sitting, "place": "early"}
    assert pin["holding"] != sitting
    assert pin["message"] == (
        "No. p2 (1890 penny) and No. p1 (1889 penny) are both to be kept in 'early', which takes one coin. "
        "Remove one of the two."
    )


def test_one_coin_pinned_to_two_places_sits_in_one() -> None:
    found = measured(a_document(PENNIES), [a_penny("p1", 1889)], pins=[("p1", "early"), ("p1", "any")])
    (pin,) = conflicts(found, "pin")
    assert pin["reason"] == "clashes"
    assert {pin["place"], pin["with"]["place"]} == {"early", "any"}


def test_a_pin_that_would_break_a_rule_says_so() -> None:
    rule = {"id": "none", "kind": "at_most", "where": "a_contains(problems, ('holed'))", "count": 0}
    coins = [a_penny("p1", 1889, problems=["holed"])]
    (pin,) = conflicts(measured(a_document(PENNIES, constraints=[rule]), coins, pins=[("p1", "early")]), "pin")
    assert pin["reason"] == "constraint"
    assert pin["message"] == ("No. p1 (1889 penny) cannot be kept in 'early': it would break a rule of the set.")


def test_a_never_and_a_coin_that_is_gone_are_named_as_what_they_are() -> None:
    coins = [a_penny("p1", 1889), {**a_penny("p2", 1890), "status": "sold"}]
    wishes = {"pins": [("p1", "early"), ("p2", "early"), ("p9", "early")], "nevers": [("p1", "early")]}
    reasons = [pin["reason"] for pin in conflicts(measured(a_document(PENNIES), coins, **wishes), "pin")]
    assert reasons == ["never", "not_held", "unknown_holding"]


def test_a_doubt_names_the_fact_where_to_look_and_what_each_outcome_opens() -> None:
    document = a_document({"old": "year_on_coin < 1900", "new": "year_on_coin >= 1900"})
    (doubt,) = conflicts(measured(document, [a_holding("worn", year_on_coin={"from": 1895, "to": 1905})]), "undecided")
    (fact,) = doubt["settle"]
    assert (doubt["holding"], doubt["places"], fact["attribute"]) == ("worn", ["old", "new"], "year_on_coin")
    assert fact["outcomes"] == [
        {"when": "1895 to 1899", "example": 1895, "places": ["old"]},
        {"when": "1900 to 1905", "example": 1900, "places": ["new"]},
    ]
    assert doubt["message"] == (
        "worn (1895 to 1905 coin) may belong in 'old' or 'new'. Check: year on the coin (reverse, below the design, "
        "or obverse, below the portrait or in the legend)."
    )


def test_one_mystery_coin_is_a_doubt_and_not_a_contest_of_every_place() -> None:
    places = {f"issuer-{code}": f"issuer = '{code}'" for code in ("AA", "BB", "CC", "DD")}
    found = measured(a_document(places), [a_holding("smooth", denomination="penny")])
    assert conflicts(found, "contested") == []
    assert len(conflicts(found, "undecided")) == 1

"""Standings agree with the whole evaluation, and a spare coin is one that the set does without."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.assignment.solve import solve
from service.clubs.standings import MemberProgress, reads_the_day, spare_id, stand
from service.evaluation.known_rules import KnownRules
from service.progress.evaluate import EvaluationRequest, build_instance
from tests.factories import a_definition, a_document, a_holding, a_measurement, measured, places_of
from tests.strategies import ISSUES, TODAY, definitions, examples, holdings

SOME = settings(max_examples=examples(80), deadline=None, database=None, suppress_health_check=list(HealthCheck))
SETS, COINS = definitions(), holdings()


def standing(document: dict[str, Any], coins: list[dict[str, Any]], **more: Any) -> MemberProgress:
    return stand(a_measurement(document, coins, **more))


@SOME
@given(SETS, COINS)
def test_a_standing_says_what_the_evaluation_says(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    found, whole = standing(document, coins, issues=ISSUES), measured(document, coins, issues=ISSUES)
    assert {place: status for place, _, status in found.places} == {
        entry["place"]: entry["status"] for entry in places_of(whole)
    }
    for name in ("places", "filled", "tentative", "empty"):
        assert found.counts[name] == whole["summary"][name]
    spare = [entry for entry in whole["unplaced"] if entry["reason"] == "spare"]
    assert found.spares == [[entry["holding"], entry.get("pieces", 1), entry["places"]] for entry in spare]
    assert found.counts["spare_pieces"] == sum(entry.get("pieces", 1) for entry in spare)


@SOME
@given(SETS, st.lists(COINS, min_size=2, max_size=4))
def test_what_was_found_about_rules_for_members_before_changes_nothing(
    document: dict[str, Any], members: list[list[dict[str, Any]]]
) -> None:
    requests = [a_measurement(document, coins, issues=ISSUES) for coins in members]
    definition = requests[0].definition
    known = KnownRules(definition, requests[0].today)
    # Rules are the same objects for all members, as in the service.
    together = [
        replace(request, definition=definition, vocabularies=definition.vocabularies, known_rules=known)
        for request in requests
    ]
    for _ in range(2):
        assert [repr(stand(request)) for request in together] == [repr(stand(request)) for request in requests]
        assert [solved(request) for request in together] == [solved(request) for request in requests]


def solved(request: EvaluationRequest) -> str:
    """The edges with the number of facts to check, and where each coin sits."""
    instance, _ = build_instance(request)
    return repr(([*instance.problem.edges], solve(instance.problem).placements))


def with_one_less(coins: list[dict[str, Any]], identity: str) -> list[dict[str, Any]]:
    left = []
    for coin in coins:
        if coin["id"] != identity:
            left.append(coin)
        elif coin.get("quantity", 1) > 1:
            left.append({**coin, "quantity": coin["quantity"] - 1})
    return left


def opened(document: dict[str, Any], coins: list[dict[str, Any]], identity: str) -> bool:
    """Whether giving away one piece of this coin leaves fewer places filled, or fewer of them for certain."""
    before, after = (
        measured(document, held, issues=ISSUES)["summary"] for held in (coins, with_one_less(coins, identity))
    )
    required = [summary["required"]["filled"] + summary["required"]["tentative"] for summary in (before, after)]
    return required[1] < required[0] or after["possible"] < before["possible"] or after["filled"] < before["filled"]


@SOME
@given(SETS, COINS)
def test_giving_away_a_spare_opens_no_place(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    for holding, _, _ in standing(document, coins, issues=ISSUES).spares[:3]:
        assert not opened(document, coins, holding)


def test_giving_away_a_coin_that_is_needed_opens_a_place() -> None:
    # The control: the measure of loss sees one.
    document = a_document({"old": "year_on_coin < 1900"})
    assert opened(document, [a_holding("one", year_on_coin=1882)], "one")


def test_pieces_that_are_over_are_spare_and_the_one_that_sits_is_not() -> None:
    document = a_document({"old": "year_on_coin < 1900", "any": "year_on_coin < 2000"})
    coins = [{**a_holding("penny", year_on_coin=1882), "quantity": 3}, a_holding("dime", year_on_coin=1950)]
    found = standing(document, coins)
    assert found.spares == [["penny", 2, ["old", "any"]]]
    assert found.counts["filled"] == 2


def test_a_coin_that_only_may_fit_is_not_offered_as_spare() -> None:
    document = a_document({"old": "year_on_coin < 1900"})
    coins = [a_holding("sure", year_on_coin=1882), a_holding("unsure")]
    assert standing(document, coins).spares == []


@pytest.mark.parametrize(
    ("rule", "by_the_day"), [("year_on_coin < 1900", False), ("defunct(issuer) AND NOT grade < 3", True)]
)
def test_a_standing_is_looked_at_anew_each_day_only_where_rules_read_the_day(rule: str, by_the_day: bool) -> None:
    assert reads_the_day(a_definition({"old": rule})) is by_the_day


@SOME
@given(SETS, COINS)
def test_without_such_a_rule_the_day_changes_nothing(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    today = a_measurement(document, coins, issues=ISSUES)
    later = a_measurement(document, coins, issues=ISSUES, today=TODAY + timedelta(days=40_000))
    if not reads_the_day(today.definition):
        assert stand(today) == stand(later)


def test_a_spare_coin_has_another_name_in_every_club_and_set() -> None:
    names = {spare_id(club, definition, coin) for club in "ab" for definition in "cd" for coin in "ef"}
    assert len(names) == 8
    assert spare_id("a", "c", "e") == spare_id("a", "c", "e")

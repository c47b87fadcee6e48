"""Answers that were once wrong for ordinary coins: what is ruled out, what nobody can look up, what only may fit."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from service.progress.budget import purchase
from service.progress.explain import explain
from service.progress.information import weigh_facts
from service.progress.whatif import Evaluated
from tests.factories import a_document, a_holding, a_measurement, as_sent, measured, places_of, result_of, some_holdings

REIGNS = {
    "early": {"year_on_coin": {"from": 1902, "to": 1910}, "mint": "Tower"},
    "late": {"year_on_coin": {"from": 1911, "to": 1936}, "mint": "Heaton"},
}


def test_a_candidate_issue_that_a_recorded_fact_rules_out_is_asked_for_nowhere() -> None:
    coin = {**a_holding("h", year_on_coin=1905), "issue": {"one_of": ["early", "late"]}}
    request = a_measurement(a_document({"tower": "mint = 'Tower'"}), [coin], issues=REIGNS)
    found = result_of(request)
    (place,) = places_of(found)
    assert (place["status"], place["holding"], found["conflicts"]) == ("filled", "h", [])
    assert weigh_facts([Evaluated(request)]).facts == []
    (explained,) = as_sent(explain(request, request.holdings[0], None))["places"]
    assert [view["issue"] for view in explained["may_be"]] == ["early"]


def test_two_listed_keys_for_one_country_are_one_place() -> None:
    group = {"id": "lands", "attribute": "issuer", "keys": {"from": "list", "values": ["AA", "Aland of nowhere", "BB"]}}
    places = places_of(measured(a_document({}, one_per=[group]), []))
    assert [place["place"] for place in places] == ["lands/AA", "lands/BB"]


def test_a_coin_that_is_never_to_be_anywhere_is_not_told_as_outside() -> None:
    coin = a_holding("h", year_on_coin=1880)
    (left,) = measured(a_document({"old": "year_on_coin < 1900"}), [coin], nevers=[("h", "old")])["unplaced"]
    assert (left["reason"], left["places"]) == ("never", ["old"])
    assert "closest" not in left


def test_no_empty_text_is_offered_to_be_recorded() -> None:
    rules = ("variety = 'small date'", "variety <> 'small date'", "variety LIKE '%'", "variety IS NULL OR mint > 'T'")
    for rule in rules:
        request = a_measurement(a_document({"a": rule}), [a_holding("h")])
        recorded: list[Any] = [
            value
            for fact in weigh_facts([Evaluated(request)]).facts
            for outcome in fact.outcomes
            for value in outcome.recorded.values()
        ]
        settled = [fact for conflict in result_of(request)["conflicts"] for fact in conflict["settle"]]
        recorded += [outcome["example"] for fact in settled for outcome in fact["outcomes"]]
        assert "" not in recorded


def test_what_no_fact_decides_is_not_asked_of_the_owner() -> None:
    request = a_measurement(a_document({"gone": "defunct(issuer)"}), [a_holding("h", issuer="CC")])
    found = result_of(request)
    (conflict,) = found["conflicts"]
    assert conflict["settle"] == []
    (gap,) = conflict["reference"]
    assert (gap["attribute"], gap["vocabulary"], gap["term"], gap["missing"]) == ("issuer", "issuers", "CC", "end date")
    assert found["summary"]["tentative_by_basis"] == {"alternatives": 0, "unknown": 0, "reference": 1}
    assert {level["level"]: level["value"] for level in found["levels"]}["unknown"] == 1
    assert weigh_facts([Evaluated(request)]).facts == []
    (explained,) = as_sent(explain(request, request.holdings[0], None))["places"]
    assert (explained["basis"], explained["may_be"][0]["settle"]) == ("reference", [])


def test_a_coin_that_only_may_fit_is_no_purchase() -> None:
    evaluated = Evaluated(a_measurement(a_document({"old": "year_on_coin < 1900", "new": "grade > 60"}), []))
    tray = some_holdings([a_holding("doubtful"), a_holding("sure", year_on_coin=1880, grade=4)])
    found = purchase(evaluated, tray, {"doubtful": Decimal(1), "sure": Decimal(2)}, Decimal(10))
    assert (found.buy, found.cost, found.possible_gain) == (["sure"], Decimal(2), 1)
    alone = purchase(evaluated, tray[:1], {"doubtful": Decimal(1)}, Decimal(10))
    assert alone.buy == []

"""What nobody wrote down: engine and slow reference say the same of presumptions, identification and contradiction
(rules.md sections 9 and 11)."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.evaluation.table import Table
from service.evaluation.views import Views
from service.facts.core_attributes import CORE
from service.facts.holding import read_facts, read_holdings
from service.facts.truth import NO, YES
from service.progress.evaluate import EvaluationRequest
from service.progress.presumed import resting_on
from service.reference import shipped
from service.rules.document import read_definition
from tests import reference
from tests.factories import (
    AROUND,
    OUTSIDE,
    a_definition,
    a_document,
    a_holding,
    a_measurement,
    measured,
    places_of,
    some_holdings,
    some_knowledge,
)
from tests.strategies import (
    ATTRIBUTES,
    ISSUES,
    TODAY,
    definitions,
    examples,
    holdings,
    presumptions,
    simple_facts,
    simple_rules,
)

MANY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(200))

WHERES = (
    None,
    "restrike = TRUE",
    "year_on_coin < 1900",
    "mint = 'Tower' AND year_on_coin >= 1900",
    "narrower(species, 'bird')",
    "grade > 12 OR mint = 'Heaton'",
)
IDENTIFY = ({"where": "TRUE"}, {"where": "mint = 'Tower'"}, {"where": "TRUE", "issues": ["issue-1", "issue-2"]})


@MANY
@given(st.data())
def test_engine_and_reference_agree_on_what_a_coin_may_be(data: st.DataObject) -> None:
    document = a_document({"a": data.draw(simple_rules())})
    document["presume"] = data.draw(st.lists(presumptions(WHERES), max_size=4))
    if data.draw(st.booleans()):
        document["identify"] = [data.draw(st.sampled_from(IDENTIFY))]
    coin: dict[str, Any] = {"id": "coin", "facts": data.draw(simple_facts())}
    names = data.draw(st.lists(st.sampled_from(sorted(ISSUES)), max_size=3, unique=True))
    if names:
        coin["issue"] = {"one_of": names}
    request = a_measurement(document, [coin], issues=ISSUES)
    seen = request.views.seen(request.holdings[0])
    rule = request.definition.slots[0].accepts.predicate
    table = Table(request.definition.attributes, request.context)
    try:
        slow = reference.a_coin(coin, ISSUES, document, OUTSIDE)
        there = reference.parsed(document["slots"][0]["accepts"])
        expected = reference.verdict_of_views(there, slow.views, OUTSIDE)
        doubt = reference.basis_of(there, slow.views, OUTSIDE) if expected == "undecided" else None
        smallest = None
        if expected != "undecided":
            smallest = reference.smallest_presumed(there, slow, OUTSIDE, expected)
    except reference.TooMany:
        assume(False)
        raise
    fit = table.fit(rule, seen.views)
    assert fit.verdict.value == expected
    assert fit.doubt == doubt
    if expected != "undecided":
        assert resting_on(rule, seen.views, table, YES if expected == "yes" else NO) == smallest
    clashes = {(clash.issue, clash.attribute) for clash in seen.contradictions}
    against = {name: reference.clashing(coin["facts"], ISSUES[name], OUTSIDE) for name in names}
    kept = any(not wrong for wrong in against.values())
    assert clashes == {(name, wrong) for name, all_wrong in against.items() for wrong in all_wrong if not kept}
    nearest = None if names else reference.identified(coin["facts"], ISSUES, document, OUTSIDE)[1]
    told = {(clash.issue, clash.attribute) for clash in seen.unidentified}
    assert told == ({(nearest[0], name) for name in nearest[1]} if nearest else set())


ACCOUNTS = st.fixed_dictionaries(
    {
        "presume": st.lists(
            st.one_of(
                presumptions(WHERES),
                # A set that does not know the album or the tray is judged by the rest.
                st.just({"facts": {"album": "red", "grade": 20}}),
                st.just({"where": "tray = 1", "facts": {"species": "owl"}}),
            ),
            max_size=3,
        ),
        "identify": st.lists(st.sampled_from((*IDENTIFY, {"where": "tray = 1"})), max_size=2),
    }
)
REPLACES = st.sampled_from(
    ({}, {"issue-1": "issue-3"}, {"issue-2": "issue-1", "issue-3": "issue-2"}, {"issue-2": "issue-1"})
)


@settings(MANY, max_examples=examples(150))
@given(st.data(), ACCOUNTS, REPLACES)
def test_engine_and_reference_agree_on_what_an_account_presumes(
    data: st.DataObject, account: dict[str, Any], replaces: dict[str, str]
) -> None:
    document = a_document({"a": data.draw(simple_rules())})
    document["presume"] = data.draw(st.lists(presumptions(WHERES), max_size=2))
    if data.draw(st.booleans()):
        document["identify"] = [data.draw(st.sampled_from(IDENTIFY))]
    coin: dict[str, Any] = {"id": "coin", "facts": data.draw(simple_facts())}
    request = a_measurement(document, [coin], issues=ISSUES, account=account, replaces=replaces)
    seen = request.views.seen(request.holdings[0])
    rule = request.definition.slots[0].accepts.predicate
    table = Table(request.definition.attributes, request.context)
    there = reference.parsed(document["slots"][0]["accepts"])
    merged = reference.under_account(document, account, replaces, OUTSIDE)
    try:
        slow = reference.a_coin(coin, ISSUES, merged, OUTSIDE)
        expected = reference.verdict_of_views(there, slow.views, OUTSIDE)
        smallest = None
        if expected != "undecided":
            smallest = reference.smallest_presumed(there, slow, OUTSIDE, expected)
        nearest = reference.identified(coin["facts"], ISSUES, merged, OUTSIDE)[1]
    except reference.TooMany:
        assume(False)
        raise
    if len(seen.views) == len(slow.views) == 1:
        [view], [facts], [names] = seen.views, slow.views, slow.presumed
        presumed = {name: view.facts[name] for name in view.presumed}
        assert presumed == some_knowledge({name: facts[name] for name in names})
    assert table.fit(rule, seen.views).verdict.value == expected
    if expected != "undecided":
        assert resting_on(rule, seen.views, table, YES if expected == "yes" else NO) == smallest
    told = {(clash.issue, clash.attribute) for clash in seen.unidentified}
    assert told == ({(nearest[0], name) for name in nearest[1]} if nearest else set())


@settings(MANY, max_examples=examples(60))
@given(definitions(with_rules=False), holdings(), ACCOUNTS, REPLACES)
def test_an_evaluation_under_an_account_is_that_of_the_definition_with_its_entries_behind(
    document: dict[str, Any], coins: list[dict[str, Any]], account: dict[str, Any], replaces: dict[str, str]
) -> None:
    found = measured(document, coins, issues=ISSUES, account=account, replaces=replaces)
    merged = reference.under_account(document, account, replaces, OUTSIDE)
    try:
        best = reference.evaluate(merged, coins, OUTSIDE, issues=ISSUES)
    except reference.TooMany:
        assume(False)
        raise
    seats = {place["place"]: place["holding"] for place in places_of(found) if place["holding"]}
    assert seats == {place: seat[0] for place, seat in best.seats.items()}
    levels = {level["level"]: level["value"] for level in found["levels"]}
    assert levels["presumed"] == best.levels["presumed"]


# --- cases ---------------------------------------------------------------------------------------------------------------

SHILLINGS = {
    "silver": {"denomination": "shilling", "year_on_coin": {"from": 1902, "to": 1919}, "fineness": 0.925},
    "half-silver": {"denomination": "shilling", "year_on_coin": {"from": 1920, "to": 1946}, "fineness": 0.5},
}
"""The fineness of British silver: 925 until 1919, 500 from 1920 (Coinage Act 1920); from memory."""


def shillings(*coins: dict[str, Any], **more: Any) -> dict[str, Any]:
    document = a_document({"a": "fineness > 0.9 AND count(problems) = 0"}, **more)
    return measured(document, list(coins), issues=SHILLINGS)


PROBLEM_FREE = [{"facts": {"problems": []}}]


def test_a_place_that_rests_on_presumptions_says_which() -> None:
    coin = a_holding("h", denomination="shilling", year_on_coin=1910)
    presume = [*PROBLEM_FREE, {"where": "year_on_coin < 1920", "facts": {"fineness": 0.925}}]
    found = shillings(coin, presume=presume)
    [place] = places_of(found)
    assert (place["status"], place["presumed"]) == ("filled", ["fineness", "problems"])
    assert found["summary"]["presumed"] == 1
    assert next(level["value"] for level in found["levels"] if level["level"] == "presumed") == 1


def test_the_first_entry_that_speaks_of_an_attribute_wins_and_later_ones_see_what_is_presumed() -> None:
    coin = a_holding("h", denomination="shilling")
    first = {"facts": {"year_on_coin": 1910}}
    later = {"where": "year_on_coin = 1910", "facts": {"fineness": 0.925, "year_on_coin": 1950, "problems": []}}
    [place] = places_of(shillings(coin, presume=[first, later]))
    assert place["presumed"] == ["fineness", "problems"]
    [place] = places_of(shillings(coin, presume=[later, first]))
    assert place["status"] == "tentative", "the entry came before what it asks for"


def test_a_coin_outside_only_by_a_presumption_says_so() -> None:
    [left] = shillings(a_holding("h", fineness=0.925), presume=[{"facts": {"problems": ["holed"]}}])["unplaced"]
    assert (left["reason"], left["presumed"]) == ("outside", ["problems"])
    [left] = shillings(a_holding("h", fineness=0.5), presume=[{"facts": {"problems": ["holed"]}}])["unplaced"]
    assert left["reason"] == "outside"
    assert "presumed" not in left


def test_what_is_presumed_may_depend_on_a_recorded_doubt() -> None:
    coin = a_holding("h", year_on_coin={"one_of": [1915, 1925]}, problems=[])
    presume = [
        {"where": "year_on_coin < 1920", "facts": {"fineness": 0.925}},
        {"where": "year_on_coin >= 1920", "facts": {"fineness": 0.5}},
    ]
    found = shillings(coin, presume=presume)
    [place] = places_of(found)
    assert (place["status"], place["basis"]) == ("tentative", "alternatives")
    [conflict] = found["conflicts"]
    assert [fact["attribute"] for fact in conflict["settle"]] == ["year_on_coin"]


def test_date_and_denomination_give_the_fineness() -> None:
    coin = a_holding("h", denomination="shilling", year_on_coin=1910, problems=[])
    found = shillings(coin, identify=[{"where": "denomination = 'shilling'"}])
    [place] = places_of(found)
    assert place["status"] == "filled"
    assert "presumed" not in place


def test_presumptions_never_identify() -> None:
    coin = a_holding("h", year_on_coin=1910, problems=[])
    more = {
        "identify": [{"where": "denomination = 'shilling'"}],
        "presume": [{"facts": {"denomination": "shilling"}}],
    }
    [place] = places_of(shillings(coin, **more))
    assert place["status"] == "tentative"


def test_a_coin_of_no_issue_is_told_against_the_nearest_one() -> None:
    coin = a_holding("h", denomination="shilling", year_on_coin=1950, problems=[])
    found = shillings(coin, identify=[{"where": "denomination = 'shilling'"}])
    [conflict] = [one for one in found["conflicts"] if one["kind"] == "unidentified"]
    assert {name: conflict[name] for name in ("holding", "issue", "attribute", "recorded", "issue_value")} == {
        "holding": "h",
        "issue": "half-silver",
        "attribute": "year_on_coin",
        "recorded": 1950,
        "issue_value": {"from": 1920, "to": 1946},
    }


def test_a_contradicted_issue_stays_where_it_is_the_only_one_and_the_recorded_fact_wins() -> None:
    coin = {"id": "h", "issue": "silver", "facts": {"year_on_coin": 1950, "problems": []}}
    found = shillings(coin)
    [place] = places_of(found)
    assert place["status"] == "filled", "its fineness is the issue's all the same"
    [conflict] = found["conflicts"]
    assert (conflict["kind"], conflict["attribute"]) == ("contradiction", "year_on_coin")


def test_a_contradicted_candidate_is_none() -> None:
    coin = {"id": "h", "issue": {"one_of": ["silver", "half-silver"]}, "facts": {"year_on_coin": 1910, "problems": []}}
    found = shillings(coin)
    assert places_of(found)[0]["status"] == "filled"
    assert found["conflicts"] == []


@pytest.mark.parametrize(
    ("recorded", "agrees"), [(0.92, True), (0.93, True), (0.9, True), (0.94, False), (0.925, True)]
)
def test_a_number_agrees_with_one_that_rounds_to_it(recorded: float, agrees: bool) -> None:
    """At a tie both neighbours do."""
    views = a_measurement(a_document({"a": True}), [], issues=SHILLINGS).views
    [coin] = read_holdings(
        [{"id": "h", "issue": "silver", "facts": {"fineness": recorded}}], views.attributes, strict=True
    )
    assert (views.seen(coin).contradictions == ()) is agrees


@pytest.mark.parametrize(
    ("name", "recorded", "of_issue", "agrees"),
    [
        ("mint", "TOWER", "tower", True),
        ("mint", "Münze", "MUNZE", True),
        ("mint", {"none": True}, "tower", False),
        ("issuer", "GB", "FR", False),
        ("main_motifs", ["horse"], ["lion"], True),
        ("weight_measured", 5.1, 5.6, True),
        ("year_on_coin", {"one_of": [1900, 1910]}, 1910, True),
        ("year_on_coin", {"from": 1900, "to": 1909}, 1910, False),
    ],
)
def test_what_contradicts(name: str, recorded: Any, of_issue: Any, agrees: bool) -> None:
    request = a_measurement(a_document({"a": True}), [], issues={"i": {name: of_issue}})
    [coin] = read_holdings(
        [{"id": "h", "issue": "i", "facts": {name: recorded}}], request.views.attributes, strict=True
    )
    assert (request.views.seen(coin).contradictions == ()) is agrees


def test_the_richer_issue_wins() -> None:
    document = a_document({"a": True}, identify=[{"where": "denomination = 'penny'"}])
    issues = {"poor": {"denomination": "penny"}, "rich": {"denomination": "penny", "mint": "Tower"}}
    request = a_measurement(document, [a_holding("h", denomination="penny")], issues=issues)
    assert [view.issue for view in request.views_of(request.holdings[0])] == ["rich"]


def test_a_fact_that_is_presumed_is_one_value() -> None:
    with pytest.raises(Invalid) as refusal:
        shillings(
            presume=[{"facts": {"year_on_coin": {"one_of": [1, 2]}}}, {"where": "yeer = 2", "facts": {"mnt": "a"}}]
        )
    assert [fault.pointer for fault in refusal.value.faults] == [
        "/presume/0/facts/year_on_coin",
        "/presume/1/where",
        "/presume/1/facts/mnt",
    ]


# --- the shipped catalogue -----------------------------------------------------------------------------------------------


def shilling(year: Any) -> dict[str, Any]:
    """What the facts of the shipped catalogue add to a shilling of this year."""
    document = {"format": "set-definition/1", "title": "A set", "slots": [{"id": "a", "accepts": "TRUE"}]}
    document["identify"] = [{"where": "issuer = 'GB' AND denomination = 'shilling'"}]
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    coin = a_holding("h", issuer="GB", denomination="shilling", year_on_coin=year)
    issues = {issue["id"]: read_facts(issue["facts"], CORE, strict=True)[0] for issue in shipped.issues()}
    (held,) = read_holdings([coin], CORE, strict=True)
    request = EvaluationRequest(definition, (held,), TODAY, shipped.vocabularies(), issues)
    return {str(view.issue): view.facts for view in request.views_of(held)}


# Reigns: Edward VII 1901 to 1910, George V 1910 to 1936 (common knowledge, from memory).
@pytest.mark.parametrize(
    ("year", "rulers"),
    [
        (1905, ["Edward VII"]),
        (1930, ["George V"]),
        ({"one_of": [1905, 1912]}, ["Edward VII", "George V"]),
        ({"from": 1905, "to": 1915}, ["Edward VII", "George V"]),
    ],
)
def test_a_part_of_an_issue_stands_for_the_whole(year: Any, rulers: list[str]) -> None:
    seen = shilling(year)
    assert not set(seen) & set(shipped.narrows().values())
    assert [facts["authority"].values for facts in seen.values()] == [(ruler,) for ruler in rulers]


def test_a_whole_issue_stays_where_its_parts_leave_years_out() -> None:
    """Crowns of 1818 to 1937 were not struck in every year, so a crown without a date may be what no part says."""
    parts = {"one": {"year_on_coin": 1900, "mint": "Tower"}, "two": {"year_on_coin": 1903, "mint": "Tower"}}
    issues = {"whole": {"year_on_coin": {"from": 1900, "to": 1903}}, **parts}
    known = {name: some_knowledge(facts) for name, facts in issues.items()}
    identify = a_definition({"a": "TRUE"}, identify=[{"where": "TRUE"}]).presumptions
    views = Views(ATTRIBUTES, AROUND, known, identify, narrows={"one": "whole", "two": "whole"})
    names = {}
    for year in (1900, 1901, {"from": 1900}, {"one_of": [1900, 1903]}):
        (held,) = some_holdings([a_holding("h", year_on_coin=year)])
        names[str(year)] = [view.issue for view in views.of(held)]
    assert list(names.values()) == [["one"], ["whole"], ["one", "two", "whole"], ["one", "two"]]


def test_a_part_stands_for_the_whole_however_long_the_years_are_that_the_coin_may_have() -> None:
    """Years up to 2^53 would not fit into any memory one by one."""
    identify = a_definition({"a": "TRUE"}, identify=[{"where": "TRUE"}]).presumptions
    first = {"year_on_coin": {"from": 1900, "to": 1950}}
    names = []
    for second in ({"from": 1951}, {"from": 1952}, {"from": 1940}):
        issues = {"whole": {"year_on_coin": {"from": 1900}}, "one": first, "two": {"year_on_coin": second}}
        known = {name: some_knowledge({**facts, "mint": "Tower"}) for name, facts in issues.items()}
        views = Views(ATTRIBUTES, AROUND, known, identify, narrows={"one": "whole", "two": "whole"})
        (held,) = some_holdings([a_holding("h", year_on_coin={"from": 1900, "to": 2**53})])
        names.append([view.issue for view in views.of(held)])
    assert names == [["one", "two"], ["one", "two", "whole"], ["one", "two"]]

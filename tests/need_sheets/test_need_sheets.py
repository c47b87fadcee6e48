"""Need sheets: a reader that has nothing but the document answers as the engine does, or asks; planted faults are seen.

Checked against the engine and `service.progress.candidates`; no source outside the project has such sheets.
`SETWRIGHT_SHEET_COINS` and `SETWRIGHT_SHEET_CANDIDATES` take the large numbers: coins times rules, coins times sets.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from datetime import date
from random import Random
from typing import Any

import pytest

from service.evaluation.lookup_table import LookupMaker
from service.facts.truth import Verdict
from service.progress.whatif import Evaluated
from service.rules.predicates import EvaluationContext
from tests.evaluation.test_cases import RULES
from tests.factories import a_document, a_measurement, a_rule, judged
from tests.need_sheets.cases import MOST_COINS, made_up_set, shipped_set
from tests.need_sheets.made_up import a_rule as a_made_up_rule
from tests.need_sheets.made_up import some_facts
from tests.need_sheets.measured import Tally, sent_sheet, tried
from tests.need_sheets.reader import Ask, Sheet, View
from tests.set_definitions import NAMES
from tests.strategies import ATTRIBUTES, TODAY, VOCABULARIES

COINS = int(os.environ.get("SETWRIGHT_SHEET_COINS", "3000"))
CANDIDATES = int(os.environ.get("SETWRIGHT_SHEET_CANDIDATES", "300"))
COINS_A_RULE = 20


def sheet_of_rule(rule: Any, today: date = TODAY) -> Sheet:
    """The sheet of a set of one place with this rule."""
    return Sheet(*sent_sheet(Evaluated(a_measurement(a_document({"place": rule}), [], today=today))))


def told(sheet: Sheet, facts: dict[str, Any]) -> str:
    (verdict,) = sheet.verdicts(facts)
    return verdict


@pytest.mark.parametrize(("name", "case"), RULES, ids=[f"{name}: {case['says']}" for name, case in RULES])
def test_a_reader_judges_the_cases_of_the_language_or_asks(name: str, case: dict[str, Any]) -> None:
    sheet = sheet_of_rule(case["rule"], date.fromisoformat(case.get("today", TODAY.isoformat())))
    assert told(sheet, case["facts"]) in (case["verdict"], "ask")


def test_most_cases_of_the_language_are_answered() -> None:
    answers = Counter[str]()
    for _, case in RULES:
        sheet = sheet_of_rule(case["rule"], date.fromisoformat(case.get("today", TODAY.isoformat())))
        answers["ask" if told(sheet, case["facts"]) == "ask" else "told"] += 1
    print(dict(answers))
    assert answers["told"] >= 0.6 * len(RULES)


def test_a_reader_judges_made_up_coins_as_the_engine_does_or_asks() -> None:
    answers, differ = Counter[str](), []
    for seed in range(COINS // COINS_A_RULE):
        chance = Random(seed)
        rule = a_made_up_rule(chance)
        sheet = sheet_of_rule(rule)
        reads = sheet.sheet["rules"][0]["reads"]
        for _ in range(COINS_A_RULE):
            facts = some_facts(chance, reads)
            said, engine = told(sheet, facts), judged(rule, facts).verdict.value
            answers[said] += 1
            if said not in (engine, "ask"):
                differ.append((rule, facts, said, engine))
    print(dict(answers))
    assert not differ
    assert answers["ask"] < sum(answers.values()) / 2
    assert all(answers[verdict.value] > 0 for verdict in Verdict)


def test_a_reader_says_what_a_coin_does_in_made_up_sets_as_the_service_does_or_asks() -> None:
    tally = Tally()
    for seed in range(CANDIDATES // MOST_COINS):
        tried(*made_up_set(seed), tally)
    print(dict(tally.effects))
    assert not tally.differ
    assert {"fills", "frees", "betters", "spare", "outside", "undecided"} <= set(tally.effects)


@pytest.mark.parametrize("name", NAMES)
def test_a_reader_says_what_a_coin_does_in_the_shipped_sets_as_the_service_does_or_asks(name: str) -> None:
    tally, each = Tally(), min(25, CANDIDATES // 10)
    for seed in range(max(CANDIDATES // 10 // each, 1)):
        tried(*shipped_set(name, seed, each), tally)
    print(name, dict(tally.effects))
    assert not tally.differ
    assert tally.effects["outside"] + tally.effects["undecided"] + tally.effects["fills"] > 0


def test_a_text_of_a_list_that_its_vocabulary_does_not_know_is_asked_about() -> None:
    rule = "narrower(main_motifs, 'animal') OR A_CONTAINS(main_motifs, ('comet', 'owl'))"
    sheet, facts = sheet_of_rule(rule), {"main_motifs": ["comet"]}
    assert (told(sheet, facts), judged(rule, facts).verdict.value) == ("ask", "undecided")
    sheet.attributes["main_motifs"]["terms"] = ["comet"]
    assert told(sheet, facts) == "no"


def test_rules_that_no_lookup_can_hold_say_why() -> None:
    maker = LookupMaker(ATTRIBUTES, EvaluationContext(TODAY, VOCABULARIES))
    reasons = {
        "mint LIKE 'T%'": "like",
        "CASEI(mint) = CASEI('tower')": "fold",
        "mint < 'Tower'": "text-order",
        "weight_measured + 1 > 3": "arithmetic",
        "year_on_coin < struck": "two-attributes",
        "weight_measured > 2.12345678901234567": "digits",
        "year_on_coin < 1900": None,
    }
    for rule, reason in reasons.items():
        assert maker.of(a_rule(rule)).ask == reason, rule
    with pytest.raises(Ask):
        sheet_of_rule("mint LIKE 'T%'").rule(0, View({"mint": "Tower"}))


# --- planted faults, each of which must be seen ----------------------------------------------------------------------------


def cut_points_as_gaps(sheet: dict[str, Any]) -> None:
    """A cut point belongs to the gap above it."""
    for rule in sheet["rules"]:
        for lookup in rule["lookups"]:
            if lookup["kind"] == "numbers":
                found = lookup["regions"]
                lookup["regions"] = [(found[at + 1] or one) if at % 2 else one for at, one in enumerate(found)]


def none_as_unknown(sheet: dict[str, Any]) -> None:
    for rule in sheet["rules"]:
        for lookup in rule["lookups"]:
            lookup["none"] = lookup["unknown"]


def unknown_as_no(sheet: dict[str, Any]) -> None:
    for rule in sheet["rules"]:
        for lookup in rule["lookups"]:
            lookup["unknown"] = ["n" * len(lookup["leaves"])]


def chains_one_step_short(sheet: dict[str, Any]) -> None:
    """What the coin that sits there does next is forgotten."""
    for place in sheet["places"]:
        coin = place["coin"]
        if coin["kind"] == "chain" and coin["moves"]:
            coin["moves"], coin["fills"] = [], None
            coin["loss"] = [-lost for lost in coin["seat"]["loss"]]


def rules_of_sets_forgotten(sheet: dict[str, Any]) -> None:
    for place in sheet["places"]:
        if place["coin"]["kind"] == "beside":
            place["coin"]["conditions"] = []


def presumptions_forgotten(sheet: dict[str, Any]) -> None:
    sheet["presume"] = []


def issues_forgotten(sheet: dict[str, Any]) -> None:
    sheet["identify"] = []


def ranks_reversed(sheet: dict[str, Any]) -> None:
    for place in sheet["places"]:
        if place["coin"]["kind"] == "chain":
            place["coin"]["rank"] = -place["coin"]["rank"]


IN_RULES = (cut_points_as_gaps, none_as_unknown, unknown_as_no)
IN_SETS = (
    *(chains_one_step_short, rules_of_sets_forgotten, presumptions_forgotten, issues_forgotten, ranks_reversed),
    unknown_as_no,
)


@pytest.mark.parametrize("fault", IN_RULES, ids=lambda fault: fault.__name__)
def test_a_fault_in_a_lookup_is_seen(fault: Callable[[dict[str, Any]], None]) -> None:
    seen = 0
    for seed in range(60):
        chance = Random(seed)
        rule = a_made_up_rule(chance)
        sheet = sheet_of_rule(rule)
        fault(sheet.sheet)
        for _ in range(COINS_A_RULE):
            facts = some_facts(chance, sheet.sheet["rules"][0]["reads"])
            seen += told(sheet, facts) not in (judged(rule, facts).verdict.value, "ask")
    assert seen > 10


def test_a_gap_without_a_whole_number_that_counts_is_seen() -> None:
    rule, facts = "year_on_coin <= 1899 OR year_on_coin >= 1900", {"year_on_coin": {"from": 1899, "to": 1900}}
    sheet = sheet_of_rule(rule)
    assert told(sheet, facts) == judged(rule, facts).verdict.value == "yes"
    (lookup,) = sheet.sheet["rules"][0]["lookups"]
    assert lookup["regions"][2] is None
    lookup["regions"][2] = "nn"
    sheet.attributes["year_on_coin"]["type"] = "decimal"
    assert told(sheet, facts) == "undecided"


@pytest.mark.parametrize("fault", IN_SETS, ids=lambda fault: fault.__name__)
def test_a_fault_in_a_sheet_is_seen(fault: Callable[[dict[str, Any]], None]) -> None:
    tally = Tally()
    for seed in range(400):
        tried(*made_up_set(seed), tally, fault)
        if tally.differ:
            break
    assert tally.differ

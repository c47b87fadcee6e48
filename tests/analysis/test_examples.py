"""The author's own test cases (rules.md, section 10), against the slow reference and case by case."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.analysis import examples
from service.analysis.findings import Finding, check_definition
from service.errors import Invalid
from service.rules.document import read_definition
from tests import reference
from tests.factories import OUTSIDE, some_knowledge
from tests.strategies import ISSUES, TODAY, definitions, simple_facts

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=60)
WORN = {"denomination": "penny", "year_on_coin": 1889}


def found_in(document: dict[str, Any], issues: Mapping[str, Any] | None = None) -> list[Finding]:
    """The findings about the examples of a definition."""
    read = read_definition(document, vocabularies=OUTSIDE.vocabularies)
    catalogue = {name: some_knowledge(facts, read.attributes) for name, facts in (issues or {}).items()}
    return [one for one in check_definition(read, catalogue, TODAY) if one.pointer.startswith("/examples")]


def pennies(*tried: dict[str, Any], **more: Any) -> list[Finding]:
    document = {
        "format": "set-definition/1",
        "title": "Pennies",
        "slots": [
            {"id": "old", "label": "A penny before 1901", "accepts": "denomination = 'penny' AND year_on_coin < 1901"},
            {"id": "new", "accepts": "denomination = 'penny' AND year_on_coin >= 1901"},
        ],
        "one_per": [{"id": "years", "attribute": "year_on_coin", "label": "{key}", "keys": {"from": "holdings"}}],
        "free_choice": [{"id": "any", "places": 2, "accepts": "count(problems) = 0"}],
        "examples": list(tried),
        **more,
    }
    return found_in(document)


@SOME
@given(st.data())
def test_engine_and_reference_agree_on_the_examples_that_fail(data: st.DataObject) -> None:
    document = data.draw(definitions(with_rules=False))
    names = [entry["id"] for kind in ("slots", "one_per", "free_choice") for entry in document[kind]]
    names += [f"{entry['id']}/1" for entry in document["free_choice"]]
    some = st.lists(st.sampled_from(names), max_size=3, unique=True)
    document["examples"] = [
        {"facts": data.draw(simple_facts()), "fits": data.draw(some), "not": data.draw(some)} for _ in range(3)
    ]
    try:
        expected = reference.failing_examples(document, ISSUES, OUTSIDE)
    except reference.TooMany:
        assume(False)
        raise
    told = found_in(document, ISSUES)
    assert {one.code for one in told} <= {"example-fails"}
    assert {one.pointer for one in told} == expected


# --- cases ---------------------------------------------------------------------------------------------------------------


def test_examples_that_hold_say_nothing() -> None:
    worn = {"label": "worn penny", "facts": WORN, "fits": ["old", "years", "years/1889"], "not": ["new", "years/1890"]}
    assert pennies(worn, {"label": "no place named", "facts": {}}) == []


@pytest.mark.parametrize(
    ("example", "pointer", "message"),
    [
        (
            {"label": "worn penny", "facts": WORN, "fits": ["old", "new"]},
            "/examples/0/fits/1",
            "Example 'worn penny' should fit 'new', but does not; it needs year on the coin 1901 or later.",
        ),
        (
            {"facts": WORN, "not": ["old"]},
            "/examples/0/not/0",
            "Example 1 should not fit 'A penny before 1901', but does.",
        ),
        (
            {"facts": {"denomination": "penny"}, "fits": ["old"]},
            "/examples/0/fits/0",
            "Example 1 should fit 'A penny before 1901', but only may; to record: year on the coin.",
        ),
        (
            {"facts": {"denomination": "penny"}, "not": ["new"]},
            "/examples/0/not/0",
            "Example 1 should not fit 'new', but only may; to record: year on the coin.",
        ),
        (
            {"facts": {"denomination": "florin"}, "not": ["years"]},
            "/examples/0/not/0",
            "Example 1 should not fit 'years', but only may; to record: year on the coin.",
        ),
        (
            {"facts": {**WORN, "year_on_coin": {"none": True}}, "not": ["years"], "fits": ["years"]},
            "/examples/0/fits/0",
            "Example 1 should fit 'years', but does not; it has no year on the coin for which there is a place.",
        ),
        (
            {"facts": WORN, "fits": ["years/1890"]},
            "/examples/0/fits/0",
            "Example 1 should fit '1890', but does not; it needs year on the coin 1890.",
        ),
        (
            {"facts": {**WORN, "problems": ["holed"]}, "fits": ["any/2"]},
            "/examples/0/fits/0",
            "Example 1 should fit 'any', but does not; it needs no problems.",
        ),
    ],
)
def test_an_example_that_fails_says_by_which_clause(example: dict[str, Any], pointer: str, message: str) -> None:
    [told] = pennies(example)
    assert (told.code, told.severity, told.pointer) == ("example-fails", "error", pointer)
    assert told.message == message


def test_examples_are_judged_with_what_the_definition_presumes_and_identifies() -> None:
    tried = {"facts": WORN, "fits": ["any"]}
    assert [one.pointer for one in pennies(tried)] == ["/examples/0/fits/0"]
    assert pennies(tried, presume=[{"facts": {"problems": []}}]) == []
    document = {
        "format": "set-definition/1",
        "title": "Silver",
        "slots": [{"id": "silver", "accepts": "fineness > 0.9"}],
        "identify": [{"where": "denomination = 'shilling'"}],
        "examples": [{"facts": {"denomination": "shilling", "year_on_coin": 1911}, "fits": ["silver"]}],
    }
    # The fineness of British silver: 925 until 1919 (Coinage Act 1920); from memory.
    issues = {"s": {"denomination": "shilling", "year_on_coin": {"from": 1902, "to": 1919}, "fineness": 0.925}}
    assert found_in(document, issues) == []
    assert [one.pointer for one in found_in(document)] == ["/examples/0/fits/0"]


def test_a_scope_counts_and_a_key_of_a_closed_group_that_is_none_is_no_place() -> None:
    closed = {
        "id": "kinds",
        "attribute": "main_motifs",
        "label": "A {key}",
        "keys": {"from": "vocabulary", "name": "motifs", "level": {"children_of": "animal"}},
    }
    owl = {"label": "owl", "facts": {"main_motifs": ["owl"], "year_on_coin": 1889}, "fits": ["kinds/bird", "kinds/owl"]}
    first, second = pennies(owl, one_per=[closed], scope="year_on_coin >= 1900")
    assert first.code == "example-fails"
    assert first.message.endswith("but does not; it needs year on the coin 1900 or later.")
    assert (second.code, second.severity, second.pointer) == ("unknown-place", "error", "/examples/0/fits/1")


@pytest.mark.parametrize(
    ("example", "code", "pointer"),
    [
        ({"facts": WORN, "fits": ["odl"]}, "unknown-place", "/examples/0/fits/0"),
        ({"facts": WORN, "not": ["old", "any/3"]}, "unknown-place", "/examples/0/not/1"),
        ({"facts": WORN, "fits": ["years/soon"]}, "unknown-place", "/examples/0/fits/0"),
        ({"facts": {"yeer_on_coin": 1889}}, "unknown-attribute", "/examples/0/facts/yeer_on_coin"),
        ({"facts": {"year_on_coin": "soon"}}, "type", "/examples/0/facts/year_on_coin"),
        ({"fits": ["old"]}, "shape", "/examples/0/facts"),
        ({"facts": WORN, "fit": ["old"]}, "shape", "/examples/0/fit"),
        ({"facts": WORN, "fits": "old"}, "shape", "/examples/0/fits"),
        ({"facts": WORN, "label": "x" * 4_001}, "shape", "/examples/0/label"),
    ],
)
def test_wrong_addresses_and_facts_are_faults_of_the_document(example: dict[str, Any], code: str, pointer: str) -> None:
    with pytest.raises(Invalid) as refused:
        pennies(example)
    assert [(fault.code, fault.pointer) for fault in refused.value.faults] == [(code, pointer)]


def test_past_the_budget_the_check_says_that_not_all_were_run(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = {"facts": WORN, "fits": ["new"]}
    monkeypatch.setattr(examples, "MOST_WORK", 120)
    told = pennies(*[wrong] * 50)
    assert told[-1].code == "limit"
    assert 1 <= len(told) < 10

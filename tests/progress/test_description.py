"""A coin in a few words."""

from __future__ import annotations

from typing import Any

import pytest

from service.facts.core_attributes import CORE
from service.facts.holding import Holding, View, read_facts
from service.progress.description import NOTHING, CoinNames, describer
from service.reference import actions as reference
from service.rules.labels import Labels

ISSUES = {
    "a": {"denomination": "crown", "issuer": "GB", "year_on_coin": 1892},
    "b": {"denomination": "crown", "issuer": "GB", "year_on_coin": 1893},
    "c": {"denomination": "crown", "issuer": "GB"},
}
DESCRIBE = describer(CORE, reference.vocabularies(), ISSUES)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({}, NOTHING),
        ({"grade": 40}, NOTHING),
        ({"denomination": "crown"}, "crown"),
        ({"year_on_coin": 1892}, "1892 coin"),
        ({"denomination": "crown", "year_on_coin": {"one_of": [1892, 1893]}}, "1892 or 1893 crown"),
        ({"denomination": "crown", "year_on_coin": {"from": 1880, "to": 1890}}, "1880 to 1890 crown"),
        ({"denomination": "crown", "year_on_coin": {"to": 1890}}, "crown up to 1890"),
        ({"denomination": "crown", "year_on_coin": {"none": True}}, "undated crown"),
        ({"denomination": "crown", "struck": {"from": 1880}}, "crown struck 1880 or later"),
        ({"denomination": {"none": True}, "object_kind": "medal"}, "medal"),
        ({"denomination": "crown", "issuer": "GB"}, "crown, United Kingdom"),
        ({"denomination": "crown", "issuer": {"one_of": ["GB", "x-nowhere"]}}, "crown, United Kingdom or x-nowhere"),
        ({"denomination": "crown", "legend_issuer": "BRITT"}, "crown, BRITT"),
        ({"year_on_coin": {"one_of": list(range(1900, 1907))}}, "coin, 1900, 1901, 1902, 1903 or one of 3 others"),
    ],
)
def test_what_is_recorded_is_said_as_a_collector_says_it(facts: dict[str, Any], words: str) -> None:
    assert DESCRIBE({"facts": facts, "issue": None}) == words


@pytest.mark.parametrize(
    ("issue", "facts", "words"),
    [
        ("a", {}, "1892 crown, United Kingdom"),
        ("a", {"year_on_coin": 1900}, "1900 crown, United Kingdom"),
        ({"one_of": ["a", "b"]}, {}, "1892 or 1893 crown, United Kingdom"),
        # One candidate says no year, so the other's is not believed.
        ({"one_of": ["a", "c"]}, {}, "crown, United Kingdom"),
        ("a stranger", {"denomination": "penny"}, "penny"),
    ],
)
def test_an_issue_speaks_where_the_coins_own_facts_are_silent(issue: Any, facts: dict[str, Any], words: str) -> None:
    assert DESCRIBE({"facts": facts, "issue": issue}) == words


UUID = "0192b5a0-0000-7000-8000-000000000001"


@pytest.mark.parametrize(
    ("identity", "number", "facts", "name"),
    [
        (UUID, "8", {"denomination": "threepence", "year_on_coin": 1920, "issuer": "GB"}, "No. 8 (1920 threepence)"),
        (UUID, "8", {"year_on_coin": {"from": 1895, "to": 1901}}, "No. 8 (1895 to 1901 coin)"),
        (UUID, "8", {"denomination": "penny"}, "No. 8 (penny)"),
        (UUID, "8", {"grade": 20}, "No. 8"),
        (UUID, None, {"denomination": "threepence", "issuer": "GB"}, "threepence (United Kingdom)"),
        (UUID, None, {"denomination": "threepence", "year_on_coin": 1920}, "1920 threepence"),
        (UUID, None, {}, "A coin"),
        ("p2", None, {"denomination": "penny", "year_on_coin": 1889}, "No. p2 (1889 penny)"),
        ("worn", None, {"denomination": "penny"}, "worn (penny)"),
    ],
)
def test_a_message_calls_a_coin_by_its_number_and_what_it_is(
    identity: str, number: str | None, facts: dict[str, Any], name: str
) -> None:
    known, faults = read_facts(facts, CORE, strict=True)
    assert not faults
    holding = Holding(identity, known, number=number)
    assert str(CoinNames(Labels(CORE, reference.vocabularies())).of(holding, (View(known),))) == name


def test_alternatives_that_candidate_issues_leave_are_each_said_once() -> None:
    """As where a recorded "1919 or 1920" is narrowed by one of two issues."""
    worlds = [{"year_on_coin": 1920}, {"year_on_coin": {"one_of": [1919, 1920]}}]
    views = [View(read_facts({"denomination": "crown", **world}, CORE, strict=True)[0]) for world in worlds]
    names = CoinNames(Labels(CORE, reference.vocabularies()))
    assert str(names.of(Holding(UUID, views[1].facts, number="2"), views)) == "No. 2 (1919 or 1920 crown)"


def test_years_of_candidate_issues_that_follow_each_other_are_one_span() -> None:
    years = [(1902, 1910), (1953, 1967), (1911, 1936), (1937, 1952), (1860, 1901)]
    issues = {str(low): {"denomination": "penny", "year_on_coin": {"from": low, "to": high}} for low, high in years}
    describe = describer(CORE, reference.vocabularies(), issues)
    assert describe({"facts": {}, "issue": {"one_of": list(issues)}}) == "1860 to 1967 penny"
    assert (
        describe({"facts": {}, "issue": {"one_of": ["1902", "1953", "1911"]}}) == "1902 to 1936 or 1953 to 1967 penny"
    )

"""The smallest set of features that tells candidate issues apart, against trying every set."""

from __future__ import annotations

from itertools import chain, combinations
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.evaluation.distinguishing import differ, distinguishing_features
from service.facts.attributes import Attribute, Attributes
from service.facts.core_attributes import CORE
from tests.factories import some_knowledge
from tests.strategies import examples

NAMES = ("edge", "mint", "hue", "wreath", "berries")
TABLE = Attributes([Attribute(name, "text", look_at="here") for name in NAMES])
YEARS = Attributes(
    [*TABLE.values(), Attribute("year", "integer"), Attribute("mintage", "integer", look_at="not on the coin")]
)

values = st.sampled_from(("a", "b", {"one_of": ["a", "b"]}, {"one_of": ["b", "c"]}, {"none": True}))
issues = st.dictionaries(
    st.sampled_from(("one", "two", "three", "four", "five")),
    st.dictionaries(st.sampled_from(NAMES), values, max_size=5),
    min_size=2,
)


def told(raw: dict[str, dict[str, Any]], **known: Any) -> Any:
    return distinguishing_features(
        {name: some_knowledge(facts, YEARS) for name, facts in raw.items()}, some_knowledge(known, YEARS), YEARS
    )


@settings(deadline=None, database=None, max_examples=examples(200))
@given(issues)
def test_no_smaller_set_tells_as_many_apart(raw: dict[str, dict[str, Any]]) -> None:
    found = told(raw)
    facts = {name: some_knowledge(one, YEARS) for name, one in raw.items()}

    def apart(one: str, other: str, names: tuple[str, ...]) -> bool:
        both = [name for name in names if name in facts[one] and name in facts[other]]
        return any(differ(facts[one][name], facts[other][name], YEARS[name]) for name in both)

    pairs = [pair for pair in combinations(raw, 2) if apart(*pair, NAMES)]
    assert set(found.alike) == set(combinations(raw, 2)) - set(pairs)
    enough = [
        names
        for names in chain.from_iterable(combinations(NAMES, size) for size in range(len(NAMES) + 1))
        if all(apart(*pair, names) for pair in pairs)
    ]
    assert found.attributes == enough[0]
    assert found.is_smallest


def test_ranges_that_overlap_tell_nothing_and_ranges_that_do_not_do() -> None:
    assert told({"early": {"year": {"from": 1902, "to": 1919}}, "late": {"year": {"from": 1920}}}).attributes == (
        "year",
    )
    alike = told({"early": {"year": {"to": 1920}}, "late": {"year": {"from": 1920}}})
    assert (alike.attributes, alike.alike) == ((), (("early", "late"),))


def test_a_value_in_a_range_is_possible_for_both_and_known_to_be_none_is_not() -> None:
    assert told({"a": {"year": 1900}, "b": {"year": {"from": 1890, "to": 1910}}}).attributes == ()
    assert told({"a": {"year": 1911}, "b": {"year": {"from": 1890, "to": 1910}}}).attributes == ("year",)
    assert told({"a": {"year": {"none": True}}, "b": {"year": {"from": 1890}}}).attributes == ("year",)


def test_what_cannot_be_seen_on_the_coin_is_never_asked_for() -> None:
    assert told({"a": {"mintage": 5, "hue": "x"}, "b": {"mintage": 7, "hue": "x"}}).attributes == ()


def test_what_is_recorded_of_the_coin_rules_candidates_out() -> None:
    found = told(
        {"a": {"year": 1900, "hue": "x"}, "b": {"year": 1901, "hue": "y"}, "c": {"year": 1901, "hue": "z"}}, year=1901
    )
    assert (found.ruled_out, found.attributes) == ({"a": "year"}, ("hue",))


def test_a_wartime_five_cents_is_told_by_its_mintmark_place_or_metal() -> None:
    # 1942: the same year in cupro-nickel and in the wartime alloy (Act of 27 March 1942; the large mintmark above the dome
    # of the wartime pieces is from memory).
    raw = {
        "cupro-nickel": {
            "year_on_coin": 1942,
            "material": "cupro-nickel",
            "weight_legal": 5,
            "mintmark_place": "reverse",
        },
        "wartime": {"year_on_coin": 1942, "material": "billon", "weight_legal": 5, "mintmark_place": "reverse"},
    }
    facts = {name: some_knowledge(one, CORE) for name, one in raw.items()}
    assert distinguishing_features(facts, {}, CORE).attributes == ("material",)

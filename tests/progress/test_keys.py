"""Places of one-per groups: their keys, addresses, labels and order (rules.md, sections 10 and 11)."""

from __future__ import annotations

import tracemalloc
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any
from urllib.parse import unquote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OverLimit
from service.evaluation.keys import Collection
from service.evaluation.places import Place
from service.evaluation.places import places_of as engine_places
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import View
from service.facts.knowledge import NONE, Among, Value
from service.facts.vocabulary import Concept, build_vocabulary
from service.progress.decisions import KnownPlaces
from service.rules.document import read_definition
from service.rules.keys import KeyPart, key_address, key_as_json, key_at, lower_bound
from service.rules.predicates import EvaluationContext
from tests.factories import a_document, a_holding, a_measurement, measured, places_of
from tests.strategies import TODAY, VOCABULARIES

DECADES = {"attribute": "year_on_coin", "band": 10}
ERAS = [
    {"key": "silver", "from": 1816, "to": 1919},
    {"key": "war", "from": 1914, "to": 1918},
    {"key": "late", "from": 1947},
]


def group(attribute: Any, keys: Any = None, **more: Any) -> dict[str, Any]:
    return a_document(one_per=[{"id": "g", "attribute": attribute, "keys": keys or {"from": "holdings"}, **more}])


def shown(document: dict[str, Any], *coins: dict[str, Any]) -> list[tuple[str, Any, str, Any]]:
    """Address, key, status and coin of every place."""
    found = measured(document, [a_holding(f"coin-{n}", **facts) for n, facts in enumerate(coins)])
    return [(place["place"], place["key"], place["status"], place["holding"]) for place in places_of(found)]


# --- what is a key -------------------------------------------------------------------------------------------------------


def test_numbers_booleans_and_dates_keep_their_type_and_are_sorted_by_value() -> None:
    assert shown(group("year_on_coin"), {"year_on_coin": 1000}, {"year_on_coin": 999}) == [
        ("g/999", 999, "filled", "coin-1"),
        ("g/1000", 1000, "filled", "coin-0"),
    ]
    assert [place[:2] for place in shown(group("restrike"), {"restrike": True}, {"restrike": False})] == [
        ("g/false", False),
        ("g/true", True),
    ]
    assert [place[:2] for place in shown(group("tender_from"), {"tender_from": "1990-10-02"})] == [
        ("g/1990-10-02", "1990-10-02")
    ]


def test_a_band_cuts_numbers_into_spans_that_are_called_by_their_lower_bound() -> None:
    found = measured(
        group("year_on_coin", band=10), [a_holding("a", year_on_coin=1899), a_holding("b", year_on_coin=1890)]
    )
    (place,) = places_of(found)
    assert (place["place"], place["key"], place["label"]) == ("g/1890", 1890, "1890-1899")
    assert place["holding"] == "a"
    assert [entry["reason"] for entry in found["unplaced"]] == ["spare"]


def test_a_band_of_a_number_that_need_not_be_whole_keeps_its_digits() -> None:
    document = group("weight_measured", band=Decimal("0.5"))
    (place,) = places_of(measured(document, [a_holding(weight_measured=Decimal("5.65"))]))
    assert (place["place"], place["key"], place["label"]) == ("g/5.5", Decimal("5.5"), "5.5 to less than 6")


@given(st.decimals(-1000, 1000, places=3), st.decimals("0.001", 100, places=3))
def test_a_span_begins_at_a_multiple_of_its_width_and_has_the_number(number: Decimal, width: Decimal) -> None:
    low = lower_bound(Fraction(number), Fraction(width))
    assert isinstance(low, int | Fraction)
    assert low <= number < low + Fraction(width)
    assert (low / Fraction(width)).denominator == 1


def test_named_bands_may_overlap_and_leave_gaps_and_stand_in_the_order_given() -> None:
    listed = {"from": "list", "values": ["war", "silver", "late"]}
    coins = [{"year_on_coin": 1916}, {"year_on_coin": 1900}, {"year_on_coin": 1930}, {"year_on_coin": 1947}]
    assert shown(group("year_on_coin", listed, bands=ERAS), *coins) == [
        ("g/war", "war", "filled", "coin-0"),
        ("g/silver", "silver", "filled", "coin-1"),
        ("g/late", "late", "filled", "coin-3"),
    ]
    from_holdings = shown(group("year_on_coin", bands=ERAS), *coins)
    assert [place[1] for place in from_holdings] == ["silver", "war", "late"]


def test_known_to_be_none_is_a_key_where_it_is_asked_for_and_stands_last() -> None:
    coins = [{"mintmark": {"none": True}}, {"mintmark": "none"}, {"mintmark": "zz"}]
    assert shown(group("mintmark", none=True), *coins) == [
        ("g/%6Eone", "none", "filled", "coin-1"),
        ("g/zz", "zz", "filled", "coin-2"),
        ("g/none", {"none": True}, "filled", "coin-0"),
    ]
    assert [place[1] for place in shown(group("mintmark"), *coins)] == ["none", "zz"]


def test_a_place_for_each_pair_that_the_coins_show() -> None:
    document = group(["denomination", DECADES], label="{denomination} of {year_on_coin}")
    coins = [
        a_holding("a", denomination="penny", year_on_coin=1893),
        a_holding("b", denomination="crown", year_on_coin=1902),
    ]
    found = measured(document, coins)
    assert found["one_per"][0]["attribute"] == ["denomination", "year_on_coin"]
    assert [(p["place"], p["key"], p["label"]) for p in places_of(found)] == [
        ("g/crown/1900", ["crown", 1900], "crown of 1900-1909"),
        ("g/penny/1890", ["penny", 1890], "penny of 1890-1899"),
    ]


def test_alternatives_open_their_places_tentatively_and_a_range_opens_none() -> None:
    either = {"year_on_coin": {"one_of": [1892, 1893]}}
    # Of the two places the one stays empty, and an open-ended group has no empty place.
    assert shown(group("year_on_coin"), either) == [("g/1892", 1892, "tentative", "coin-0")]
    assert shown(group("year_on_coin"), either, either) == [
        ("g/1892", 1892, "tentative", "coin-0"),
        ("g/1893", 1893, "tentative", "coin-1"),
    ]
    assert shown(group("year_on_coin"), {"year_on_coin": {"from": 1892, "to": 1893}}) == []
    assert shown(group("year_on_coin"), {}) == []


def test_a_coin_whose_key_is_a_range_takes_a_place_that_another_opened_tentatively() -> None:
    coins = [{"year_on_coin": 1892, "grade": 10}, {"year_on_coin": 1893, "grade": 10}, {"year_on_coin": {"from": 1890}}]
    document = {**group("year_on_coin"), "prefer": [{"highest": "grade"}]}
    document["slots"] = [{"id": "first", "accepts": "year_on_coin = 1892 AND grade = 10"}]
    found = {place: (status, coin) for place, _, status, coin in shown({**document, "slots": []}, *coins)}
    assert found == {"g/1892": ("filled", "coin-0"), "g/1893": ("filled", "coin-1")}
    sits = {p["place"]: (p["status"], p["holding"]) for p in places_of(measured(document, [
        a_holding(f"coin-{n}", **facts) for n, facts in enumerate(coins)
    ]))}  # fmt: skip
    assert sits["first"] == ("filled", "coin-0")
    assert sits["g/1892"] == ("tentative", "coin-2")


def test_an_uncertain_term_opens_its_place_tentatively() -> None:
    coin = {"main_motifs": {"has": ["owl"], "perhaps": ["tree"]}}
    other = {"main_motifs": ["owl"], "grade": 60}
    assert shown(group("main_motifs"), coin, other) == [
        ("g/owl", "owl", "filled", "coin-1"),
        ("g/tree", "tree", "tentative", "coin-0"),
    ]


def test_more_keys_than_places_are_refused() -> None:
    coins = [a_holding(f"coin-{n}", denomination={"one_of": [f"d{n}-{m}" for m in range(500)]}) for n in range(5)]
    with pytest.raises(OverLimit, match="2000 keys"):
        measured(group("denomination"), coins)


def test_a_coin_that_may_be_very_many_things_does_not_take_the_memory_for_all_their_keys() -> None:
    names = ["year_on_coin", "mintage", "struck"]
    coin = a_holding(**{name: {"one_of": list(range(1, 81))} for name in names})
    tracemalloc.start()
    try:
        with pytest.raises(OverLimit, match="2000 keys"):
            measured(group(names), [coin])
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()


# --- one concept, one place ----------------------------------------------------------------------------------------------

COUNTRIES = build_vocabulary(
    "countries",
    [
        Concept("QA", "Quaria", alternative_labels=("Kingdom of Quaria",)),
        Concept("QB", "Germania", ended=date(1990, 1, 1)),
        Concept("QC", "Germania"),
    ],
)


def countries(keys: Any, **more: Any) -> dict[str, Any]:
    document = group("land", keys, **more)
    document["attributes"] = [{"name": "land", "type": "text", "vocabulary": "countries"}]
    return document


def of_countries(keys: Any, *lands: str) -> list[Place]:
    vocabularies = {**VOCABULARIES, "countries": COUNTRIES}
    definition = read_definition(countries(keys), vocabularies=vocabularies)
    views = [(View({"land": Among((land,))}),) for land in lands]
    return list(engine_places(definition, Collection(views, {}, EvaluationContext(TODAY, vocabularies))))


def test_a_code_and_a_name_of_one_concept_are_one_place() -> None:
    found = of_countries({"from": "holdings"}, "Quaria", "QA", "kingdom of quaria", "Elsewhere")
    assert [place.address for place in found] == ["g/Elsewhere", "g/QA"]
    listed = of_countries({"from": "list", "values": ["Quaria", "QA", "QB"]})
    assert [place.address for place in listed] == ["g/QA", "g/QB"]


def test_two_places_never_have_one_label() -> None:
    found = of_countries({"from": "list", "values": ["QB", "QC", "QA"]})
    assert [place.label for place in found] == ["Germania (QB)", "Germania (QC)", "Quaria"]


# --- addresses -----------------------------------------------------------------------------------------------------------

TABLE = Attributes(
    [
        Attribute("word", "text"),
        Attribute("number", "integer"),
        Attribute("weight", "decimal"),
        Attribute("yes", "boolean"),
        Attribute("day", "date"),
    ]
)
VALUES: dict[str, st.SearchStrategy[Value]] = {
    "word": st.one_of(
        st.text(min_size=1, max_size=5), st.sampled_from(("none", "%6Eone", "a/b", "%2F", "%", "true", "%25"))
    ),
    "number": st.integers(-(10**6), 10**6),
    "weight": st.integers(-400, 400).map(lambda n: n // 2 if n % 2 == 0 else Fraction(n, 2)),
    "yes": st.booleans(),
    "day": st.dates(),
}


@given(st.data(), st.lists(st.sampled_from(sorted(VALUES)), min_size=1, max_size=4, unique=True))
def test_an_address_leads_back_to_its_key_and_no_two_keys_share_one(data: st.DataObject, names: list[str]) -> None:
    parts = [KeyPart(name, band=Fraction(1, 2) if name == "weight" else None, none=True) for name in names]
    drawn = [st.one_of(VALUES[name], st.just(NONE)) for name in names]
    first, second = (tuple(data.draw(value) for value in drawn) for _ in range(2))
    assert key_at(key_address(first), parts, TABLE) == first
    assert (key_address(first) == key_address(second)) == (
        [type(v) for v in first] == [type(v) for v in second] and first == second
    )


@given(st.text(min_size=1, max_size=8))
def test_a_text_is_escaped_as_rfc_3986_escapes(text: str) -> None:
    """RFC 3986, section 2.1: what the standard library decodes is the text again."""
    step = key_address((text,))
    assert "/" not in step
    assert unquote(step) == text
    assert step != "none"


@pytest.mark.parametrize("address", ["none%", "%2f", "%41", "1899", "01", "TRUE", "a/b", ""])
def test_what_is_not_written_as_an_address_is_no_key(address: str) -> None:
    parts, table = [KeyPart("number", band=10)], TABLE
    if address in ("none%", "%2f", "%41", "a/b"):
        parts = [KeyPart("word")]
    if address == "TRUE":
        parts = [KeyPart("yes")]
    assert key_at(address, parts, table) is None


def test_keys_in_json_are_values_and_lists_of_values() -> None:
    assert key_as_json((1890,)) == 1890
    assert key_as_json(("penny", NONE, True, date(1990, 1, 2))) == ["penny", {"none": True}, True, "1990-01-02"]


def test_a_place_of_an_open_group_may_be_pinned_before_a_coin_shows_its_key() -> None:
    known = KnownPlaces(a_measurement(group(["mint", DECADES]), []))
    assert known.has("g/Tower/1890")
    assert known.has("g/a%2Fb/1890")
    for wrong in ("g/Tower", "g/Tower/1893", "g/Tower/old", "g/a/b/1890", "g", "g/"):
        assert not known.has(wrong), wrong
    assert known.fault("g/Tower/1893", "/place")[0].code == "unknown-place"


def test_a_constraint_may_name_a_place_by_its_address() -> None:
    document = group("mint", {"from": "list", "values": ["a/b", {"none": True}]})
    rule = {"id": "r", "kind": "same", "by": ["grade"], "places": ["g/a%2Fb", "g/none"]}
    assert read_definition({**document, "constraints": [rule]}, vocabularies=VOCABULARIES).constraints[0].places == (
        "g/a%2Fb",
        "g/none",
    )

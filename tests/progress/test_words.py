"""Labels and notes of places, groups, rules over several places and pages (rules.md, section 10), in every answer that names
them."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Invalid
from service.progress.costs import costs_of_decisions, prices_of_rules
from service.progress.explain import explain
from service.progress.want_list import as_csv, as_text, want_list
from service.progress.whatif import Evaluated
from service.rules.document import read_definition
from service.rules.wording import describe_definition
from tests.factories import OUTSIDE, a_document, a_holding, a_measurement, as_sent, measured

STORY = "Bought at a fair.\nTwo lines."
WORDS: dict[str, Any] = {
    "slots": [
        {"id": "a", "label": "First tower", "note": STORY, "accepts": "mint = 'Tower'"},
        {"id": "b", "accepts": "mint = 'Tower'", "note": "plain"},
    ],
    "one_per": [
        {
            "id": "years",
            "label": "Dates",
            "note": "a date each",
            "attribute": "year_on_coin",
            "keys": {"from": "list", "values": [1900, 1901]},
        },
        {"id": "kinds", "label": "A {key}", "attribute": "species", "keys": {"from": "list", "values": ["owl"]}},
    ],
    "free_choice": [
        {"id": "any", "label": "Any two", "note": "yours", "places": 2, "accepts": "grade > 0", "distinct": ["mint"]}
    ],
    "constraints": [
        {
            "id": "apart",
            "label": "No two of a year",
            "note": "as the club has it",
            "kind": "different",
            "by": ["year_on_coin"],
        },
        {
            "id": "goal",
            "label": "One fine coin",
            "note": "a wish",
            "kind": "at_least",
            "where": "grade >= 60",
            "count": 1,
        },
        {"id": "bare", "kind": "at_most", "per": ["mint"], "count": 9},
    ],
    "layout": [
        {"page": "One", "label": "The towers", "note": "faces left", "slots": ["a", "b"]},
        {"page": "Two", "slots": []},
    ],
}
COINS = [
    a_holding("h1", mint="Tower", year_on_coin=1899, grade=20),
    a_holding("h2", mint="Tower", year_on_coin=1899, grade=20),
]


def a_set(**more: Any) -> dict[str, Any]:
    return a_document() | WORDS | more


def notes_of(found: list[dict[str, Any]]) -> list[Any]:
    return [(entry["label"], entry.get("note")) for entry in found]


def test_every_place_group_and_page_of_the_result_has_its_label_and_its_note() -> None:
    result = measured(a_set(), COINS)
    assert notes_of(result["slots"]) == [("First tower", STORY), ("b", "plain")]
    assert notes_of(result["one_per"]) == [("Dates", "a date each"), ("kinds", None)]
    assert notes_of(result["one_per"][0]["places"]) == [
        ("Dates (1900)", "a date each"),
        ("Dates (1901)", "a date each"),
    ]
    assert notes_of(result["one_per"][1]["places"]) == [("A owl", None)]
    assert notes_of(result["free_choice"]) == [("Any two", "yours")]
    assert notes_of(result["free_choice"][0]["places"]) == [("Any two", "yours")] * 2
    assert notes_of(result["pages"]) == [("The towers", "faces left"), ("Two", None)]
    assert [page["page"] for page in result["pages"]] == ["One", "Two"]
    assert notes_of(result["goals"]) == [("One fine coin", "a wish")]


def test_a_rule_that_keeps_places_empty_is_told_by_its_label() -> None:
    [conflict] = [one for one in measured(a_set(), COINS)["conflicts"] if one["kind"] == "constraint"]
    assert (conflict["constraint"], conflict["label"], conflict["note"]) == (
        "apart",
        "No two of a year",
        "as the club has it",
    )
    assert conflict["message"].startswith("Rule 'No two of a year' keeps ")
    bare = measured(a_set(constraints=[{"id": "bare", "kind": "different", "by": ["mint"]}]), COINS)["conflicts"]
    [conflict] = [one for one in bare if one["kind"] == "constraint"]
    assert conflict["label"] == "bare" and "note" not in conflict


def test_a_rule_of_a_free_choice_is_called_by_the_label_of_the_choice() -> None:
    choice = WORDS["free_choice"]
    [conflict] = [
        one
        for one in measured(a_set(slots=[], one_per=[], constraints=[], layout=[], free_choice=choice), COINS)[
            "conflicts"
        ]
        if one["kind"] == "constraint"
    ]
    assert conflict["constraint"] == "any/distinct"
    assert conflict["label"] == "Any two: different mint"


def test_explanations_want_lists_costs_and_prices_name_by_label_too() -> None:
    request = a_measurement(a_set(), COINS, pins=[("h1", "b"), ("h2", "years")])
    told = as_sent(explain(request, request.holdings[0], None))["places"]
    assert ("First tower", STORY) in notes_of(told) and ("Any two", "yours") in notes_of(told)
    wants = want_list(request)
    said = {line.place: line.author_note for line in (*wants.wanted, *wants.kept_empty, *wants.weakest)}
    assert said["years/1900"] == "a date each"
    assert "author_note" in as_csv(wants).splitlines()[0].split(",")
    assert "a date each" in " ".join(as_text(wants).split())
    evaluated = Evaluated(request)
    assert [cost.label for cost in costs_of_decisions(evaluated)] == ["b", "Dates"]
    assert [price.label for price in prices_of_rules(evaluated)] == [
        "Any two: different mint",
        "No two of a year",
        "One fine coin",
        "bare",
    ]
    sentences = describe_definition(request.definition)
    [rule] = [line for line in sentences if line.startswith("Over the whole set ('No two of a year'): ")]
    assert rule.endswith(" Note: as the club has it")
    assert [line for line in sentences if line.endswith(". Note: Bought at a fair. Two lines.")]
    assert [line for line in sentences if line.endswith(". Note: a date each")]
    assert [line for line in sentences if line.endswith(". Note: yours")]


def test_a_pin_on_a_group_is_told_by_the_label_of_the_group() -> None:
    result = measured(a_set(), COINS, pins=[("h1", "years")])
    [pin] = [one for one in result["conflicts"] if one["kind"] == "pin"]
    assert pin["label"] == "Dates"
    assert "'Dates'" in pin["message"]


def test_a_long_label_is_whole_in_the_answer_and_short_in_messages() -> None:
    long = "tower " * 600
    document = a_document({}) | {"slots": [{"id": n, "label": long, "accepts": "mint = 'Tower'"} for n in "ab"]}
    result = measured(document, COINS[:1])
    assert result["slots"][0]["label"] == long
    [conflict] = result["conflicts"]
    assert len(conflict["message"]) < 600 and "\N{HORIZONTAL ELLIPSIS}" in conflict["message"]


@pytest.mark.parametrize(
    "at", ["/slots/0", "/one_per/0", "/free_choice/0", "/constraints/0", "/layout/0", "/constraints/1", "/slots/1"]
)
@pytest.mark.parametrize("member", ["label", "note"])
def test_words_are_texts_of_4000_characters_at_most(at: str, member: str) -> None:
    _, kind, number = at.split("/")

    def with_words(words: Any) -> dict[str, Any]:
        entries = [dict(entry) for entry in WORDS[kind]]
        entries[int(number)][member] = words
        return a_set(**{kind: entries})

    assert read_definition(with_words("\N{OWL}" * 4_000), vocabularies=OUTSIDE.vocabularies).slots
    for wrong in ("x" * 4_001, 5, None):
        with pytest.raises(Invalid) as refused:
            read_definition(with_words(wrong), vocabularies=OUTSIDE.vocabularies)
        assert [fault.pointer for fault in refused.value.faults] == [f"{at}/{member}"]

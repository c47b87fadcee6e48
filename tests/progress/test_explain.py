"""One coin against all places: the closest first, and three lines of text."""

from __future__ import annotations

from typing import Any

import pytest

from service.progress.explain import explain, explanation_text
from tests.factories import a_document, a_holding, a_measurement, as_sent

SLOTS = {
    "far": "denomination = 'crown' AND year_on_coin < 1800",
    "near": "denomination = 'penny' AND year_on_coin < 1900",
    "perhaps": "denomination = 'penny' AND fineness >= 0.925",
    "sure": "denomination = 'penny'",
}


def explained(slots: dict[str, str], coin: dict[str, Any]) -> tuple[list[tuple[str, str]], list[str]]:
    """The places with their verdicts in the order of the answer, and the lines of the text."""
    request = a_measurement(a_document(slots), [coin])
    found = explain(request, request.holdings[0], None)
    places = [(place["place"], place["verdict"]) for place in as_sent(found)["places"]]
    return places, explanation_text(found).splitlines()


def test_the_closest_place_is_first() -> None:
    places, lines = explained(SLOTS, {**a_holding("c", denomination="penny", year_on_coin=1950), "number": "8"})
    assert places == [("sure", "yes"), ("perhaps", "undecided"), ("near", "no"), ("far", "no")]
    assert lines[0] == "No. 8 (1950 penny) fits 'sure'."
    assert lines[1].startswith("To check for 'perhaps': fineness (")
    assert lines[2:] == ["Fits: 1. May fit: 1. Does not fit: 2."]


@pytest.mark.parametrize(
    ("names", "lines"),
    [
        (
            ["sure"],
            [
                "1950 penny fits 'sure'.",
                "There is no other place to compare it with.",
                "Fits: 1. May fit: 0. Does not fit: 0.",
            ],
        ),
        (
            ["far", "near"],
            [
                "1950 penny fits no place of the set.",
                "Closest place that it does not fit: 'near'; it needs year on the coin before 1900.",
                "Fits: 0. May fit: 0. Does not fit: 2.",
            ],
        ),
    ],
)
def test_a_text_has_three_lines(names: list[str], lines: list[str]) -> None:
    slots = {name: SLOTS[name] for name in names}
    assert explained(slots, a_holding("c", denomination="penny", year_on_coin=1950))[1] == lines


def test_equally_close_places_stay_in_the_order_of_the_document() -> None:
    slots = {"b": "grade >= 60", "a": "grade >= 50", "c": "grade >= 40 AND year_on_coin < 1800"}
    places, _ = explained(slots, a_holding("c", grade=20, year_on_coin=1900))
    assert [place for place, _ in places] == ["b", "a", "c"]

"""Texts that tell patterns apart: what the search costs is counted in steps, and grows as documented."""

from __future__ import annotations

import re
from string import ascii_lowercase

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analysis import questions
from service.analysis.findings import check_definition
from service.rules import text_samples
from service.rules.document import read_definition
from service.rules.text import matches_pattern, pattern_pieces
from service.rules.text_samples import MOST_STEPS, sample_texts
from tests.factories import AROUND

Test = tuple[str, tuple[str, ...], str]


def steps_of(*patterns: str) -> int:
    return sample_texts([("like", (), pattern) for pattern in patterns]).steps


@given(st.text("ab%_\\", max_size=12), st.text("ab%", max_size=8))
def test_a_pattern_is_read_as_the_standard_library_would(pattern: str, text: str) -> None:
    parts = {("%", False): ".*", ("_", False): "."}
    expression = "".join(parts.get(piece, re.escape(piece[0])) for piece in pattern_pieces(pattern))
    assert matches_pattern(text, pattern) is (re.fullmatch(expression, text, re.DOTALL) is not None)


@given(st.lists(st.text("ab%_", max_size=6), min_size=1, max_size=3))
def test_every_combination_of_answers_that_some_text_gives_has_a_text(patterns: list[str]) -> None:
    from itertools import product

    found = sample_texts([("like", (), pattern) for pattern in patterns]).texts
    assert found is not None
    shown = {tuple(matches_pattern(text, pattern) for pattern in patterns) for text in found}
    tried = ("".join(text) for length in range(5) for text in product("abz", repeat=length))
    assert {tuple(matches_pattern(text, pattern) for pattern in patterns) for text in tried} <= shown


@pytest.mark.parametrize("piece", ["%a", "%a_", "a%_b"])
def test_doubling_a_pattern_doubles_the_steps(piece: str) -> None:
    once, twice = steps_of(piece * 100), steps_of(piece * 200)
    assert twice <= 2.1 * once


def test_patterns_that_are_one_written_otherwise_are_searched_once() -> None:
    assert steps_of("%a%__", "%a_%_", "%a__%") == steps_of("%a%__")


def test_past_its_steps_a_search_claims_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    patterns = [f"%{letter}____" for letter in ascii_lowercase[:20]]
    tests: list[Test] = [("like", (), pattern) for pattern in patterns]
    steps_each = 20 * 30
    bounded = sample_texts(tests)
    assert bounded.texts is None
    assert bounded.steps <= MOST_STEPS + steps_each
    # The control: without the bounds the same search goes on.
    monkeypatch.setattr(text_samples, "MOST_STEPS", 4 * MOST_STEPS)
    monkeypatch.setattr(text_samples, "_MOST_STATES", 10**9)
    text_samples._searched.cache_clear()
    assert sample_texts(tests).steps > 2 * MOST_STEPS
    text_samples._searched.cache_clear()


def checked(rules: list[str]) -> list[str]:
    document = {
        "format": "set-definition/1",
        "title": "Patterns",
        "attributes": [{"name": "motto", "type": "text"}],
        "slots": [{"id": f"slot-{n}", "accepts": rule} for n, rule in enumerate(rules)],
    }
    return [found.code for found in check_definition(read_definition(document, vocabularies={}), {}, AROUND.today)]


def hostile(places: int) -> list[str]:
    letters = ascii_lowercase
    return [f"motto LIKE '{f'%{letters[n % 26]}{letters[n // 26]}_' * 200}'" for n in range(places)]


def test_a_check_of_many_long_patterns_stops_at_its_budget_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(questions, "_MOST_WORK", 300_000)
    counted: list[int] = []
    asked = questions.Questions.ask

    def ask(self: questions.Questions, *wanted: questions.WantedVerdict) -> object:
        found = asked(self, *wanted)
        counted.append(self.work)
        return found

    monkeypatch.setattr(questions.Questions, "ask", ask)
    assert "limit" in checked(hostile(12))
    bounded = counted[-1]
    # One question may go past it, and what one may cost is bounded by itself.
    assert bounded <= 300_000 + MOST_STEPS
    counted.clear()
    # The control: with the budget off the same check goes on to the last pair.
    monkeypatch.setattr(questions, "_MOST_WORK", 10**12)
    checked(hostile(12))
    assert counted[-1] > 2 * bounded

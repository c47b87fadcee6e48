"""Rules of one shape are read as each of them is by itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.rules.cql2 import shapes
from service.rules.cql2.expression import parse
from service.rules.cql2.json import Json
from service.rules.cql2.scan import Position
from service.rules.cql2.shapes import read_alike
from service.rules.cql2.text import read_text
from tests.strategies import examples, rules

Reader = Callable[[str], tuple[Json, Mapping[str, Position]]]
PIECES = st.sampled_from(
    [
        *(
            "a",
            "year",
            "date",
            "DATE",
            "a1",
            "casei",
            "f",
            "NOT",
            "AND",
            "or",
            "IN",
            "BETWEEN",
            "LIKE",
            "IS NULL",
            "div",
        ),
        *("(", ")", "(", ")", ",", "=", "<>", "<=", " ", " ", " ", "\n", "-", "+", "*", ".", "1.5", "1e3", "true"),
        *("1", "1899", "007", "999999999999999", "9999999999999999", "99999999999999999999", "'x'", "'King''s'", "''"),
        *("'text no. 0'", "900000000000000", "'a\\b'", "'2020-01-31'", "'x%'", "'ö'", "'", '"a"', "1a", "a.b", ":"),
    ]
)


def told(reader: Reader, text: str) -> object:
    """All that it says of the text, in order and with the types of values."""
    try:
        tree, positions = reader(text)
    except Invalid as refusal:
        return type(refusal), refusal.faults
    return repr(tree), list(positions.items())


@settings(database=None, max_examples=examples(500))
@given(rules(), st.data())
def test_rules_of_one_shape(rule: Json, data: st.DataObject) -> None:
    text = parse(rule).text
    assert told(read_alike, text) == told(read_text, text)
    # Another value, or another text altogether.
    at, piece = data.draw(st.integers(0, len(text))), data.draw(PIECES)
    until = data.draw(st.integers(at, min(len(text), at + 6)))
    changed = f"{text[:at]}{piece}{text[until:]}"
    assert told(read_alike, changed) == told(read_text, changed)


@settings(database=None, max_examples=examples(1_000))
@given(st.lists(PIECES, max_size=12))
@example(["a", "=", "DATE", "(", "'2020-01-31'", ")"])
@example(["a", "IN", "(", "1899", ",", "'x'", ",", "1", ")"])
@example(["a", "=", "'x'", "'x'"])
def test_any_pieces(pieces: list[str]) -> None:
    text = "".join(pieces)
    assert told(read_alike, text) == told(read_text, text)


def test_a_shape_is_parsed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []

    def counted(text: str) -> tuple[Json, Mapping[str, Position]]:
        seen.append(text)
        return read_text(text)

    shapes._shape.cache_clear()
    monkeypatch.setattr(shapes, "read_text", counted)
    texts = [
        f"issuer = 'G{n}' AND (year BETWEEN {n} AND {n}00 OR NOT a_contains(problems, ('holed')))" for n in range(20)
    ]
    found = [told(read_alike, text) for text in texts]
    assert len(seen) == 1
    assert found == [told(read_text, text) for text in texts]


@pytest.mark.parametrize("text", ["a = DATE('2020-01-31')", "a = -1", "a = 1.0", "a =\n1", "a = 'it''s'", 'a = "b"'])
def test_values_that_decide_more_are_read_in_full(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    read = told(read_text, text)

    def counted(text: str) -> tuple[Json, Mapping[str, Position]]:
        seen.append(text)
        return read_text(text)

    monkeypatch.setattr(shapes, "read_text", counted)
    assert told(read_alike, text) == read
    assert text in seen

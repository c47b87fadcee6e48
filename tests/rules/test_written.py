"""A document written as YAML is the same when it is read again."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from service.formats.strict_json import parse_json, parse_yaml
from service.rules.document import document_digest
from service.rules.yaml_text import as_yaml
from tests.strategies import examples

SETS = Path(__file__).resolve().parents[2] / "set_definitions"

# NUL and half surrogates are refused on the way in.
TEXTS = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=30)
PUZZLES = st.sampled_from(
    [
        "no",
        "1e5",
        "1_000",
        "0x1f",
        "2026-11-25",
        "~",
        "",
        " a",
        "a ",
        "a: b",
        "- a",
        "#a",
        "a #b",
        "1:30",
        "<<",
        "=",
        "*a",
        "&a",
    ]
)
NUMBERS = st.integers(-(2**53), 2**53) | st.decimals(
    allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=4
)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | TEXTS | PUZZLES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS | PUZZLES, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=examples(100), deadline=None)
@given(VALUES)
def test_it_reads_back_to_the_same(value: Any) -> None:
    document = {"a": value}
    assert parse_yaml(as_yaml(document).encode()) == document


def test_the_usual_writer_would_not_do() -> None:
    # The control: what YAML 1.1 writes as a plain text is a number to this service's reader.
    document = {"a": "1e5"}
    assert parse_yaml(yaml.safe_dump(document).encode()) != document
    assert parse_yaml(as_yaml(document).encode()) == document


def test_decimals_keep_their_digits() -> None:
    for number in ("1.50", "0.000001", "123456789.125"):
        assert str(parse_yaml(as_yaml({"a": Decimal(number)}).encode())["a"]) == number


@pytest.mark.parametrize("path", sorted(SETS.glob("*.definition.*")), ids=lambda path: path.name)
def test_a_set_definition_keeps_its_digest(path: Path) -> None:
    raw = path.read_bytes()
    document = parse_yaml(raw) if path.suffix == ".yaml" else parse_json(raw)
    written = as_yaml(document)
    assert document_digest(parse_yaml(written.encode())) == document_digest(document)
    assert "title: " in written.splitlines()[1]

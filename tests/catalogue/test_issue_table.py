"""Issues written as CSV and read back: nothing is lost, whatever the texts."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.database.types import read_back, written
from service.errors import Invalid
from service.facts.core_attributes import CORE
from service.formats.shapes import read
from service.formats.strict_json import plain_text
from service.reference import actions as reference
from service.reference.issue_table import read_sheet, write_sheet
from service.reference.model import ImportedIssue, Issue, says_the_same
from tests.strategies import examples

LETTERS = st.characters(exclude_categories=["Cs"], exclude_characters="\0")
TEXTS = st.text(LETTERS, max_size=12) | st.sampled_from(
    ["-", "=1+1", " a", "a;b", '"', "{", "[]", "1", "true", "\r", "\n", ""]
)
NAMES = st.from_regex(r"[a-zA-Z0-9][^/;\x00-\x1f\s]{0,8}", fullmatch=True).filter(str.isprintable)
LABELS = TEXTS.filter(lambda text: text != "")
NUMBERS = st.integers(1, 70) | st.decimals("0.01", "99", places=2, allow_nan=False)
TERMS = st.lists(TEXTS, max_size=4)

VALUES: dict[str, st.SearchStrategy[Any]] = {
    "mint": TEXTS | st.builds(lambda values: {"one_of": values}, st.lists(TEXTS, min_size=1, max_size=3)),
    "diameter": NUMBERS | st.builds(lambda low: {"from": low}, NUMBERS),
    "year_on_coin": st.integers(-500, 2100),
    "commemorative": st.booleans(),
    "tender_from": st.dates().map(str),
    "motifs": TERMS | TEXTS,
    # Nobody declared these; two bear the names of other columns.
    "shelf": TEXTS | NUMBERS | st.booleans() | TERMS,
    "label": TEXTS,
    "facts.id": NUMBERS,
}
FACTS = st.fixed_dictionaries({}, optional={name: st.just({"none": True}) | made for name, made in VALUES.items()})


@st.composite
def issues(draw: st.DrawFn) -> Issue:
    look_alikes = tuple(draw(st.lists(NAMES, max_size=3, unique=True)))
    return Issue(draw(NAMES), draw(LABELS), draw(FACTS), look_alikes, draw(LABELS), draw(LABELS))


def read_again(sheet: str) -> list[Issue]:
    rows = read_sheet(plain_text(sheet.encode()), CORE, most=100)
    assert [row.faults for row in rows] == [[] for _ in rows]
    return [
        Issue(v["id"], v["label"], v["facts"], tuple(v.get("look_alikes", ())), v["source"], v["edition"])
        for v in (row.value for row in rows)
    ]


@settings(max_examples=examples(40))
@given(st.lists(issues(), max_size=3))
def test_a_sheet_read_again_says_the_same(sent: list[Issue]) -> None:
    found = read_again(write_sheet(sent, CORE))
    assert len(found) == len(sent)
    for one, other in zip(found, sent, strict=True):
        assert says_the_same(one, other), (one, other)


@settings(max_examples=examples(40))
@given(issues())
def test_no_cell_of_a_sheet_is_a_formula(issue: Issue) -> None:
    for cells in csv.reader(io.StringIO(write_sheet([issue], CORE), newline="")):
        for cell in cells:
            # A hyphen alone and a negative number are none.
            assert cell[:1] not in ("=", "+", "@", "\t", "\r")
            assert cell[:1] != "-" or cell == "-" or cell[1:2].isdigit()


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (1, True, False),
        (0, False, False),
        (True, True, True),
        (1, 1, True),
        (["a"], ["a", "b"], False),
        ([1], [True], False),
    ],
)
def test_facts_say_the_same_by_value_and_truth_is_no_number(one: Any, other: Any, same: bool) -> None:
    first, second = (Issue("i", "An issue", {"fact": value}, (), "a register", "first") for value in (one, other))
    assert says_the_same(first, second) is same
    assert says_the_same(second, first) is same


def test_the_shipped_catalogue_read_again_says_the_same() -> None:
    shipped = list(reference.shipped_issues().values())
    rows = read_sheet(write_sheet(shipped, CORE), CORE, most=len(shipped))
    for row, issue in zip(rows, shipped, strict=True):
        value = read(ImportedIssue, row.value)
        again = Issue(
            value.id, value.label, value.facts, tuple(value.look_alikes), value.source or "", value.edition or ""
        )
        assert says_the_same(again, issue), issue


def test_what_was_kept_says_the_same_as_what_was_sent() -> None:
    facts = {"diameter": Decimal("2.50"), "restrike": True, "motifs": ["ship"]}
    issue = Issue("a", "A", facts, (), "s", "e")
    assert says_the_same(issue, Issue("a", "A", read_back(written(facts)), (), "s", "e"))
    assert says_the_same(issue, Issue("a", "A", {**facts, "diameter": Decimal("2.5")}, (), "s", "e"))
    assert not says_the_same(issue, Issue("a", "A", {**facts, "restrike": 1}, (), "s", "e"))
    assert not says_the_same(issue, Issue("a", "A", {**facts, "motifs": []}, (), "s", "e"))
    assert not says_the_same(issue, Issue("a", "A", facts, ("b",), "s", "e"))


def test_a_file_that_is_not_about_issues_is_refused_with_its_columns() -> None:
    with pytest.raises(Invalid) as refusal:
        read_sheet("name;value\n1;2\n", CORE, most=10)
    first = refusal.value.faults[0]
    assert (first.line, first.column) == (1, 1)

"""The abstract tests of the standard: every filter selects the number of rows that the standard says.

Source: OGC 21-065r2, Common Query Language (CQL2), abstract test suite, from the repository opengeospatial/ogcapi-features
(cql2/standard/abstract_tests); rows from Natural Earth. Where the published count disagrees with the published data
(ogcapi-features issue 1011) the data are followed: `expected_by_the_data`.
"""

from __future__ import annotations

import json
import re
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from service.evaluation.verdicts import judge_view
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import View, read_facts
from service.facts.truth import YES
from service.rules.cql2.expression import parse
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext

FOLDER = Path(__file__).parent.parent / "data" / "cql2"
COUNTS = json.loads((FOLDER / "expected_counts.json").read_text(encoding="utf-8"))
AROUND = EvaluationContext(date(2026, 11, 25), {}, none_as_null=True)


def type_of(values: list[Any]) -> str:
    known = [value for value in values if value is not None]
    if known and set(known) <= {0, 1}:  # the published data are SQLite tables, which keep truth as 0 and 1
        return "boolean"
    if all(isinstance(value, int) for value in known) and known:
        return "integer"
    if all(isinstance(value, int | Decimal) for value in known) and known:
        return "decimal"
    if known and all(re.fullmatch(r"\d{4}-\d\d-\d\d", value) for value in known):
        return "date"
    if known and all(re.match(r"\d{4}-\d\d-\d\dT", value) for value in known):
        return "timestamp"
    return "text"


@cache
def table(name: str) -> tuple[Attributes, tuple[View, ...]]:
    """The columns as attributes, the rows as coins; what is null is known to be none."""
    rows = json.loads((FOLDER / "data" / f"{name}.rows.json").read_text(encoding="utf-8"), parse_float=Decimal)
    columns = Attributes(Attribute(column, type_of([row[column] for row in rows])) for column in rows[0])
    views = []
    for row in rows:
        raw = {column: in_utc(value, columns[column].type) for column, value in row.items()}
        facts, faults = read_facts(raw, columns, strict=True)
        assert not faults
        views.append(View(facts))
    return columns, tuple(views)


def in_utc(value: Any, kind: str) -> Any:
    """A column's value as a fact: null is known to be none; instants are in UTC, as the filters write them."""
    if value is None:
        return {"none": True}
    if kind == "boolean":
        return bool(value)
    return f"{value}Z" if kind == "timestamp" and not value.endswith("Z") else value


def selected(rule: Any, name: str) -> int:
    columns, views = table(name)
    predicate = bind(parse(rule), columns, {})
    return sum(judge_view(predicate, view, columns, AROUND).verdict is YES for view in views)


@pytest.mark.parametrize("entry", COUNTS, ids=[f"{n}: {entry['filter']}"[:90] for n, entry in enumerate(COUNTS)])
def test_a_filter_of_the_standard_selects_the_rows_that_it_says(entry: dict[str, Any]) -> None:
    expected = entry.get("expected_by_the_data", entry["expected"])
    assert selected(entry["filter"], entry["data_source"]) == expected
    assert selected(parse(entry["filter"]).json, entry["data_source"]) == expected


def test_all_the_filters_are_there_and_they_select_different_numbers() -> None:
    assert len(COUNTS) > 100
    assert len({entry["expected"] for entry in COUNTS}) > 10


def test_without_the_switch_none_is_not_compared_as_null() -> None:
    # The control: NOT of a comparison with NULL is unknown in the standard, and yes here.
    columns, views = table("ne_110m_populated_places_simple")
    predicate = bind(parse("NOT (meganame = 'Tokyo')"), columns, {})
    ours = EvaluationContext(date(2026, 11, 25), {})
    nulls = sum(repr(view.facts["meganame"]).count("NONE") for view in views)
    assert nulls > 0
    plain = sum(judge_view(predicate, view, columns, ours).verdict is YES for view in views)
    assert plain - selected("NOT (meganame = 'Tokyo')", "ne_110m_populated_places_simple") == nulls

"""The examples of the standard itself: OGC 21-065r2, tests/data/cql2 (see the README there)."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from pathlib import Path

import pytest

from service.errors import Invalid
from service.rules.cql2.expression import parse
from service.rules.cql2.json import Json
from service.rules.cql2.text import to_text

DATA = Path(__file__).parents[2] / "data" / "cql2"


def _texts() -> dict[str, str]:
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted((DATA / "text").glob("*.txt"))}


def _trees() -> dict[str, Json]:
    return {
        path.stem: json.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
        for path in sorted((DATA / "json").glob("*.json"))
    }


TEXTS, TREES = _texts(), _trees()
# The operators are upper case in most texts and lower case in JSON.
REFUSED = re.compile(r"\b[ST]_[A-Z]+\b", re.IGNORECASE)
PLAIN_TEXTS = [name for name, text in TEXTS.items() if not REFUSED.search(text)]
PLAIN_TREES = [name for name, tree in TREES.items() if not REFUSED.search(json.dumps(tree, default=str))]
PAIRS = [name for name in PLAIN_TEXTS if name in TREES]
ALTERNATIVES = [
    (name, main) for name in PLAIN_TEXTS if (main := name.partition("-")[0]) != name and {main} & {*TEXTS, *TREES}
]
FILTERS = list(dict.fromkeys(row["filter"] for row in json.loads((DATA / "expected_counts.json").read_text("utf-8"))))


def test_the_examples_are_all_there() -> None:
    assert (len(TEXTS), len(TREES), len(FILTERS)) == (100, 91, 166)
    assert (len(PAIRS), len(ALTERNATIVES)) == (52, 6)
    assert (len(PLAIN_TEXTS), len(PLAIN_TREES)) == (63, 58)


@pytest.mark.parametrize("name", PAIRS)
def test_an_example_means_the_same_as_text_and_as_json(name: str) -> None:
    assert parse(TEXTS[name]).json == parse(TREES[name]).json == TREES[name]


@pytest.mark.parametrize(("name", "main"), ALTERNATIVES)
def test_another_way_to_write_an_example_means_the_same(name: str, main: str) -> None:
    expected = parse(TREES[main]).json if main in TREES else parse(TEXTS[main]).json
    assert parse(TEXTS[name]).json == expected


@pytest.mark.parametrize("name", PLAIN_TEXTS)
def test_an_example_is_written_as_text_that_means_the_same(name: str) -> None:
    tree = parse(TEXTS[name]).json
    assert parse(to_text(tree)).json == tree


@pytest.mark.parametrize("name", PLAIN_TREES)
def test_an_example_in_json_is_written_as_text_that_means_the_same(name: str) -> None:
    read = parse(TREES[name])
    assert parse(read.text).json == read.json == TREES[name]


@pytest.mark.parametrize("name", sorted(set(TEXTS) - set(PLAIN_TEXTS)))
def test_a_spatial_or_temporal_example_is_refused_by_name(name: str) -> None:
    found = REFUSED.search(TEXTS[name])
    assert found is not None
    with pytest.raises(Invalid) as refusal:
        parse(TEXTS[name])
    before = TEXTS[name][: found.start()]
    first = refusal.value.faults[0]
    assert {each.code for each in refusal.value.faults} == {"unsupported"}
    assert found.group().upper() in first.message
    assert (first.line, first.column) == (before.count("\n") + 1, len(before) - before.rfind("\n"))


@pytest.mark.parametrize("name", sorted(set(TREES) - set(PLAIN_TREES)))
def test_a_spatial_or_temporal_example_in_json_is_refused_by_name(name: str) -> None:
    with pytest.raises(Invalid) as refusal:
        parse(TREES[name])
    assert {each.code for each in refusal.value.faults} == {"unsupported"}
    for each in refusal.value.faults:
        assert each.pointer.endswith("/op")
        value = TREES[name]
        for step in each.pointer.split("/")[1:]:
            value = value[int(step)] if isinstance(value, list) else value[step]
        assert REFUSED.fullmatch(value) and value.upper() in each.message


@pytest.mark.parametrize("text", FILTERS)
def test_a_filter_of_the_abstract_tests_is_read_and_written(text: str) -> None:
    tree = parse(text).json
    assert parse(to_text(tree)).json == tree == parse(tree).json

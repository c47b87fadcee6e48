"""Columns of holdings give back what is stored, and changes make the next version of them as reading everything again does."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.accounts.model import State
from service.database.types import read_back
from service.holdings.columns import blocks
from service.holdings.columns.blocks import HeldRow
from service.holdings.columns.held import HoldingColumns
from service.holdings.model import OWN_FIELDS, with_defaults
from tests.holdings.columns.rows import as_stored, collections, held_rows, in_columns
from tests.strategies import examples

MANY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(150))


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Blocks of four rows and more are parted."""
    monkeypatch.setattr(blocks, "_MOST_ROWS", 3)
    yield


@MANY
@given(collections(8), st.integers(1, 4))
def test_columns_give_back_what_is_stored(rows: list[HeldRow], portion: int) -> None:
    held = in_columns(rows, portion)
    stored = [as_stored(row) for row in rows]
    assert list(held) == stored
    # The order of facts is part of an answer.
    assert [list(one.data["facts"]) for one in held] == [list(one.data["facts"]) for one in stored]
    assert list(held.ids) == [one.id for one in stored]
    assert [held.place_of(one.id) for one in stored] == list(range(len(stored)))
    assert held.place_of("coin-x") is None


@MANY
@given(st.data())
@pytest.mark.usefixtures("small_blocks")
def test_a_patched_version_is_the_one_that_is_read_anew(data: st.DataObject) -> None:
    rows = {row[0]: row for row in data.draw(collections())}
    held = in_columns(list(rows.values()), data.draw(st.integers(1, 3)))
    versions = [(held, dict(rows))]
    modseq = 100
    for _ in range(data.draw(st.integers(1, 4))):
        changed = []
        for number in data.draw(st.lists(st.integers(0, 12), min_size=1, max_size=5, unique=True)):
            modseq += 1
            name = f"coin-{number}"
            if name in rows and data.draw(st.booleans()):
                changed.append((name, modseq, rows[name][2], True, *rows.pop(name)[4:]))
            else:
                rows[name] = data.draw(held_rows(name, modseq))
                changed.append(rows[name])
        held = held.patched(State(modseq, "0" * 32), changed)
        versions.append((held, dict(rows)))
    for version, then in versions:
        _assert_same(version, in_columns([then[name] for name in sorted(then)], 2))


def _assert_same(held: HoldingColumns, anew: HoldingColumns) -> None:
    assert list(held) == list(anew)
    assert list(held.ids) == list(anew.ids)
    assert set(held.fact_names) >= set(anew.fact_names)
    for name in held.fact_names:
        assert _values(held, "facts", name) == _values(anew, "facts", name)
    for name in OWN_FIELDS:
        assert _values(held, "own", name) == _values(anew, "own", name)


def _values(held: HoldingColumns, kind: str, name: str) -> list[Any]:
    if kind == "own":
        return [read_back(held.dictionary.own[name].met[code].decode()) for code in held.own(name).tolist()]
    values = held.dictionary.facts.get(name)
    return [None if code == 0 or values is None else values.met[code] for code in held.fact(name).tolist()]


@pytest.mark.parametrize(
    "text",
    [
        '{"quantity": 2, "facts": {"grade": 12.50, "mint": "Tower"}}',
        '{"facts":{"grade":12.50,"mint":"Tower"}}',
        '{"facts":{"mint":{"one_of":["Tower","Royal"]},"issue":"issue-1","grade":12.50}}',
        '{"facts":{"grade":12.50,"mint":"Tower"},"quantity":2,"issue":null}',
        '{"facts":{"grade":12.50,"mint":"Tower"},"quantity":2,"price_paid":{"amount":1,"currency":"EUR"},"issue":null}',
        '{"facts":{"mint":"},\\"issue\\":","grade":12.50},"issue":null,"quantity":2}',
    ],
)
def test_data_in_another_order_of_members_are_read_as_well(text: str) -> None:
    data = read_back(text)
    usual = '{"facts":{"grade":7},"issue":"issue-1"}'
    days = ("2026-11-01", "2026-11-02")
    rows: list[HeldRow] = [(f"coin-{n}", n, n, False, one, *days, "[]") for n, one in enumerate((usual, text))]
    held = in_columns(rows)
    assert dict(held[1].data) == with_defaults(data)
    assert str(held[1].data["facts"]["grade"]) == "12.50"
    assert dict(held[0].data) == with_defaults(read_back(usual))

"""Rules judged together, by what they share, fit the same rows as by a bitmap for each rule."""

from __future__ import annotations

from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.evaluation import columns as columns_module
from service.evaluation import selection
from service.evaluation.attribute_column import AttributeColumn
from service.evaluation.columns import Columns, of_views
from service.facts.knowledge import Among
from service.rules.predicates import Predicate
from tests.evaluation import columns_by_bitmaps
from tests.evaluation.test_columns import CLAUSES, many_facts
from tests.factories import AROUND, a_rule, a_view
from tests.strategies import ATTRIBUTES, examples, op, rules, some_facts

WAYS: dict[str, dict[str, int]] = {
    "over all rows": {},
    "over all rows in small pieces": {"_MOST_CELLS": 16},
    "looked up": {"FEW_ROWS": 0},
    "looked up in small pieces": {"FEW_ROWS": 0, "_MOST_CELLS": 5},
    "sorted": {"FEW_ROWS": 0, "_SORTED_FROM": 1, "_SPARSE": 0},
    "sorted in small pieces": {"FEW_ROWS": 0, "_SORTED_FROM": 1, "_SPARSE": 0, "_MOST_CELLS": 16},
    "most shared first": {"FEW_ROWS": 0, "_BRANCH": 10**9},
}


@st.composite
def alike(draw: st.DrawFn) -> list[Any]:
    """Rules that share parts, as those of one definition do."""
    parts = draw(st.lists(rules(most_names=2), min_size=2, max_size=4))
    chosen = st.lists(st.sampled_from(parts), min_size=1, max_size=3)
    joined = [op("and", *two) if len(two) > 1 else two[0] for two in draw(st.lists(chosen, min_size=1, max_size=5))]
    scope = draw(st.none() | rules(most_names=1))
    return [one if scope is None else op("and", scope, one) for one in joined]


@pytest.mark.parametrize("way", WAYS)
@settings(max_examples=examples(20), deadline=None)
@given(written=alike(), coins=st.lists(some_facts(least_known=6), max_size=10), often=st.integers(1, 3))
def test_rules_judged_together_fit_what_each_fits_alone(
    way: str, written: list[Any], coins: list[dict[str, Any]], often: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        for name, value in WAYS[way].items():
            patch.setattr(selection, name, value)
        agree([a_rule(one) for one in written], coins * often)


def agree(predicates: list[Predicate], coins: list[dict[str, Any]]) -> None:
    views = [a_view(facts) for facts in coins]
    together, alone = of_views(views, ATTRIBUTES, AROUND), of_views(views, ATTRIBUTES, AROUND)
    reference = columns_by_bitmaps.Columns(len(views), alone.column, ATTRIBUTES, AROUND)
    together.prepare(predicates)
    certain, possible = of_views(views, ATTRIBUTES, AROUND).counts(predicates)
    for number, predicate in enumerate(predicates):
        expected = reference.fits(predicate)
        for columns in (together, alone):
            fits = columns.fits(predicate)
            for kind in ("certain", "alternatives", "unknown", "reference"):
                assert getattr(fits, kind).tolist() == getattr(expected, kind).tolist(), kind
            assert columns.count(predicate) == reference.count(predicate)
            fails = reference.fails(predicate)
            assert columns.fails(predicate).tolist() == fails.tolist()
            some = np.arange(0, len(views), 3)
            assert columns.fails(predicate, some).tolist() == fails[some].tolist()
        assert (certain[number], possible[number]) == reference.count(predicate)
        for rows in expected.doubtful().values():
            firsts, kinds = together.in_like_doubt(predicate, rows)
            its_firsts, its_kinds = reference.in_like_doubt(predicate, rows)
            assert (firsts.tolist(), kinds.tolist()) == (its_firsts.tolist(), its_kinds.tolist())


@pytest.mark.parametrize("way", WAYS)
def test_many_coins_fit_what_they_fit_by_bitmaps(way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in WAYS[way].items():
        monkeypatch.setattr(selection, name, value if name != "_MOST_CELLS" else 2_000)
    monkeypatch.setattr(columns_module, "_MOST_GATHERED", 500)
    monkeypatch.setattr(columns_module, "_MOST_MARKS", 3_000)
    chance = Random(way)
    coins = [many_facts(chance) for _ in range(700)]
    written = [rule for rules_of_kind in CLAUSES.values() for rule in rules_of_kind]
    years = [f"year_on_coin = {year} AND mint = 'Tower' AND grade >= 20" for year in range(1880, 1920)]
    spans = [
        f"issuer = '{chance.choice(('AA', 'BB'))}' AND year_on_coin BETWEEN {y} AND {y + 9}" for y in range(1880, 1910)
    ]
    either = [
        f"(mint = 'Soho' AND grade < {n}) OR (year_on_coin > 1900 AND NOT grade < {n + 10})" for n in (10, 30, 50)
    ]
    pairs = [f"({chance.choice(written)}) AND ({chance.choice(written)})" for _ in range(20)]
    agree([a_rule(one) for one in (*written, *years, *spans, *either, *pairs)], coins)


@pytest.mark.parametrize(
    ("entries", "kind"), [(256, np.uint8), (257, np.uint16), (65_536, np.uint16), (65_537, np.uint32)]
)
def test_codes_are_of_the_smallest_type_that_tells_the_entries_apart(entries: int, kind: Any) -> None:
    codes = np.arange(entries)[::-1]
    column = AttributeColumn(codes, [None, *(Among((number,)) for number in range(1, entries))])
    assert column.codes.dtype == kind
    assert column.codes.tolist() == codes.tolist()
    other = AttributeColumn(codes[:3], column.dictionary)
    assert other.entries is column.entries


def test_plans_serve_other_columns_too() -> None:
    rule = a_rule("year_on_coin < 1900 AND mint = 'Tower'")
    first = of_views([a_view({"year_on_coin": 1899, "mint": "Tower"})], ATTRIBUTES, AROUND)
    assert first.count(rule) == (1, 1)
    views = [a_view({"year_on_coin": 1901}), a_view({"mint": "Tower"})]
    column_of = of_views(views, ATTRIBUTES, AROUND).column
    second = Columns(len(views), column_of, ATTRIBUTES, AROUND, first.plans)
    assert second.count(rule) == (0, 1)
    assert second.fits(rule).unknown.tolist() == [1]

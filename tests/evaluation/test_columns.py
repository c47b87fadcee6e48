"""The columns say of every coin what the exact evaluator says of it."""

from __future__ import annotations

from decimal import Decimal
from random import Random
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.evaluation.columns import Columns, of_views
from service.evaluation.table import Table
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.cql2.expression import parse
from service.rules.predicates import Predicate
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_rule, a_view
from tests.strategies import ATTRIBUTES, examples, rules, some_facts


@settings(max_examples=examples(150), deadline=None)
@given(st.lists(rules(), min_size=1, max_size=3), st.lists(some_facts(), min_size=1, max_size=12))
def test_columns_and_the_exact_evaluator_agree(written: list[object], coins: list[dict[str, object]]) -> None:
    views = [a_view(facts) for facts in coins]
    columns, table = of_views(views, ATTRIBUTES, AROUND), Table(ATTRIBUTES, AROUND)
    for one, rule in ((one, a_rule(one)) for one in written):
        told = told_by(columns, rule)
        for row, view in enumerate(views):
            fit = table.fit(rule, (view,))
            said = told.get(row, (NO, None))
            if said == (fit.verdict, fit.doubt):
                continue
            # Past a limit the exact evaluator leaves open what the columns, clause by clause, may still decide: rightly.
            assert fit.limit is not None
            assert fit.verdict is UNDECIDED
            assert said[0] is UNDECIDED or said[0].value == slow_verdict(one, coins[row])
        certain = sum(verdict is YES for verdict, _ in told.values())
        assert columns.count(rule) == (certain, len(told))


def told_by(columns: Columns, rule: Predicate) -> dict[int, tuple[Verdict, str | None]]:
    fits = columns.fits(rule)
    told: dict[int, tuple[Verdict, str | None]] = {int(row): (YES, None) for row in fits.certain}
    return told | {int(row): (UNDECIDED, doubt) for doubt, rows in fits.doubtful().items() for row in rows}


def slow_verdict(rule: Any, facts: dict[str, object]) -> str:
    try:
        return reference.verdict(parse(rule).json, facts, OUTSIDE)
    except reference.TooMany:
        assume(False)
        raise


CLAUSES = {
    "many-valued": (
        "A_CONTAINS(traits, ('big'))",
        "A_CONTAINEDBY(quirks, ('dented', 'dull')) AND count(quirks) > 0",
        "A_OVERLAPS(main_motifs, ('owl', 'tree')) OR count(traits) = 2",
        "NOT A_EQUALS(traits, ('old'))",
    ),
    "vocabulary": (
        "narrower(species, 'bird')",
        "narrower(main_motifs, 'beast') AND NOT narrower(main_motifs, 'owl')",
        "narrower(species, 'animal') OR species = 'tree'",
    ),
    "defunct": ("defunct(issuer)", "NOT defunct(issuer) OR issuer = 'BB'", "defunct(issuer) AND grade >= 20"),
    "joint": (
        "year_on_coin > grade",
        "mint = legend_issuer",
        "year_on_coin < 1900 AND (mint = legend_issuer OR year_on_coin >= 1899)",
    ),
    "read twice": (
        "(year_on_coin < 1900 AND mint = 'Tower') OR (year_on_coin >= 1900 AND mint <> 'Tower')",
        "NOT (grade >= 20 AND (restrike OR grade < 40))",
    ),
    "intervals and texts": (
        "year_on_coin BETWEEN 1899 AND 1901",
        "weight_measured >= 2.5 AND weight_measured < 5.05",
        "tender_from >= DATE('1990-10-03')",
        "mint IN ('Tower', 'Heaton')",
        "mint <> 'Tower'",
        "mint IS NULL OR year_on_coin IS NULL",
    ),
}


@pytest.mark.parametrize("kind", CLAUSES)
@settings(max_examples=examples(40), deadline=None)
@given(coins=st.lists(some_facts(least_known=6), min_size=1, max_size=6))
def test_clauses_of_every_kind_are_judged_as_the_slow_reference_judges_them(
    kind: str, coins: list[dict[str, object]]
) -> None:
    columns = of_views([a_view(facts) for facts in coins], ATTRIBUTES, AROUND)
    for written in CLAUSES[kind]:
        told, tree = told_by(columns, a_rule(written)), parse(written).json
        for row, facts in enumerate(coins):
            verdict = reference.verdict(tree, facts, OUTSIDE)
            found, doubt = told.get(row, (NO, None))
            assert found.value == verdict, (written, facts)
            if verdict == "undecided":
                assert doubt == reference.basis_of(tree, (facts,), OUTSIDE), (written, facts)


@pytest.mark.parametrize("op", ["=", "<>", "<", "<=", ">", ">="])
def test_a_recorded_range_with_one_end_stops_at_the_bound_of_the_attribute(op: str) -> None:
    assert (ATTRIBUTES["grade"].low, ATTRIBUTES["grade"].high) == (1, 70)
    known = [{"to": 1}, {"to": 2}, {"from": 70}, {"from": 1}, {"from": 2, "to": 70}, 1, 70, {"one_of": [1, 70]}]
    columns = of_views([a_view({"grade": one}) for one in known], ATTRIBUTES, AROUND)
    for constant in (1, 2, 69, 70):
        written = f"grade {op} {constant}"
        told = told_by(columns, a_rule(written))
        for row, one in enumerate(known):
            slow = reference.verdict(parse(written).json, {"grade": one}, OUTSIDE)
            assert told.get(row, (NO, None))[0].value == slow, (written, one)


@pytest.mark.parametrize("written", [rule for rules_of_kind in CLAUSES.values() for rule in rules_of_kind])
def test_a_collection_without_coins_has_none_that_fit(written: str) -> None:
    columns = of_views([], ATTRIBUTES, AROUND)
    assert told_by(columns, a_rule(written)) == {}
    assert columns.count(a_rule(written)) == (0, 0)
    assert columns.fails(a_rule(written)).tolist() == []


@pytest.mark.parametrize("rows", [1, 7, 8, 9, 64, 65])
def test_the_last_bits_of_a_byte_are_no_coins(rows: int) -> None:
    columns = of_views([a_view({})] * rows, ATTRIBUTES, AROUND)
    assert sorted(told_by(columns, a_rule("year_on_coin < 1900"))) == list(range(rows))
    assert columns.count(a_rule("NOT year_on_coin < 1900")) == (0, rows)
    assert columns.count(a_rule(True)) == (rows, rows)


def many_facts(chance: Random) -> dict[str, Any]:
    """One coin of a large collection: mostly plain facts, some alternatives and ranges, some nothing."""
    year, grade = chance.randint(1880, 1920), chance.randint(1, 70)
    options: dict[str, tuple[Any, ...]] = {
        "year_on_coin": (year, year, {"one_of": [year, year + 1]}, {"from": year, "to": year + 9}, {"from": year}),
        "grade": (grade, grade, {"from": grade, "to": 70}, {"none": True}),
        "mint": ("Tower", "Heaton", "Soho", {"one_of": ["Tower", "Soho"]}, {"none": True}),
        "species": ("owl", "kiwi", "bird", "griffin", "tree"),
        "main_motifs": ([], ["owl"], ["bird", "tree"], {"one_of": [["owl"], ["tree"]]}),
        "issuer": ("AA", "BB", "CC", "DD"),
        "weight_measured": (Decimal(chance.randint(20, 60)) / 10, {"from": 2, "to": 3}),
        "traits": (["big"], ["big", "old"], []),
        "quirks": (["dented"], ["dull", "dyed"]),
        "restrike": (True, False),
        "legend_issuer": ("Tower", "Heaton"),
        "tender_from": ("1990-10-02", "1990-10-03"),
    }
    return {name: chance.choice(values) for name, values in options.items() if chance.random() < 0.8}


def test_ten_thousand_coins_are_judged_as_the_table_judges_a_sample_of_them() -> None:
    chance = Random(11)
    views = [a_view(many_facts(chance)) for _ in range(10_000)]
    columns, table = of_views(views, ATTRIBUTES, AROUND), Table(ATTRIBUTES, AROUND)
    seen = set()
    for written in (rule for rules_of_kind in CLAUSES.values() for rule in rules_of_kind):
        rule = a_rule(written)
        told, fails = told_by(columns, rule), columns.fails(rule)
        assert not fails[sorted(told)].any()
        assert int(fails.sum()) + len(told) == len(views)
        for row in chance.sample(range(len(views)), 150):
            fit = table.fit(rule, (views[row],))
            assert told.get(row, (NO, None)) == (fit.verdict, fit.doubt), (written, row)
            seen.add((written, fit.verdict))
    assert len(seen) > 2.5 * sum(map(len, CLAUSES.values())), "most rules have coins of every verdict in their sample"


def test_none_that_one_clause_asks_for_is_a_world_of_the_others_too() -> None:
    # `mint` is asked for none once and read once; `mintmark` is read by another clause as well.
    written = "mintmark = 'H' OR mintmark <> 'H' OR (mintmark IS NULL AND mint IS NULL)"
    columns = of_views([a_view({}), a_view({"mintmark": "H"}), a_view({"mint": {"none": True}})], ATTRIBUTES, AROUND)
    told = told_by(columns, a_rule(written))
    assert told == {0: (UNDECIDED, "unknown"), 1: (YES, None), 2: (YES, None)}

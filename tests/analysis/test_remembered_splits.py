"""What is remembered of clauses changes no answer, no example and no count of work."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.analysis import satisfiability
from service.analysis.findings import check_definition
from service.analysis.remembered_splits import RememberedSplits
from service.analysis.satisfiability import WantedVerdict, find_witness
from service.reference import shipped
from service.rules.document import read_definition
from tests.benchmarks.data import TODAY
from tests.benchmarks.servers import a_document
from tests.factories import AROUND, a_rule
from tests.strategies import ATTRIBUTES, NAMES, examples, op, rules

ONE_ATTRIBUTE = st.sampled_from(NAMES).flatmap(lambda name: rules(names=(name,)))


@st.composite
def questions(draw: st.DrawFn) -> list[list[tuple[Any, bool]]]:
    """Several questions about few rules, most of whose clauses read one attribute."""
    parts = draw(st.lists(st.one_of(ONE_ATTRIBUTE, ONE_ATTRIBUTE, ONE_ATTRIBUTE, rules()), min_size=2, max_size=4))
    joined = [op(draw(st.sampled_from(("and", "or"))), one, other) for one in parts for other in parts if one != other]
    asked = st.lists(st.tuples(st.sampled_from([*parts, *joined[:4]]), st.booleans()), min_size=1, max_size=3)
    return draw(st.lists(asked, min_size=1, max_size=4))


@settings(max_examples=examples(150), deadline=None)
@given(asked=questions())
def test_an_answer_is_the_same_with_what_earlier_questions_left(asked: list[list[tuple[Any, bool]]]) -> None:
    remembered = RememberedSplits(ATTRIBUTES, AROUND)
    for question in asked:
        wanted = [WantedVerdict(a_rule(written), fits) for written, fits in question]
        expected = find_witness(wanted, ATTRIBUTES, AROUND)
        assert find_witness(wanted, ATTRIBUTES, AROUND, remembered=remembered) == expected


def test_questions_of_every_answer_are_told_by_what_is_remembered() -> None:
    remembered = RememberedSplits(ATTRIBUTES, AROUND)
    years = [a_rule(f"mint = 'Tower' AND year_on_coin BETWEEN {y} AND {y + 9}") for y in (1880, 1885, 1900)]

    def answer(*wanted: tuple[int, bool]) -> Any:
        found = remembered.search([(years[at], fits) for at, fits in wanted], 300_000)
        assert found is not None, "it is not left to the search without"
        return None if found.values is None else dict(found.values)

    assert answer((0, True), (1, True)) == {"mint": "Tower", "year_on_coin": 1885}
    assert answer((0, True), (2, True)) is None
    assert answer((0, True), (1, False)) == {"mint": "Tower", "year_on_coin": 1880}
    assert remembered.search([(years[0], True)], 3) is None, "past the steps"
    joint = a_rule("year_on_coin > grade")
    assert remembered.search([(joint, True)], 300_000) is None


def test_the_check_of_a_definition_finds_the_same(monkeypatch: Any) -> None:
    definition = read_definition(a_document(60), vocabularies=shipped.vocabularies())
    found = check_definition(definition, {}, TODAY)
    monkeypatch.setattr(satisfiability.RememberedSplits, "search", lambda *_: None)
    assert check_definition(definition, {}, TODAY) == found
    assert {finding.code for finding in found} >= {"overlap"}

"""Facts, holdings and vocabularies as they are read: every fault where it is, and what would be right."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import Invalid
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import check_facts, read_facts, read_holdings
from service.facts.knowledge import knowledge_as_json
from service.facts.truth import NO, UNDECIDED, YES, conjunction, disjunction, negation
from service.facts.vocabulary import Concept, build_vocabulary
from tests.factories import candidate_views, some_knowledge
from tests.strategies import ATTRIBUTES, MOTIFS, NAMES, examples, some_facts


def fault_of(name: str, raw: Any) -> tuple[str, str, str]:
    (fault,) = check_facts({name: raw}, ATTRIBUTES, strict=True)
    return fault.pointer, fault.code, f"{fault.message} {fault.hint or ''}"


@pytest.mark.parametrize(
    ("name", "raw", "pointer", "code", "words"),
    [
        ("finess", 0.9, "/finess", "unknown-attribute", "did you mean 'fineness'?"),
        ("year_on_coin", "1882", "/year_on_coin", "type", "a number"),
        ("year_on_coin", 1882.5, "/year_on_coin", "type", "whole number"),
        ("year_on_coin", True, "/year_on_coin", "type", "true or false"),
        ("year_on_coin", None, "/year_on_coin", "null", '{"none": true}'),
        ("year_on_coin", [1882], "/year_on_coin", "type", "a list"),
        ("year_on_coin", {"one_of": []}, "/year_on_coin/one_of", "empty-alternatives", "at least one"),
        ("year_on_coin", {"one_of": [1882, "1883"]}, "/year_on_coin/one_of/1", "type", "a text"),
        ("year_on_coin", {"one_of": 1882}, "/year_on_coin/one_of", "empty-alternatives", "at least one"),
        ("year_on_coin", {"from": 1890, "to": 1880}, "/year_on_coin", "reversed-range", "backwards"),
        ("year_on_coin", {"from": "x"}, "/year_on_coin/from", "type", "a number"),
        ("year_on_coin", {"from": {"none": True}}, "/year_on_coin/from", "form", "open end"),
        ("year_on_coin", {}, "/year_on_coin", "form", "one_of"),
        ("year_on_coin", {"none": False}, "/year_on_coin", "form", "one_of"),
        ("year_on_coin", {"from": 1880, "till": 1890}, "/year_on_coin", "form", "one_of"),
        ("mint", {"from": "A", "to": "B"}, "/mint", "type", "no range"),
        ("mint", 5, "/mint", "type", "a text"),
        ("mint", "x" * 2_001, "/mint", "over-limit", "2000"),
        ("grade", 71, "/grade", "value", "from 1 to 70"),
        ("grade", 0, "/grade", "value", "from 1 to 70"),
        ("grade", Decimal("NaN"), "/grade", "value", "finite"),
        ("grade", float("inf"), "/grade", "value", "finite"),
        ("weight_measured", Decimal("1E+101"), "/weight_measured", "value", "40 digits"),
        ("strike", "prof", "/strike", "value", "did you mean 'proof'?"),
        ("restrike", "yes", "/restrike", "type", "true or false"),
        ("tender_from", "1990-13-01", "/tender_from", "type", "such as"),
        ("tender_from", "19901001", "/tender_from", "type", "such as"),
        ("problems", "holled", "/problems/0", "value", "'holed'"),
        ("problems", ["holed", 5], "/problems/1", "type", "a text"),
        ("problems", {"one_of": [["holed"], ["holled"]]}, "/problems/one_of/1/0", "value", "'holed'"),
        ("mint", {"has": ["A"], "perhaps": ["B"]}, "/mint", "type", "one_of"),
        ("problems", {"has": ["holed"], "perhaps": ["holled"]}, "/problems/perhaps/0", "value", "'holed'"),
        ("problems", {"has": None, "perhaps": ["holed"]}, "/problems/has", "null", ""),
        ("problems", {"has": {"none": True}, "perhaps": ["holed"]}, "/problems/has", "form", "empty list"),
        ("problems", {"has": {"one_of": [[]]}, "perhaps": ["holed"]}, "/problems/has", "type", "list of texts"),
        ("problems", {"perhaps": ["holed"], "to": 1}, "/problems", "form", '"perhaps"'),
        (
            "traits",
            {"has": [f"t{n}" for n in range(150)], "perhaps": [f"p{n}" for n in range(51)]},
            "/traits/perhaps",
            "over-limit",
            "200",
        ),
        ("a/b~c", 1, "/a~1b~0c", "unknown-attribute", "a/b~c"),
    ],
)
def test_a_fact_of_the_wrong_kind_is_refused_where_it_is(
    name: str, raw: Any, pointer: str, code: str, words: str
) -> None:
    found = fault_of(name, raw)
    assert found[:2] == (pointer, code)
    assert words in found[2]


@pytest.mark.parametrize(
    ("raw", "kept"),
    [
        ({"has": ["b", "a"], "perhaps": ["d", "c", "a"]}, {"has": ["a", "b"], "perhaps": ["c", "d"]}),
        ({"perhaps": ["c"]}, {"has": [], "perhaps": ["c"]}),
        ({"has": ["b", "a"]}, ["a", "b"]),
        ({"has": ["a"], "perhaps": ["a"]}, ["a"]),
        ({"has": [], "perhaps": []}, []),
    ],
)
def test_a_list_of_which_some_is_uncertain_is_kept_in_its_shortest_form(raw: Any, kept: Any) -> None:
    assert knowledge_as_json(some_knowledge({"traits": raw})["traits"]) == kept


@pytest.mark.parametrize("raw", [{"one_of": [1] * 1_001}, {"one_of": list(range(1_001))}])
def test_alternatives_past_the_limit_are_refused(raw: Any) -> None:
    assert fault_of("year_on_coin", raw)[1] == "over-limit"


@pytest.mark.parametrize("name", ["problems", "mint", "year_on_coin", "unheard_of"])
@pytest.mark.parametrize(
    "raw",
    [{"one_of": None}, {"one_of": [{"one_of": [1]}]}, {"one_of": [None]}, {"from": None}, {"from": [], "to": {}}, [[]],
     [None], [{}], {"none": None}, {"none": True, "one_of": []}, {"one_of": {"a": 1}}, {"from": {}}],
)  # fmt: skip
def test_an_odd_form_gives_faults_and_never_a_crash(name: str, raw: Any) -> None:
    assert check_facts({name: raw}, ATTRIBUTES, strict=False)


@settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(300))
@given(some_facts(least_known=7))
def test_a_fact_written_again_is_the_same_fact(facts: dict[str, Any]) -> None:
    known = some_knowledge(facts)
    again = some_knowledge({name: knowledge_as_json(knowledge) for name, knowledge in known.items()})
    assert {n: set(getattr(k, "values", (k,))) for n, k in again.items()} == {
        n: set(getattr(k, "values", (k,))) for n, k in known.items()
    }
    assert set(known) <= set(NAMES)


ODD = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 5) | st.floats() | st.text(max_size=3) | st.just("none"),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(("one_of", "from", "to", "none", "id", "facts", "grade", "x")), inner, max_size=3
        )
    ),
    max_leaves=8,
)


@settings(deadline=None, database=None, max_examples=examples(300))
@given(
    st.dictionaries(st.sampled_from(("grade", "mint", "problems", "restrike", "tender_from", "zzz")), ODD),
    st.booleans(),
)
def test_no_facts_whatever_crash_the_reader(facts: Any, strict: bool) -> None:
    read_facts(facts, ATTRIBUTES, strict=strict)


@settings(deadline=None, database=None, max_examples=examples(300))
@given(
    st.lists(
        st.dictionaries(st.sampled_from(("id", "facts", "issue", "quantity", "status", "note", "grade")), ODD),
        max_size=3,
    )
)
def test_no_holdings_whatever_crash_the_reader(holdings: Any) -> None:
    try:
        read_holdings(holdings, ATTRIBUTES, strict=True)
    except Invalid as refusal:
        assert all(fault.pointer.startswith("/") for fault in refusal.faults)


def test_all_that_is_wrong_with_holdings_comes_at_once() -> None:
    with pytest.raises(Invalid) as refusal:
        read_holdings(
            [
                {"id": "a", "grade": 20, "facts": {"mnt": "x", "grade": 99}},
                {"id": "a", "quantity": 0, "status": "gone", "issue": {"one_of": []}},
                {"facts": []},
                "coin",
            ],
            ATTRIBUTES,
            strict=True,
        )
    found = {fault.pointer: fault.code for fault in refusal.value.faults}
    assert found == {
        "/0/grade": "unknown-field",
        "/0/facts/mnt": "unknown-attribute",
        "/0/facts/grade": "value",
        "/1/quantity": "quantity",
        "/1/status": "status",
        "/1/issue/one_of": "empty-alternatives",
        "/1/id": "clashing-id",
        "/2/id": "id",
        "/2/facts": "type",
        "/3": "type",
    }


@pytest.mark.parametrize("raw", ["0001-01-01T00:00:00+10:00", "9999-12-31T23:59:59-10:00", "2026-11-25T10:00:00"])
def test_an_instant_that_has_no_moment_in_utc_is_refused(raw: str) -> None:
    declared = Attributes([Attribute("seen_at", "timestamp")])
    (fault,) = check_facts({"seen_at": raw}, declared, strict=True)
    assert (fault.pointer, fault.code) == ("/seen_at", "type")


def test_the_facts_of_an_issue_stand_behind_the_holdings_own() -> None:
    (holding,) = read_holdings(
        [{"id": "a", "facts": {"mint": "Tower"}, "issue": {"one_of": ["x", "y"]}}], ATTRIBUTES, strict=True
    )
    catalogue = {
        "x": some_knowledge({"mint": "Heaton", "year_on_coin": 1882}),
        "y": some_knowledge({"year_on_coin": 1883}),
    }
    first, second = candidate_views(holding, catalogue)
    assert {name: knowledge_as_json(fact) for name, fact in first.facts.items()} == {
        "mint": "Tower",
        "year_on_coin": 1882,
    }
    assert (first.source_of("mint"), first.source_of("year_on_coin")) == ("holding", "issue")
    assert knowledge_as_json(second.facts["year_on_coin"]) == 1883


# --- vocabularies ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("concepts", "pointer", "code"),
    [
        ([Concept("a", "a", ("b",)), Concept("b", "b", ("a",))], "/concepts/0/broader", "circle"),
        ([Concept("a", "a", ("a",))], "/concepts/0/broader", "circle"),
        (
            [Concept("z", "z"), Concept("a", "a", ("b",)), Concept("b", "b", ("c",)), Concept("c", "c", ("a",))],
            "/concepts/1/broader",
            "circle",
        ),
        ([Concept("a", "a", ("nowhere",))], "/concepts/0/broader/0", "unknown-term"),
        ([Concept("a", "a"), Concept("a", "again")], "/concepts/1/id", "clashing-id"),
    ],
)
def test_a_vocabulary_that_is_no_order_is_refused(concepts: list[Concept], pointer: str, code: str) -> None:
    with pytest.raises(Invalid) as refusal:
        build_vocabulary("v", concepts)
    assert [(fault.pointer, fault.code) for fault in refusal.value.faults] == [(pointer, code)]


@settings(deadline=None, database=None, max_examples=examples(200))
@given(st.lists(st.sets(st.integers(0, 7), max_size=3), min_size=1, max_size=8))
def test_above_and_below_are_what_walking_the_links_finds(links: list[set[int]]) -> None:
    concepts = [Concept(str(n), str(n), tuple(str(up) for up in sorted(ups) if up < n)) for n, ups in enumerate(links)]
    made = build_vocabulary("v", concepts)

    def walk(term: str) -> set[str]:
        return {upper for up in made.concepts[term].broader for upper in (up, *walk(up))}

    for term in made.concepts:
        assert made.above[term] == walk(term)
        assert made.below[term] == {lower for lower in made.concepts if term in walk(lower)}


def test_a_concept_may_stand_below_two() -> None:
    assert MOTIFS.is_at_or_below("griffin", "bird")
    assert MOTIFS.is_at_or_below("griffin", "beast")
    assert not MOTIFS.is_at_or_below("bird", "griffin")


# --- truth -------------------------------------------------------------------------------------------------------------


def test_kleenes_tables_are_right() -> None:
    # S. C. Kleene, Introduction to Metamathematics (1952), section 64: with no < undecided < yes, and is the lesser of two,
    # or the greater, not turns the order round.
    order = [NO, UNDECIDED, YES]
    for a in order:
        assert order.index(negation(a)) == 2 - order.index(a)
        for b in order:
            assert conjunction((a, b)) is order[min(order.index(a), order.index(b))]
            assert disjunction((a, b)) is order[max(order.index(a), order.index(b))]


def test_a_verdict_is_never_taken_for_true_or_false() -> None:
    with pytest.raises(TypeError):
        bool(YES)

"""Verdicts against the slow reference, and the promises about them (rules.md section 3)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.evaluation.verdicts import BUDGET, NO_CUTS, Case, Judgement, judge_view, plain_verdict
from service.facts.knowledge import NONE
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules import partitions
from service.rules.cql2.expression import parse
from service.rules.cuts import Compared, Cut
from service.rules.labels import Labels
from service.rules.predicates import (
    And,
    Comparison,
    EvaluationContext,
    Leaf,
    Not,
    Or,
    Predicate,
    kleene_verdict,
    leaves,
    reads,
)
from service.rules.terms import Const, Ref, World
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_case, a_rule, a_view, judged, verdict_of
from tests.strategies import ATTRIBUTES, NAMES, a_fact, examples, rules, some_facts


@dataclass(frozen=True, slots=True)
class Planted(Leaf):
    """Another clause that gives no cuts, or, with `given`, those that it is told to give."""

    leaf: Leaf
    given: tuple[Cut, ...] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.leaf.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        return self.leaf.holds(world, context)

    def cuts(self) -> tuple[Cut, ...] | None:
        return self.given

    def words(self, labels: Labels) -> str:
        return "planted"


def planted_in(rule: Predicate, number: int) -> Predicate:
    """The rule with one of its leaves, by number, replaced by one that gives no cuts."""
    chosen = leaves(rule)[number % len(leaves(rule))]

    def replaced(node: Predicate) -> Predicate:
        if isinstance(node, Not):
            return Not(replaced(node.item))
        if isinstance(node, And | Or):
            return type(node)(tuple(replaced(item) for item in node.items))
        return Planted(node) if node == chosen else node

    return replaced(rule)


QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
MANY = settings(QUIETLY, max_examples=examples(240))
SOME = settings(QUIETLY, max_examples=examples(120))


def expected(rule: Any, facts: dict[str, Any]) -> str:
    try:
        return reference.verdict(parse(rule).json, facts, OUTSIDE)
    except reference.TooMany:
        assume(False)
        raise


@MANY
@given(rules(), some_facts())
def test_the_verdict_is_that_of_all_worlds(rule: Any, facts: dict[str, Any]) -> None:
    judgement = judged(rule, facts)
    if judgement.limit is not None:
        assert judgement.verdict is UNDECIDED
    else:
        assert judgement.verdict.value == expected(rule, facts)


@SOME
@given(rules(), some_facts(), st.integers(0, 8))
def test_a_leaf_without_cuts_never_makes_a_verdict_wrong(rule: Any, facts: dict[str, Any], number: int) -> None:
    found = judge_view(planted_in(a_rule(rule), number), a_view(facts), ATTRIBUTES, AROUND).verdict
    assert found is UNDECIDED or found.value == expected(rule, facts)


EXACT_WEIGHT = Planted(Comparison("=", Ref("weight_measured"), Const(Fraction("5.05"))))


@pytest.mark.parametrize(
    ("facts", "judgement"),
    [
        ({}, Judgement(UNDECIDED, NO_CUTS)),
        ({"weight_measured": {"from": 3, "to": 6}}, Judgement(UNDECIDED, NO_CUTS)),
        ({"weight_measured": {"one_of": [Decimal("5.05"), 3]}}, Judgement(UNDECIDED)),
        ({"weight_measured": {"one_of": [2, 4]}}, Judgement(NO)),
        ({"weight_measured": Decimal("5.05")}, Judgement(YES)),
    ],
)
def test_a_leaf_without_cuts_is_undecided_unless_its_values_are_listed(
    facts: dict[str, Any], judgement: Judgement
) -> None:
    assert judge_view(EXACT_WEIGHT, a_view(facts), ATTRIBUTES, AROUND) == judgement


def test_cuts_that_leave_out_an_attribute_count_as_none_at_all() -> None:
    grade, year = Ref("grade"), Ref("year_on_coin")
    leaf = Comparison(">", grade, year)
    said = Planted(leaf, (Compared(grade, Const(20)),))
    assert judge_view(said, a_view({}), ATTRIBUTES, AROUND) == Judgement(UNDECIDED, NO_CUTS)
    assert judge_view(said, a_view({"grade": 20, "year_on_coin": 1900}), ATTRIBUTES, AROUND) == Judgement(NO)


def test_a_leaf_without_cuts_taken_as_harmless_would_give_a_wrong_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    # The control: no cuts at all instead of unknown ones.
    monkeypatch.setattr(partitions, "cuts_of", lambda leaf: leaf.cuts() or ())
    assert judge_view(EXACT_WEIGHT, a_view({}), ATTRIBUTES, AROUND) == Judgement(NO)


def narrowed(draw: Any, name: str, raw: Any) -> Any:
    """What is known once somebody looked closer; never none where that was not an alternative."""
    if raw is None:
        return draw(a_fact(name).filter(lambda fact: "none" not in str(fact)))
    if isinstance(raw, dict) and "one_of" in raw:
        return {"one_of": draw(st.lists(st.sampled_from(raw["one_of"]), min_size=1, max_size=2))}
    if isinstance(raw, dict) and raw and set(raw) <= {"from", "to"}:
        closed = sorted((reference.read(OUTSIDE.attributes[name], end), end) for end in raw.values())
        return closed[draw(st.integers(0, len(closed) - 1))][1]
    return raw


@SOME
@given(rules(), some_facts(), st.data())
def test_learning_a_fact_never_reverses_a_yes_or_a_no(rule: Any, facts: dict[str, Any], data: st.DataObject) -> None:
    before = verdict_of(rule, facts)
    name = data.draw(st.sampled_from(sorted(reads(a_rule(rule))) or list(NAMES)))
    after = judged(rule, {**facts, name: narrowed(data.draw, name, facts.get(name))})
    if before != "undecided":
        assert after.verdict.value == before or (after.limit is not None and after.verdict is UNDECIDED)


def test_learning_that_there_is_none_may_turn_a_yes_that_holds_for_every_value() -> None:
    # rules.md sections 2 and 3: an unknown year has some year, a coin known to bear none compares as `no`.
    rule = "year_on_coin < 1900 OR year_on_coin >= 1900"
    assert verdict_of(rule, {}) == "yes"
    assert verdict_of(rule, {"year_on_coin": {"none": True}}) == "no"


def test_a_rule_that_asks_for_none_counts_none_among_what_an_unknown_fact_may_be() -> None:
    assert verdict_of("year_on_coin < 1900 OR year_on_coin >= 1900 OR year_on_coin IS NULL", {}) == "yes"
    assert verdict_of("(year_on_coin < 1900 OR year_on_coin >= 1900) AND NOT year_on_coin IS NULL", {}) == "undecided"


@SOME
@given(rules(), some_facts())
def test_what_kleene_decides_the_worlds_decide_alike(rule: Any, facts: dict[str, Any]) -> None:
    # Leaf by leaf from the reference, joined by the three-valued tables: no regions and no splits in it.
    predicate = a_rule(rule)
    tree = parse(rule).json

    def of_leaf(leaf: Any) -> Verdict:
        node = tree
        for step in leaf.at.split("/")[1:]:
            node = node[int(step)] if isinstance(node, list) else node[step]
        return Verdict(expected(node, facts))

    kleene = kleene_verdict(predicate, of_leaf)
    if kleene is not UNDECIDED:
        # A leaf alone does not ask isNull of what another leaf asks it: then none is a world of the whole only.
        assume(not any(isinstance(n, dict) and n.get("op") == "isNull" for n in reference.nodes(tree)))
        assert judged(rule, facts).verdict in (kleene, UNDECIDED)
        assert judged(rule, facts).verdict is kleene or judged(rule, facts).limit is not None


@SOME
@given(rules(), some_facts())
def test_what_plain_values_decide_is_what_all_worlds_decide(rule: Any, facts: dict[str, Any]) -> None:
    predicate, view = a_rule(rule), a_view(facts)
    judgement = Case(predicate, view.facts, ATTRIBUTES, AROUND).judge()
    assert plain_verdict(predicate, view.facts, AROUND) in (judgement.verdict, UNDECIDED)
    assert judge_view(predicate, view, ATTRIBUTES, AROUND) == judgement


@SOME
@given(rules(), some_facts(), st.booleans())
def test_a_clause_says_of_many_values_what_it_says_of_each(rule: Any, facts: dict[str, Any], null: bool) -> None:
    case = Case(a_rule(rule), a_view(facts).facts, ATTRIBUTES, AROUND)
    context = replace(AROUND, none_as_null=null)
    for split in case.splits:
        values = [NONE, *(value for choice in split.choices for value in choice.values)]
        for leaf in case.distinct:
            if split.name is not None and leaf.reads - case.plain.keys() == {split.name}:
                each = [leaf.holds({**case.plain, split.name: value}, context) for value in values]
                assert list(leaf.holds_with(split.name, values, case.plain, context)) == each


@MANY
@given(rules(most_names=2), some_facts(least_known=2))
def test_two_attributes_at_most_are_always_decided_as_the_worlds_say(rule: Any, facts: dict[str, Any]) -> None:
    judgement = judged(rule, facts)
    if judgement.limit is None:
        assert judgement.verdict.value == expected(rule, facts)


# Each of these was once answered wrongly: a bug report becomes a case first.
@pytest.mark.parametrize(
    ("rule", "facts", "says"),
    [
        ("(10 / (year_on_coin - 5)) IS NULL", {"year_on_coin": {"from": 1, "to": 9}}, "undecided"),
        ("count(traits) > 60", {}, "undecided"),
        ("hue <> 'brown' AND hue < mint", {}, "undecided"),
        ("count(traits) < year_on_coin", {"year_on_coin": 5}, "undecided"),
        ("grade >= count(traits)", {"grade": 21}, "undecided"),
        ("count(traits) = count(main_motifs)", {"main_motifs": ["a", "b", "c", "d", "e"]}, "undecided"),
        ("grade = count(traits)", {"traits": list("abcdefghij")}, "undecided"),
        ("grade > count(traits)", {"traits": {"one_of": [["a"], ["a", "b"]]}}, "undecided"),
        ("grade > count(traits)", {"traits": {"one_of": [["a"], ["a", "b"]]}, "grade": 3}, "yes"),
        ("A_CONTAINEDBY(quirks, ('dented', 'dull', 'dyed'))", {}, "yes"),
        ("narrower(main_motifs, 'bird') AND NOT A_OVERLAPS(main_motifs, ('bird'))", {}, "undecided"),
        ("narrower(main_motifs, 'bird') AND NOT A_OVERLAPS(main_motifs, ('bird', 'owl'))", {}, "undecided"),
        ("narrower(main_motifs, 'kiwi') AND NOT A_OVERLAPS(main_motifs, ('kiwi'))", {}, "undecided"),
        ("legend_issuer = hue", {}, "undecided"),
        ("hue = species OR hue = species", {}, "undecided"),
        ("narrower(species, 'bird') AND legend_issuer = species", {}, "undecided"),
        ("ACCENTI(mint) = 'Tower' AND mint <> 'Tower'", {}, "undecided"),
        ("ACCENTI(mint) = ACCENTI('한국')", {}, "undecided"),
        ("ACCENTI(CASEI(mint)) LIKE '한%' AND mint <> 'x'", {}, "undecided"),
        ("year_on_coin = weight_measured AND weight_measured < 1900.5 AND weight_measured > 1899.5", {}, "undecided"),
        ("weight_measured - weight_legal > 1", {"weight_legal": {"none": True}}, "no"),
        ("year_on_coin / 0 IS NULL", {"year_on_coin": {"from": 1, "to": 9}}, "yes"),
    ],
)
def test_a_world_once_overlooked_is_seen(rule: str, facts: dict[str, Any], says: str) -> None:
    assert verdict_of(rule, facts) == says
    assert expected(rule, facts) == says


def test_a_text_beside_its_own_folded_form_is_left_undecided() -> None:
    # No constant of the rule shows both answers: `Tower` does not equal its folded form, `tower` does.
    assert judged("CASEI(mint) = mint", {}) == Judgement(UNDECIDED, BUDGET)
    assert verdict_of("mint = mint", {}) == verdict_of("CASEI(mint) = CASEI(mint)", {}) == "yes"


@pytest.mark.parametrize(
    ("rule", "facts", "says"),
    [
        # rules.md section 3, word for word
        ("year_on_coin < 1900 OR year_on_coin >= 1900", {}, "yes"),
        ("year_on_coin IN (1892, 1893)", {"year_on_coin": {"one_of": [1892, 1893]}}, "yes"),
        # section 2: a coin that says bird may be a kiwi
        ("narrower(main_motifs, 'kiwi')", {"main_motifs": ["bird"]}, "undecided"),
        ("narrower(main_motifs, 'kiwi') AND narrower(main_motifs, 'owl')", {"main_motifs": ["bird"]}, "no"),
        (
            "narrower(main_motifs, 'kiwi') AND narrower(main_motifs, 'owl')",
            {"main_motifs": ["bird", "animal"]},
            "undecided",
        ),
        ("narrower(main_motifs, 'kiwi') OR NOT narrower(main_motifs, 'kiwi')", {"main_motifs": ["bird"]}, "yes"),
        ("narrower(species, 'bird') AND narrower(species, 'beast')", {"species": "animal"}, "undecided"),
        ("defunct(issuer) AND NOT defunct(issuer)", {"issuer": "CC"}, "no"),
        ("defunct(issuer)", {"issuer": "CC"}, "undecided"),
        ("defunct(issuer)", {"issuer": "DD"}, "no"),
        # section 1: an empty list means looked at and none
        ("count(traits) = 0", {"traits": []}, "yes"),
        ("count(traits) = 0", {}, "undecided"),
        ("mintmark IS NULL", {"mintmark": {"none": True}}, "yes"),
        ("mintmark IS NULL", {}, "undecided"),
        ("mintmark <> 'H'", {"mintmark": {"none": True}}, "no"),
    ],
)
def test_the_contracts_own_examples_hold(rule: str, facts: dict[str, Any], says: str) -> None:
    assert verdict_of(rule, facts) == says


def test_past_the_budget_of_worlds_the_verdict_says_so() -> None:
    names = ("year_on_coin", "grade", "struck", "die_axis", "diameter", "thickness")
    parts = [" OR ".join(f"{name} = {n}" for name in names) for n in range(2, 12)]
    tangled = " AND ".join(f"({part})" for part in parts)
    case = a_case(f"({tangled}) AND NOT ({tangled})", {})
    judgement = case.judge(budget=50)
    assert judgement.verdict is UNDECIDED
    assert judgement.limit == "budget"


def test_uncertain_terms_that_no_clause_names_are_only_counted() -> None:
    """Two to the power of 61 lists, of which 61 show every answer."""
    traits = {"has": ["big"], "perhaps": [f"trait {n}" for n in range(60)]}
    assert verdict_of("count(traits) > 61", {"traits": traits}) == "no"
    assert verdict_of("count(traits) > 60", {"traits": traits}) == "undecided"
    assert verdict_of("count(traits) = 61 AND NOT A_CONTAINS(traits, ('trait 7'))", {"traits": traits}) == "no"
    assert verdict_of("count(traits) = 60 AND NOT A_CONTAINS(traits, ('trait 7'))", {"traits": traits}) == "undecided"


def test_a_doubt_over_several_candidate_issues_is_one_world_an_issue() -> None:
    from service.evaluation.verdicts import judged_with_doubt
    from tests.factories import ATTRIBUTES, a_view

    views = (a_view({"year_on_coin": 1899, "mint": "Tower"}), a_view({"year_on_coin": 1902, "mint": "Heaton"}))
    for rule, says in (
        ("year_on_coin = 1899 AND mint = 'Heaton'", "no"),
        ("year_on_coin = 1899 AND mint = 'Tower'", "undecided"),
        ("year_on_coin < 1900 AND mint = 'Tower' OR year_on_coin > 1900 AND mint = 'Heaton'", "yes"),
    ):
        judgement, _ = judged_with_doubt(a_rule(rule), views, ATTRIBUTES, AROUND)
        assert judgement.verdict.value == says


def test_an_attribute_that_is_compared_with_another_keeps_every_value_that_was_tried() -> None:
    # 3 < 4 fits: neither the least of the legal weights up to 5 nor one value for all of them tells.
    both = "weight_measured < weight_legal AND weight_legal <= 5 AND weight_measured >= 3"
    assert verdict_of(both, {}) == "undecided"
    assert verdict_of(both, {"weight_legal": 4}) == "undecided"
    assert verdict_of(f"{both} AND weight_measured >= 5", {}) == "no"

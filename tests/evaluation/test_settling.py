"""The facts that would settle a coin's places do settle them, no shorter list does, and the outcomes tell the places."""

from __future__ import annotations

import pickle
from itertools import combinations, product
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.evaluation import settling
from service.evaluation.settling import TrialBudget, settle_places
from service.facts.holding import View
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.cql2.expression import parse
from service.rules.predicates import kleene_verdict, leaves, with_known
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_rule, a_view, as_sent, judged, some_knowledge
from tests.strategies import ATTRIBUTES, examples, rules, some_facts

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(80))


def decided_by(names: tuple[str, ...], trees: dict[str, Any], facts: dict[str, Any], budget: list[int]) -> bool:
    """Whether every rule has one verdict for each combination of what these facts may be (by the slow reference)."""
    for tree in trees.values():
        others = [name for name in reference.properties(tree) if name not in names]
        own = [name for name in reference.properties(tree) if name in names]
        rest = [reference.domain(name, facts, tree, OUTSIDE) for name in others]
        for picked in product(*(reference.domain(name, facts, tree, OUTSIDE) for name in own)):
            world = dict(zip(own, picked, strict=True))
            seen = set()
            for more in product(*rest):
                budget[0] -= 1
                assume(budget[0] > 0)
                seen.add(reference.holds(tree, {**world, **dict(zip(others, more, strict=True))}, OUTSIDE))
                if len(seen) > 1:
                    return False
    return True


@SOME
@given(st.lists(rules(most_names=2), min_size=1, max_size=3), some_facts(least_known=5))
def test_the_facts_settle_every_place_and_no_shorter_list_does(written: list[Any], facts: dict[str, Any]) -> None:
    doubtful = {
        f"place-{n}": rule for n, rule in enumerate(written) if judged(rule, facts).verdict.value == "undecided"
    }
    assume(doubtful and all(judged(rule, facts).limit is None for rule in doubtful.values()))
    found = settle_places({n: a_rule(r) for n, r in doubtful.items()}, [a_view(facts)], ATTRIBUTES, AROUND)
    assume(found.limit is None)
    names = tuple(fact.attribute for fact in found.facts)
    trees = {name: parse(rule).json for name, rule in doubtful.items()}
    budget = [150_000]
    try:
        assert decided_by(names, trees, facts, budget)
        read = sorted({name for tree in trees.values() for name in reference.properties(tree)})
        for shorter in combinations(read, len(names) - 1):
            assert not decided_by(shorter, trees, facts, budget), shorter
    except reference.TooMany:
        assume(False)


def test_one_fact_that_decides_two_places_is_told_with_the_places_it_opens() -> None:
    rules_by_place = {"old": a_rule("year_on_coin < 1900"), "new": a_rule("year_on_coin >= 1900")}
    (fact,) = settle_places(rules_by_place, [a_view({})], ATTRIBUTES, AROUND).facts
    assert fact.attribute == "year_on_coin"
    assert fact.look_at == ATTRIBUTES["year_on_coin"].look_at
    assert as_sent(fact.outcomes) == [
        {"when": "up to 1899", "example": 1899, "places": ["old"]},
        {"when": "1900 or more", "example": 1900, "places": ["new"]},
    ]


def test_a_coin_of_two_candidate_issues_is_settled_by_its_issue() -> None:
    views = [View(some_knowledge({"year_on_coin": year}), issue) for issue, year in (("early", 1890), ("late", 1910))]
    rules_by_place = {"old": a_rule("year_on_coin < 1900"), "new": a_rule("year_on_coin >= 1900")}
    (fact,) = settle_places(rules_by_place, views, ATTRIBUTES, AROUND).facts
    assert fact.attribute == "issue"
    assert as_sent(fact.outcomes) == [
        {"when": "year on the coin 1890", "example": "early", "places": ["old"]},
        {"when": "year on the coin 1910", "example": "late", "places": ["new"]},
    ]


def test_past_the_allowance_every_open_fact_is_named_and_the_limit_too() -> None:
    wide = " OR ".join(
        f"(year_on_coin = {1800 + n} AND grade = {n + 1} AND mint = 'M{n}' AND weight_measured = {n} AND die_axis = {n % 12 + 1}"
        f" AND fineness = 0.{n + 1} AND thickness = {n} AND diameter = {n} AND mintage = {n})"
        for n in range(20)
    )
    found = settle_places({"wide": a_rule(wide)}, [a_view({})], ATTRIBUTES, AROUND)
    open_facts = {
        "year_on_coin",
        "grade",
        "mint",
        "weight_measured",
        "die_axis",
        "fineness",
        "thickness",
        "diameter",
        "mintage",
    }
    assert {fact.attribute for fact in found.facts} == open_facts
    assert found.limit == "budget"


def test_a_world_of_a_rule_with_many_clauses_costs_more_trials() -> None:
    def spent(clauses: int) -> int:
        budget = TrialBudget()
        rule = a_rule(" OR ".join(f"year_on_coin = {1000 + 2 * n}" for n in range(clauses)))
        assert settle_places({"x": rule}, [a_view({})], ATTRIBUTES, AROUND, budget).limit is None
        # Cutting the attribute into regions costs by the square of the clauses.
        return TrialBudget().left - budget.left - clauses * clauses // 20

    # A world for each year and one for all others, tried twice each.
    assert 20 < spent(20) < 50
    assert spent(120) > 3 * 120


@settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(300))
@given(st.lists(rules(), min_size=1, max_size=4), some_facts(least_known=1))
def test_what_the_facts_decide_is_left_out_of_rules(documents: list[Any], facts: dict[str, Any]) -> None:
    """The same is told, worked out of rules with all of their clauses."""
    accepted = {f"place {at}": a_rule(document) for at, document in enumerate(documents)}
    told = settle_places(accepted, [a_view(facts)], ATTRIBUTES, AROUND)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(settling, "_left_of", lambda _, rules: dict(rules))
        assert settle_places(accepted, [a_view(facts)], ATTRIBUTES, AROUND) == told


def test_a_clause_keeps_its_hash_to_itself() -> None:
    clause = a_rule("grade > 3")
    assert hash(clause) == hash(clause) == hash(a_rule("grade > 3"))
    copied = pickle.loads(pickle.dumps(clause))
    assert copied == clause
    assert not hasattr(copied, "_hash")


@settings(database=None, max_examples=examples(300))
@given(rules(), st.data())
def test_kleene_without_known_leaves(document: Any, data: st.DataObject) -> None:
    rule = a_rule(document)
    every = list(dict.fromkeys(leaves(rule)))
    verdicts = {leaf: data.draw(st.sampled_from([YES, NO, UNDECIDED])) for leaf in every}
    known = {
        leaf: verdict for leaf, verdict in verdicts.items() if verdict is not UNDECIDED and data.draw(st.booleans())
    }
    left = with_known(rule, known)
    verdict = left if isinstance(left, Verdict) else kleene_verdict(left, verdicts.__getitem__)
    assert verdict is kleene_verdict(rule, verdicts.__getitem__)
    if not isinstance(left, Verdict):
        assert not known.keys() & leaves(left)

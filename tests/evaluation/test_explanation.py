"""Explanations say what the verdict says, and the facts that would settle a doubt do settle it."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings

from service.evaluation.explanation import SettlingFact, clause_text, explain_clauses, failing_clauses, settle
from service.facts.truth import NO, UNDECIDED, YES, conjunction, disjunction, negation
from service.progress.explain import explain
from service.rules.cql2.expression import parse
from service.rules.phrases import PHRASES
from service.rules.rule import Rule
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_document, a_holding, a_measurement, a_rule, a_view, as_sent, judged
from tests.strategies import ATTRIBUTES, examples, rules, some_facts

QUIETLY = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
SOME = settings(QUIETLY, max_examples=examples(150))
JOIN = {"and": conjunction, "or": disjunction}


def settled_by(rule: Any, facts: dict[str, Any]) -> list[SettlingFact]:
    return settle(a_rule(rule), a_view(facts), ATTRIBUTES, AROUND)


@SOME
@given(rules(), some_facts())
def test_the_explanation_of_a_clause_is_its_verdict(rule: Any, facts: dict[str, Any]) -> None:
    written = Rule(parse(rule), a_rule(rule), "/rule")
    (clause,) = as_sent(explain_clauses([(written, written.predicate)], a_view(facts), ATTRIBUTES, AROUND))
    assert clause["verdict"] == judged(rule, facts).verdict.value

    def check(node: dict[str, Any]) -> None:
        again = judged(node["rule"], facts)
        assert again.verdict.value == node["verdict"]
        for part in node.get("clauses", ()):
            check(part)
        if "op" in node:
            parts = [{"yes": YES, "no": NO, "undecided": UNDECIDED}[part["verdict"]] for part in node["clauses"]]
            joined = negation(parts[0]) if node["op"] == "not" else JOIN[node["op"]](parts)
            # Kleene over the clauses is never wrong; worlds may know more.
            asks_none = "IS NULL" in clause["rule"]
            # Past the budget of worlds the whole stays undecided, though each of its clauses is small enough to decide.
            is_cut = again.verdict is UNDECIDED and again.limit is not None
            assert joined is UNDECIDED or joined.value == node["verdict"] or asks_none or is_cut

    check(clause)


@SOME
@given(rules(), some_facts(least_known=3))
def test_the_facts_that_settle_a_doubt_decide_it_however_they_turn_out(rule: Any, facts: dict[str, Any]) -> None:
    judgement = judged(rule, facts)
    assume(judgement.verdict is UNDECIDED and judgement.limit is None)
    found = settled_by(rule, facts)
    assert found
    tree = parse(rule).json
    names = [fact.attribute for fact in found]
    others = [name for name in reference.properties(tree) if name not in names]
    try:
        domains = [reference.domain(name, facts, tree, OUTSIDE) for name in names]
        rest = [reference.domain(name, facts, tree, OUTSIDE) for name in others]
    except reference.TooMany:
        assume(False)
        raise
    tried = 0
    for picked in product(*domains):
        world = dict(zip(names, picked, strict=True))
        seen = set()
        for more in product(*rest):
            tried += 1
            assume(tried < 200_000)
            seen.add(reference.holds(tree, {**world, **dict(zip(others, more, strict=True))}, OUTSIDE))
        assert len(seen) == 1, (names, picked)
        if len(names) == 1:
            check_told(found[0], picked[0], seen == {True})


def check_told(fact: SettlingFact, thing: reference.Thing, is_yes: bool) -> None:
    """The outcome told for every number is what is so."""
    kind = ATTRIBUTES[fact.attribute]
    wrong = "no" if is_yes else "yes"
    # "1900 or more" is one range.
    told = {
        outcome.verdict.value: outcome.when.replace(" or more", "+").replace(", ", " or ").split(" or ")
        for outcome in fact.outcomes
    }
    assert "undecided" not in told
    if kind.is_number and thing.value != reference.NONE:
        named = [word for words in told.values() for word in words if word != PHRASES["any-other"]]
        hit = {verdict for verdict, words in told.items() if any(is_told(thing.value, word, named) for word in words)}
        assert wrong not in hit
        assert hit == {"yes" if is_yes else "no"}
    if kind.type == "boolean" and thing.value != reference.NONE:
        assert ("yes" if thing.value else "no") in told["yes" if is_yes else "no"]


def is_told(number: Fraction, words: str, named: Sequence[str] = ()) -> bool:
    """Whether the number lies in a range as it is told: "up to 2", "less than 2.5", "more than 2 and less than 3", or, for
    "any other", in none of the `named` ones."""
    if words == PHRASES["any-other"]:
        return not any(is_told(number, other) for other in named)
    if words in ("any value", "none"):
        return words == "any value"
    if words.startswith("up to "):
        return number <= Fraction(words[6:])
    if words.endswith("+"):
        return number >= Fraction(words[:-1])
    if words.startswith("less than "):
        return number < Fraction(words[10:])
    if words.startswith("more than "):
        low, _, high = words[10:].partition(" and ")
        return number > Fraction(low) and (not high or is_told(number, high))
    low, _, high = words.partition(" to ")
    if high.startswith("less than "):
        return Fraction(low) <= number < Fraction(high[10:])
    return Fraction(low) <= number <= Fraction(high or low)


def test_the_shortest_list_of_facts_is_given() -> None:
    facts = settled_by("(year_on_coin < 1900 AND grade > 20) OR mint = 'Tower'", {"mint": "Heaton", "grade": 30})
    assert [fact.attribute for fact in facts] == ["year_on_coin"]
    told = {outcome.verdict.value: outcome.when for outcome in facts[0].outcomes}
    assert told == {"yes": "up to 1899", "no": "1900 or more"}


def test_a_fact_that_cannot_matter_is_not_asked_for() -> None:
    facts = settled_by("(year_on_coin < 1900 OR year_on_coin >= 1900) AND mint = 'Tower'", {})
    assert [fact.attribute for fact in facts] == ["mint"]


def test_a_declared_doubt_is_settled_by_its_own_alternatives() -> None:
    (fact,) = settled_by("year_on_coin < 1893", {"year_on_coin": {"one_of": [1892, 1893]}})
    told = {outcome.verdict.value: outcome.when for outcome in fact.outcomes}
    assert told == {"yes": "1892", "no": "1893"}
    assert fact.look_at == ATTRIBUTES["year_on_coin"].look_at != ""


@pytest.mark.parametrize(
    ("rule", "facts", "fails"),
    [
        ("grade >= 20 AND mint = 'Tower'", {"grade": 10, "mint": "Heaton"}, ["grade >= 20", "mint = 'Tower'"]),
        ("grade >= 20 AND mint = 'Tower'", {"grade": 10}, ["grade >= 20"]),
        ("grade >= 20 OR mint = 'Tower'", {"grade": 10, "mint": "Heaton"}, ["grade >= 20 OR mint = 'Tower'"]),
        ("grade >= 20 AND grade < 20", {}, ["grade >= 20 AND grade < 20"]),
        ("grade >= 20", {"grade": 30}, []),
    ],
)
def test_the_clauses_that_fail_are_the_smallest(rule: str, facts: dict[str, Any], fails: list[str]) -> None:
    written = Rule(parse(rule), a_rule(rule), "")
    found = failing_clauses([(written, written.predicate)], (a_view(facts),), ATTRIBUTES, AROUND)
    assert [clause_text(*part) for part in found] == fails


def test_an_explanation_tells_where_each_fact_came_from() -> None:
    document = a_document({"a": "year_on_coin = 1899 AND mint = 'Tower' AND grade > 20"})
    coin = {**a_holding("c", mint="Tower"), "issue": "issue-1"}
    request = a_measurement(document, [coin], issues={"issue-1": {"year_on_coin": 1899, "mint": "Heaton"}})
    (place,) = as_sent(explain(request, request.holdings[0], "a"))["places"]
    (view,) = place["may_be"]
    (clause,) = view["clauses"]
    sources = {fact["attribute"]: fact.get("from") for part in clause["clauses"] for fact in part["facts"]}
    assert sources == {"year_on_coin": "issue", "mint": "holding", "grade": None}
    assert place["verdict"] == clause["verdict"] == "undecided"
    assert place["basis"] == "unknown"
    assert [fact["attribute"] for fact in view["settle"]] == ["grade"]


def test_the_number_where_the_answer_changes_is_told_and_not_the_one_in_the_rule() -> None:
    (fact,) = settled_by("weight_measured + 0.5 = 2.5", {})
    told = {outcome.verdict.value: outcome.when for outcome in fact.outcomes}
    assert told == {"yes": "2", "no": "any other"}


def test_what_is_left_beside_single_values_is_any_other() -> None:
    (fact,) = settled_by("fineness = 0.5 OR fineness = 0.925", {})
    told = {outcome.verdict.value: outcome.when for outcome in fact.outcomes}
    assert told == {"yes": "0.5 or 0.925", "no": "any other"}
    (fact,) = settled_by("fineness BETWEEN 0.5 AND 0.925", {})
    told = {outcome.verdict.value: outcome.when for outcome in fact.outcomes}
    assert told == {"yes": "0.5 to 0.925", "no": "less than 0.5 or more than 0.925"}


@pytest.mark.parametrize(
    ("recorded", "rule", "yes", "no"),
    [
        ({"from": 2, "to": 6}, "weight_measured > 3", "more than 3 and up to 6", "2 to 3"),
        ({"from": 2, "to": 6}, "weight_measured < 3", "2 to less than 3", "3 to 6"),
        ({"from": 2}, "weight_measured > 3", "more than 3", "2 to 3"),
        ({"to": 6}, "weight_measured > 3", "more than 3 and up to 6", "up to 3"),
        ({"to": 6}, "weight_measured < 3", "less than 3", "3 to 6"),
    ],
)
def test_a_range_of_decimals_ends_where_it_was_recorded_and_where_the_rule_cuts_it(
    recorded: dict[str, Any], rule: str, yes: str, no: str
) -> None:
    (fact,) = settled_by(rule, {"weight_measured": recorded})
    assert {outcome.verdict.value: outcome.when for outcome in fact.outcomes} == {"yes": yes, "no": no}

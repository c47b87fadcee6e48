"""What settles a doubt, judged again: every example leads where it is said to (by the slow reference), every set of places that
some value opens is an outcome, and no two outcomes share their words."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.evaluation.settling import DecidingFact, SettlingFacts, settle_places
from service.facts.holding import View
from service.rules.cql2.expression import parse
from tests import reference
from tests.factories import AROUND, OUTSIDE, a_rule, a_view, as_sent, judged, some_knowledge
from tests.strategies import ATTRIBUTES, examples, rules, some_facts

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(60))


def settled(rules_by_place: dict[str, Any], facts: dict[str, Any]) -> SettlingFacts:
    bound = {name: a_rule(rule) for name, rule in rules_by_place.items()}
    return settle_places(bound, [a_view(facts)], ATTRIBUTES, AROUND)


def told(rules_by_place: dict[str, Any], facts: dict[str, Any]) -> list[DecidingFact]:
    return settled(rules_by_place, facts).facts


def check_form(fact: DecidingFact) -> None:
    words = [outcome.when for outcome in fact.outcomes]
    assert len(set(words)) == len(words), words
    assert not any("other 1" in word or "\x01" in word or not word.strip() for word in words), words
    places = [tuple(outcome.places) for outcome in fact.outcomes]
    assert len(set(places)) == len(places)
    assert [outcome.example for outcome in fact.outcomes].count(None) <= 1, fact
    for outcome in fact.outcomes:
        terms = outcome.example if isinstance(outcome.example, list) else [outcome.example]
        assert all(not isinstance(term, str) or (term and term.isprintable()) for term in terms)


@SOME
@given(st.lists(rules(most_names=2), min_size=1, max_size=3), some_facts(least_known=5))
def test_every_example_leads_where_it_is_said_to(written: list[Any], facts: dict[str, Any]) -> None:
    doubtful = {
        f"place-{n}": rule for n, rule in enumerate(written) if judged(rule, facts).verdict.value == "undecided"
    }
    assume(doubtful and all(judged(rule, facts).limit is None for rule in doubtful.values()))
    answer = settled(doubtful, facts)
    found = answer.facts
    trees = {place: parse(rule).json for place, rule in doubtful.items()}
    for fact in found:
        check_form(fact)
        for outcome in fact.outcomes:
            if outcome.example is None:
                continue
            recorded = {**facts, fact.attribute: as_sent(outcome.example)}
            some_knowledge(recorded)
            try:
                verdicts = {place: reference.verdict(tree, recorded, OUTSIDE) for place, tree in trees.items()}
            except reference.TooMany:
                assume(False)
                raise
            expected = [place for place, verdict in verdicts.items() if verdict != "no"]
            assert outcome.places == expected, (fact.attribute, outcome, verdicts)
            if len(found) == 1:
                # What then is left in doubt no fact settles.
                left = [tree for place, tree in trees.items() if verdicts[place] == "undecided"]
                assert all(reference.is_by_reference(tree, [recorded], OUTSIDE) for tree in left), (fact, outcome)
        if len(found) == 1 and fact.outcomes and not answer.gaps:
            check_complete(fact, trees, facts)


def check_complete(fact: DecidingFact, trees: dict[str, Any], facts: dict[str, Any]) -> None:
    """Every set of places that some value opens is an outcome."""
    seen = {frozenset(outcome.places) for outcome in fact.outcomes}
    both = {"op": "or", "args": [*trees.values(), False]}
    others = {name: reference.domain(name, facts, both, OUTSIDE) for name in reference.properties(both)}
    for thing in others[fact.attribute]:
        world = {name: things[0] for name, things in others.items()} | {fact.attribute: thing}
        opened = frozenset(place for place, tree in trees.items() if reference.holds(tree, world, OUTSIDE))
        assert opened in seen, (thing, opened, seen)


CASES: list[tuple[dict[str, str], dict[str, Any], list[tuple[str, Any, list[str]]]]] = [
    ({"a": "mint LIKE 'T%'"}, {}, [("begins with T", "T", ["a"]), ("any other", "another", [])]),
    (
        {"a": "mint LIKE '%T' AND mint <> 'T'"},
        {},
        [("ends with T and not T", "TT", ["a"]), ("any other", "another", [])],
    ),
    (
        {"a": "mint = 'Tower'", "b": "mint = 'Heaton'"},
        {},
        [
            ("Tower", "Tower", ["a"]),
            ("Heaton", "Heaton", ["b"]),
            ("any other", "another", []),
        ],
    ),
    ({"a": "mint <> 'Tower'"}, {}, [("Tower", "Tower", []), ("any other", "another", ["a"])]),
    ({"a": "CASEI(mint) = 'tower'"}, {}, [("tower, in any letter case", "tower", ["a"]), ("any other", "another", [])]),
    ({"a": "narrower(species, 'bird')"}, {}, [("a kind of bird", "bird", ["a"]), ("any other", "tree", [])]),
    (
        {"a": "narrower(species, 'bird') AND NOT narrower(species, 'beast')"},
        {"species": "animal"},
        [("a kind of bird and no kind of beast", "kiwi", ["a"]), ("any other", "griffin", [])],
    ),
    (
        {"a": "narrower(main_motifs, 'owl')"},
        {"main_motifs": ["bird"]},
        [
            ("with an owl", ["owl"], ["a"]),
            ("any other", ["griffin"], []),
        ],
    ),
    ({"a": "A_CONTAINS(traits, ('big'))"}, {}, [("with big", ["big"], ["a"]), ("any other", [], [])]),
    ({"a": "count(problems) = 0"}, {}, [("no problems", [], ["a"]), ("any other", ["holed"], [])]),
    (
        {"a": "count(traits) = 0"},
        {"traits": {"has": [], "perhaps": ["old"]}},
        [("no traits", [], ["a"]), ("any other", ["old"], [])],
    ),
    ({"a": "restrike"}, {}, [("yes", True, ["a"]), ("no", False, [])]),
    (
        {"a": "year_on_coin < 1900", "b": "year_on_coin >= 1900"},
        {},
        [
            ("up to 1899", 1899, ["a"]),
            ("1900 or more", 1900, ["b"]),
        ],
    ),
    ({"a": "mintmark IS NULL"}, {}, [("none", {"none": True}, ["a"]), ("any other", "another", [])]),
    ({"a": "defunct(issuer)"}, {}, [("an issuer that has ended", "BB", ["a"]), ("any other", "AA", [])]),
]


@pytest.mark.parametrize(("places", "facts", "expected"), CASES, ids=[" and ".join(case[0].values()) for case in CASES])
def test_the_words_come_from_the_truths_of_the_clauses(
    places: dict[str, str], facts: dict[str, Any], expected: list[tuple[str, Any, list[str]]]
) -> None:
    (fact,) = told(places, facts)
    assert sorted((o.when, str(o.example), o.places) for o in fact.outcomes) == sorted(
        (when, str(example), opened) for when, example, opened in expected
    )


def test_issues_that_open_the_same_places_are_one_outcome() -> None:
    years = {"early": 1890, "middle": 1895, "late": 1910}
    views = [View(some_knowledge({"year_on_coin": year}), issue) for issue, year in years.items()]
    (fact,) = settle_places({"old": a_rule("year_on_coin < 1900")}, views, ATTRIBUTES, AROUND).facts
    assert [(o.when, o.example, o.places) for o in fact.outcomes] == [
        ("year on the coin 1890 or 1895", "early", ["old"]),
        ("year on the coin 1910", "late", []),
    ]

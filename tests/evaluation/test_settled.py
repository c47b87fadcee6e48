"""What settled doubts before is what would be found anew, and everything that it follows from is in its key."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.evaluation import known_rules
from service.evaluation.known_rules import KnownDoubts, KnownRules, ToldBefore
from service.evaluation.settled import Settled
from service.evaluation.settling import TRIALS_PER_COIN, SettlingFacts, TrialBudget
from service.facts.holding import View
from service.progress import undecided
from service.progress.evaluate import placeable
from service.rules.predicates import EvaluationContext, Predicate
from tests.factories import (
    AROUND,
    a_definition,
    a_document,
    a_holding,
    a_measurement,
    a_rule,
    a_view,
    result_of,
    some_knowledge,
)
from tests.strategies import ATTRIBUTES, ISSUES, TODAY, definitions, examples, holdings

SOME = settings(max_examples=examples(80), deadline=None, database=None, suppress_health_check=list(HealthCheck))
Doubt = tuple[Mapping[str, Predicate], Sequence[View]]


def nothing_known(day: date = TODAY) -> KnownRules:
    return KnownRules(a_definition({"old": "year_on_coin < 1900"}), day)


def told(known: KnownRules | None, *doubts: Doubt, context: EvaluationContext = AROUND) -> list[SettlingFacts]:
    """What is told of each, one evaluation after the other."""
    return [Settled(ATTRIBUTES, context, TrialBudget(200_000), known).places(rules, views) for rules, views in doubts]


# --- the same as without -----------------------------------------------------------------------------------------------------


@SOME
@given(definitions(), st.lists(holdings(), min_size=2, max_size=3), st.integers(0, 2**16))
def test_evaluations_one_after_the_other_tell_the_same_as_each_alone(
    document: dict[str, Any], collections: list[list[dict[str, Any]]], seed: int
) -> None:
    chance = random.Random(seed)
    # Collections that differ, and that differ in one coin.
    shared = [collections[0], [*collections[0][1:], *collections[1][:1]], *collections]
    requests = [a_measurement(document, unlike(coins), issues=ISSUES) for coins in shared]
    first = requests[0].definition
    known = KnownRules(first, TODAY)
    for request in (*requests, *chance.sample(requests, len(requests))):
        # The rules are the same objects each time, as in the service.
        again = replace(request, definition=first, vocabularies=first.vocabularies, known_rules=known)
        assert result_of(again) == result_of(request)


def unlike(coins: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same, each with an id of its own."""
    return [{**coin, "id": f"coin-{at}"} for at, coin in enumerate(coins)]


@pytest.mark.parametrize("left", [TRIALS_PER_COIN - 1, TRIALS_PER_COIN, TRIALS_PER_COIN + 8, TRIALS_PER_COIN + 30])
def test_a_budget_that_is_nearly_spent_tells_the_same(left: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(undecided, "MOST_TRIALS", left)
    monkeypatch.setattr("service.evaluation.settling.TRIALS_PER_COIN", 40)
    document = a_document({f"from-{year}": f"year_on_coin >= {year}" for year in range(1800, 1900, 4)})
    coins = [a_holding(f"coin-{n:02}", year_on_coin={"from": 1800 + n, "to": 1890 - n}) for n in range(12)]
    alone = a_measurement(document, coins)
    known = KnownRules(alone.definition, TODAY)
    for _ in range(2):
        assert result_of(replace(alone, known_rules=known)) == result_of(alone)


def test_what_is_known_is_not_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    known, doubt = nothing_known(), ({"old": a_rule("year_on_coin < 1900")}, [a_view({})])
    first = told(known, doubt)
    monkeypatch.setattr("service.evaluation.settled.settle_places", None)
    assert told(known, doubt) == first
    with pytest.raises(TypeError):
        told(nothing_known(), doubt)


def test_trials_are_taken_off_as_if_it_had_not_been_known() -> None:
    known, left = nothing_known(), list[int]()
    for one in (None, known, known):
        budget = TrialBudget(200_000)
        settled = Settled(ATTRIBUTES, AROUND, budget, one)
        for year in (1850, 1900):
            settled.places({"old": a_rule(f"year_on_coin < {year}")}, [a_view({})])
        left.append(budget.left)
    assert left[0] < 200_000
    assert len(set(left)) == 1


# --- the key -----------------------------------------------------------------------------------------------------------------


class Blind(KnownDoubts):
    """Finds what is known by a key that lacks a part."""

    def __init__(self, lacking: str) -> None:
        super().__init__()
        self.lacking = lacking

    def find(self, key: Any) -> ToldBefore | None:
        return super().find(self.without(key))

    def keep(self, key: Any, found: ToldBefore, places: Sequence[str]) -> None:
        super().keep(self.without(key), found, places)

    def without(self, key: Any) -> object:
        numbers, addresses, (views, names) = key
        lacks = self.lacking
        if lacks == "issues":
            views = tuple(view[1:] for view in views)
        if lacks in names:
            at = names.index(lacks) + 1
            views = tuple((*view[:at], *view[at + 1 :]) for view in views)
            names = tuple(name for name in names if name != lacks)
        return (
            None if lacks == "rules" else numbers,
            None if lacks == "addresses" else addresses,
            views,
            names,
        )


def views_of(*facts: dict[str, Any], issues: Sequence[str | None] = (None, None)) -> list[View]:
    return [View(some_knowledge(one), issue, frozenset(one)) for one, issue in zip(facts, issues, strict=False)]


OLD, NEW = a_rule("year_on_coin < 1900"), a_rule("year_on_coin >= 1900")
EITHER = {"old": OLD, "new": NEW}
PARTS: dict[str, tuple[Doubt, Doubt]] = {
    "rules": (({"old": OLD}, [a_view({})]), ({"old": a_rule("year_on_coin < 1850")}, [a_view({})])),
    "addresses": (({"old": OLD}, [a_view({})]), ({"early": OLD}, [a_view({})])),
    "year_on_coin": (
        ({"old": OLD}, [a_view({"year_on_coin": {"one_of": [1890, 1910]}})]),
        ({"old": OLD}, [a_view({"year_on_coin": {"one_of": [1891, 1911]}})]),
    ),
    "issues": (
        (EITHER, views_of({"year_on_coin": 1890}, {"year_on_coin": 1910}, issues=("early", "late"))),
        (EITHER, views_of({"year_on_coin": 1890}, {"year_on_coin": 1910}, issues=("first", "second"))),
    ),
    # What no rule reads, where it depends on it what is presumed.
    "denomination": (
        (EITHER, views_of({"year_on_coin": 1890, "denomination": "penny"}, {"year_on_coin": 1910, "denomination": "crown"})),
        (EITHER, views_of({"year_on_coin": 1890, "denomination": "penny"}, {"year_on_coin": 1910, "denomination": "florin"})),
    ),
}  # fmt: skip


@pytest.mark.parametrize("part", PARTS)
def test_a_key_that_lacks_a_part_is_caught(part: str) -> None:
    alone = [one for doubt in PARTS[part] for one in told(None, doubt)]
    assert alone[0] != alone[1], "the two differ in that part alone"
    assert told(nothing_known(), *PARTS[part]) == alone
    blind = nothing_known()
    blind.doubts = Blind(part)
    assert told(blind, *PARTS[part]) != alone


def test_coins_of_one_evaluation_that_differ_in_what_no_rule_reads_are_told_apart() -> None:
    first, second = PARTS["denomination"]
    settled = Settled(ATTRIBUTES, AROUND, TrialBudget(200_000))
    assert [settled.places(*first), settled.places(*second)] == told(None, first, second)


def test_another_day_other_vocabularies_and_another_definition_take_nothing_from_what_is_known() -> None:
    request = a_measurement(a_document({"old": "year_on_coin < 1900"}), [])
    known = KnownRules(request.definition, TODAY)

    def taken(**other: Any) -> KnownRules | None:
        return placeable(replace(request, known_rules=known, **other))[2].known

    assert taken() is known
    assert taken(today=TODAY + timedelta(days=1)) is None
    assert taken(vocabularies=dict(request.vocabularies)) is None
    assert taken(definition=replace(request.definition)) is None
    assert not known.is_for(request.definition, replace(request.context, none_as_null=True))


# --- room --------------------------------------------------------------------------------------------------------------------


def test_so_many_bytes_are_kept_and_what_is_let_go_of_is_found_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    doubts = [({"old": a_rule(f"year_on_coin < {year}")}, [a_view({})]) for year in range(1850, 1870)]
    alone, known = told(None, *doubts), nothing_known()
    told(known, doubts[0])
    one = known.doubts.nbytes
    assert one > 500
    monkeypatch.setattr(known_rules, "MOST_DOUBT_BYTES", 5 * one)
    for _ in range(2):
        for doubt, found in zip(doubts, alone, strict=True):
            assert told(known, doubt) == [found]
            assert one <= known.doubts.nbytes <= 5 * one
    assert known.nbytes > known.doubts.nbytes

"""Which unknown fact changes most: every gain equals evaluating twice."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from service.facts.holding import Holding, read_holding
from service.progress import information
from service.progress.doubts import FactToLookAt, Turn
from service.progress.evaluate import EvaluationRequest
from service.progress.information import WeighedFacts, weigh_facts
from service.progress.whatif import Evaluated
from tests.factories import a_document, a_holding, a_measurement, result_of, seats_of
from tests.progress.instances import a_tight_set
from tests.set_definitions import FOLDER, NAMES, a_set
from tests.strategies import ISSUES, definitions, examples, holdings

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(50))


def weighed(*requests: EvaluationRequest) -> WeighedFacts:
    return weigh_facts([Evaluated(request) for request in requests])


def learned(request: EvaluationRequest, identity: str, recorded: dict[str, Any]) -> EvaluationRequest:
    """The request with these facts of the coin recorded, read as a holding in JSON is read."""
    (old,) = (holding for holding in request.holdings if holding.id == identity)
    raw: dict[str, Any] = {"id": identity, "facts": {n: v for n, v in recorded.items() if n != "issue"}}
    new, faults = read_holding(raw, request.definition.attributes, strict=True)
    assert new is not None and not faults
    known = replace(old, facts={**old.facts, **new.facts})
    if "issue" in recorded:
        known = replace(known, issues=(recorded["issue"],))
    others: list[Holding] = [holding for holding in request.holdings if holding.id != identity]
    return replace(request, holdings=(*others, known))


def gains(request: EvaluationRequest, identity: str, recorded: dict[str, Any]) -> tuple[int, int, set[str]]:
    results = [result_of(one) for one in (request, learned(request, identity, recorded))]
    before, after = (result["summary"] for result in results)
    old, new = map(seats_of, results)
    return after["certain"] - before["certain"], after["possible"] - before["possible"], new.keys() - old.keys()


def check_against_evaluating_twice(found: WeighedFacts, *requests: EvaluationRequest) -> int:
    tried = 0
    for entry in found.facts:
        seen = []
        for outcome in entry.outcomes:
            there = [gain.set for gain in outcome.sets]
            for gain in outcome.sets:
                told = (gain.certain_gain, gain.possible_gain, set(gain.opens))
                assert told == gains(requests[gain.set], entry.holding, outcome.recorded)
                tried += 1
            for number, request in enumerate(requests):
                # A set that is left out has nothing to gain.
                if number not in there and any(h.id == entry.holding for h in request.holdings):
                    assert gains(request, entry.holding, outcome.recorded)[:2] == (0, 0)
            seen.append((outcome.certain_gain, outcome.possible_gain))
        best, worst = ((turn.certain_gain, turn.possible_gain) for turn in (entry.best, entry.worst))
        assert (best, worst) == (max(seen), min(seen))
    return tried


@SOME
@given(definitions(), holdings())
def test_every_gain_equals_evaluating_twice(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    check_against_evaluating_twice(weighed(request), request)


def by_solving_everything(request: EvaluationRequest) -> WeighedFacts:
    """The same with every outcome solved, whatever can be said of it without that."""

    def counted(coin: information._TriedCoin, _: Any, known: Holding) -> tuple[int, int]:
        gain, _ = coin.gain(known)
        return gain.certain_gain, gain.possible_gain

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(information._TriedCoin, "_counted", counted)
        return weighed(request)


@SOME
@given(definitions(), holdings())
def test_what_needs_no_solving_is_what_solving_says(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    assert weighed(request) == by_solving_everything(request)


def test_under_rules_it_is_what_solving_says_as_well() -> None:
    told = 0
    for seed in range(examples(80)):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        for coin in coins:
            if chance.random() < 0.6:
                coin["facts"].pop(chance.choice(sorted(coin["facts"])))
        request = a_measurement(document, coins)
        found = weighed(request)
        assert found == by_solving_everything(request), f"seed {seed}"
        if seed % 5 == 0:
            check_against_evaluating_twice(found, request)
        told += len(found.facts)
    assert told > examples(100)


def test_coins_that_read_alike_are_counted_once(monkeypatch: Any) -> None:
    asked: list[str] = []
    for name in ("certain_with_facts", "possible_with_facts"):
        method = getattr(Evaluated, name)

        def counting(*arguments: Any, method: Any = method, name: str = name) -> Any:
            asked.append(name)
            return method(*arguments)

        monkeypatch.setattr(Evaluated, name, counting)
    alike = [a_holding(f"c{n}", year_on_coin={"one_of": [1840, 1860, 1870]}) for n in range(20)]
    found = weighed(a_measurement(a_document({"a": "year_on_coin < 1850", "b": "year_on_coin < 1845"}), alike))
    # 1840 may settle either place, for each of them; 1860 and 1870 read alike.
    assert len({entry.holding for entry in found.facts}) > 1
    assert len(asked) <= 3


def test_the_fact_that_wins_a_place_comes_first() -> None:
    slots = {"old": "year_on_coin < 1850", "fine": "grade >= 40", "tower": "mint = 'Tower'"}
    coins = [
        a_holding("worn", year_on_coin={"one_of": [1848, 1851]}, grade=5, mint="Heaton"),
        a_holding("vague", year_on_coin=1900, grade={"from": 30, "to": 50}, mint="Heaton"),
        a_holding("sure", year_on_coin=1900, grade=5, mint="Tower"),
    ]
    request = a_measurement(a_document(slots), coins)
    found = weighed(request)
    assert [(e.holding, e.attributes) for e in found.facts] == [
        ("vague", ["grade"]),
        ("worn", ["year_on_coin"]),
    ]
    worn = found.facts[1]
    assert worn.best == Turn({"year_on_coin": "1848"}, 1, 0)
    assert worn.worst == Turn({"year_on_coin": "1851"}, 0, -1)
    assert worn.message == (
        "worn (1848 or 1851 coin): check year on the coin. Best case: 1 place filled for certain (1848). Worst case: 1 place "
        "can no longer be filled."
    )
    assert check_against_evaluating_twice(found, request) == 4


def test_a_coin_that_needs_two_facts_is_told_of_with_both() -> None:
    request = a_measurement(a_document({"a": "grade >= 40 AND mint = 'Tower'"}), [a_holding("vague")])
    found = weighed(request)
    (both,) = [entry for entry in found.facts if len(entry.attributes) == 2]
    assert both.attributes == ["grade", "mint"]
    assert both.best.certain_gain == 1
    check_against_evaluating_twice(found, request)


def test_a_key_that_a_rule_of_the_whole_set_needs_is_worth_looking_at() -> None:
    slots = {"a": "grade > 10", "b": "grade > 10"}
    apart = [{"id": "makers", "kind": "different", "by": ["mint"], "places": ["a", "b"]}]
    coins = [a_holding("known", grade=20, mint="Tower"), a_holding("unknown", grade=20)]
    request = a_measurement(a_document(slots, constraints=apart), coins)
    found = weighed(request)
    (entry,) = found.facts
    assert (entry.holding, entry.attributes) == ("unknown", ["mint"])
    assert (entry.best.certain_gain, entry.worst.possible_gain) == (1, -1)
    assert entry.worst.values == {"mint": "Tower"}
    check_against_evaluating_twice(found, request)


def test_one_fact_is_weighed_over_all_sets_together() -> None:
    first = a_measurement(a_document({"a": "year_on_coin < 1850"}), [a_holding("worn", grade=3)])
    second = a_measurement(a_document({"b": "year_on_coin BETWEEN 1840 AND 1860"}), [a_holding("worn", grade=3)])
    found = weighed(first, second)
    (entry,) = found.facts
    assert entry.best.certain_gain == 2
    assert {o.certain_gain for o in entry.outcomes} == {0, 1, 2}
    assert check_against_evaluating_twice(found, first, second) == 2 * len(entry.outcomes)


def test_candidate_issues_are_weighed_and_told_apart() -> None:
    issues = {"first": {"year_on_coin": 1901, "mint": "Tower"}, "second": {"year_on_coin": 1902, "mint": "Tower"}}
    document = a_document({"a": "year_on_coin = 1901"})
    request = a_measurement(
        document, [{"id": "c", "facts": {}, "issue": {"one_of": ["first", "second"]}}], issues=issues
    )
    found = weighed(request)
    (entry,) = found.facts
    assert (entry.attributes, entry.best.values) == (["issue"], {"issue": "first"})
    (features,) = found.features
    assert [(f.attribute, f.values) for f in features.features] == [("year_on_coin", {"first": 1901, "second": 1902})]
    assert features.message == ("c (1901 or 1902 coin): check year on the coin to distinguish its 2 candidate issues.")
    check_against_evaluating_twice(found, request)


def test_past_its_work_it_says_how_many_facts_were_left_out(monkeypatch: Any) -> None:
    request = a_measurement(a_document({"a": "grade >= 40 AND mint = 'Tower'"}), [a_holding("vague")])
    assert weighed(request).left_out == 0
    monkeypatch.setattr(information, "MOST_EDGES", 0)
    assert weighed(request) == WeighedFacts([], [], 3)


def rank(entry: FactToLookAt) -> tuple[Any, ...]:
    """What the documentation says comes first: most won for certain, most that can be filled, most to lose, fewest facts."""
    gains = (-entry.best.certain_gain, -entry.best.possible_gain, entry.worst.possible_gain)
    return (*gains, len(entry.attributes), entry.holding, entry.attributes)


def test_facts_come_in_the_order_of_what_they_change_whatever_decides() -> None:
    slots = {f"tower-{n}": f"grade >= {10 * n} AND mint = 'Tower'" for n in range(1, 4)}
    slots |= {"old": "year_on_coin < 1850", "older": "year_on_coin < 1840"}
    coins = [
        a_holding("f-both", denomination="crown"),
        a_holding("e-both", denomination="crown"),
        a_holding("d-mint", grade=35, year_on_coin=1900),
        a_holding("c-grade", mint="Tower", year_on_coin=1900),
        a_holding("b-year", grade=5, mint="Heaton", year_on_coin={"one_of": [1830, 1845, 1900]}),
        a_holding("a-year", grade=5, mint="Heaton", year_on_coin={"one_of": [1845, 1900]}),
    ]
    # Both its pieces find a place, or neither does.
    pair = {**a_holding("z-pair", grade=5), "quantity": 2}
    two = a_measurement(a_document({"one": "year_on_coin < 1850", "two": "year_on_coin < 1860"}), [pair])
    # One of its pieces may sit in either place, and both are of one year: whatever it is, one place less can be filled.
    either = {**a_holding("y-either", grade=5), "quantity": 2}
    trade = a_measurement(a_document({"early": "year_on_coin < 1850", "late": "year_on_coin >= 1850"}), [either])
    decides: set[int] = set()
    for kept in range(2, len(coins) + 1):
        for chosen in (coins[:kept], coins[-kept:]):
            found = weighed(a_measurement(a_document(slots), chosen), two, trade)
            ranks = [rank(entry) for entry in found.facts]
            assert ranks == sorted(ranks)
            decides |= {next(at for at in range(6) if one[at] != other[at]) for one, other in pairwise(ranks)}
    assert decides == set(range(6)), "each criterion has to decide somewhere"


def test_of_more_coins_in_doubt_than_are_weighed_those_that_sit_somewhere_come_first(monkeypatch: Any) -> None:
    coins = [
        a_holding(name, year_on_coin={"one_of": [1840, 1860]}, grade=grade) for name, grade in (("a", 1), ("b", 9))
    ]
    request = a_measurement(a_document({"old": "year_on_coin < 1850"}, prefer=[{"highest": "grade"}]), coins)
    assert seats_of(result_of(request)) == {"old": "b"}
    for most, left_out, told in ((2, 0, {"a", "b"}), (1, 1, {"b"}), (0, 2, set())):
        monkeypatch.setattr(information, "MOST_DOUBTFUL_COINS", most)
        found = weighed(request)
        assert (found.left_out, {entry.holding for entry in found.facts}) == (left_out, told)


def test_one_fact_and_facts_together_have_limits_of_their_own(monkeypatch: Any) -> None:
    request = a_measurement(a_document({"a": "grade >= 40 AND mint = 'Tower'"}), [a_holding("vague")])

    def told(alone: int, together: int) -> tuple[list[int], int]:
        monkeypatch.setattr(information, "MOST_OUTCOMES", alone)
        monkeypatch.setattr(information, "MOST_TOGETHER", together)
        found = weighed(request)
        return sorted(len(entry.attributes) for entry in found.facts), found.left_out

    # Each fact turns out one way or the other; both together in four ways.
    assert told(2, 4) == ([1, 1, 2], 0)
    assert told(1, 4) == ([2], 2)
    assert told(2, 3) == ([1, 1], 1)


def test_the_order_of_the_holdings_changes_nothing() -> None:
    coins = [a_holding(f"c{n}", year_on_coin={"one_of": [1840 + n, 1860]}) for n in range(4)]
    document = a_document({"a": "year_on_coin < 1842", "b": "year_on_coin < 1850"})
    assert weighed(a_measurement(document, coins)) == weighed(a_measurement(document, coins[::-1]))


def test_the_doubts_of_the_shipped_sets_equal_evaluating_twice() -> None:
    tried = 0
    for name in NAMES:
        request = a_set(name)
        found = weighed(request)
        # Every sixth: each takes two evaluations for every outcome.
        tried += check_against_evaluating_twice(replace(found, facts=found.facts[::6]), request)
    assert tried > 10
    assert FOLDER.is_dir()

"""What pins, nevers and set-level rules cost: every price equals evaluating twice."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from random import Random
from typing import Any

import msgspec
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.progress.costs import costs_of_decisions, prices_of_rules
from service.progress.evaluate import EvaluationRequest
from service.progress.whatif import Evaluated
from tests.factories import a_measurement, places_of, result_of, seats_of
from tests.progress.instances import a_tight_set, without
from tests.strategies import ISSUES, definitions, examples, holdings

SOME = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None, max_examples=examples(60))
GAINS = ("certain_gain", "possible_gain", "required_gain")


def gains(before: dict[str, Any], after: dict[str, Any]) -> tuple[int, ...]:
    return tuple(b - a for a, b in zip(figures(before), figures(after), strict=True))


def figures(result: dict[str, Any]) -> tuple[int, int, int]:
    summary = result["summary"]
    required = summary["required"]["filled"] + summary["required"]["tentative"]
    return summary["certain"], summary["possible"], required


def told(entry: dict[str, Any]) -> tuple[int, ...]:
    return tuple(entry[name] for name in GAINS)


def ensure_costs(request: EvaluationRequest) -> list[dict[str, Any]]:
    costs = msgspec.to_builtins(costs_of_decisions(Evaluated(request)))
    result = result_of(request)
    old = seats_of(result)
    for cost in costs:
        pair = (cost["holding"], cost["place"])
        kind = f"{cost['kind']}s"
        fewer = replace(request, **{kind: tuple(p for p in getattr(request, kind) if p != pair)})  # type: ignore[arg-type]
        after = result_of(fewer)
        assert told(cost) == gains(result, after)
        new = seats_of(after)
        changes = {place for place in {**old, **new} if old.get(place) != new.get(place)}
        assert {change["place"] for change in cost["changes"]} == changes
        assert all(change["with"] == old.get(change["place"]) for change in cost["changes"])
        assert all(change["without"] == new.get(change["place"]) for change in cost["changes"])
    return costs


@SOME
@given(definitions(), holdings(), st.data())
def test_a_decision_costs_what_two_evaluations_say(
    document: dict[str, Any], coins: list[dict[str, Any]], data: st.DataObject
) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    places = [place["place"] for place in places_of(result_of(request))]
    pairs = [(coin["id"], place) for coin in coins for place in places]
    picked = data.draw(st.lists(st.sampled_from(pairs), max_size=4, unique=True)) if pairs else []
    cut = data.draw(st.integers(0, len(picked)))
    ensure_costs(replace(request, pins=tuple(picked[:cut]), nevers=(*picked[cut:], ("stranger", "nowhere"))))


def test_under_rules_over_several_places_decisions_cost_what_two_evaluations_say() -> None:
    met: Counter[bool] = Counter()
    for seed in range(80):
        chance = Random(seed)
        document, coins = a_tight_set(chance)
        pairs = [(coin["id"], slot["id"]) for coin in coins for slot in document["slots"]]
        picked = chance.sample(pairs, 3)
        costs = ensure_costs(a_measurement(document, coins, pins=picked[:1], nevers=picked[1:]))
        met.update(any(told(cost)) for cost in costs)
    assert min(met.values()) > 20


def test_a_rule_costs_what_two_evaluations_say() -> None:
    met: Counter[str] = Counter()
    for seed in range(examples(80)):
        document, coins = a_tight_set(Random(seed))
        request = a_measurement(document, coins)
        prices = msgspec.to_builtins(prices_of_rules(Evaluated(request)))
        result = result_of(request)
        assert [price["constraint"] for price in prices] == [rule["id"] for rule in document["constraints"]]
        for price, rule in zip(prices, document["constraints"], strict=True):
            fewer = a_measurement(without(document, rule["id"]), coins)
            assert told(price["without"]) == gains(result, result_of(fewer)), f"seed {seed}"
            met["free"] += any(told(price["without"]))
            if rule["kind"] != "at_most":
                assert "one_more" not in price
                continue
            rules = [{**r, "count": r["count"] + 1} if r is rule else r for r in document["constraints"]]
            more = a_measurement({**document, "constraints": rules}, coins)
            assert told(price["one_more"]) == gains(result, result_of(more)), f"seed {seed}"
            met["one more"] += any(told(price["one_more"]))
    assert min(met["free"], met["one more"]) > 5


@SOME
@given(definitions(), holdings())
def test_the_rules_of_a_free_choice_have_their_price_too(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    definition, result = request.definition, result_of(request)
    for price in msgspec.to_builtins(prices_of_rules(Evaluated(request))):
        name = price["constraint"]
        choices = tuple(
            replace(choice, rules=tuple(rule for rule in choice.rules if rule.id != name))
            for choice in definition.free_choice
        )
        rules = tuple(rule for rule in definition.constraints if rule.id != name)
        fewer = replace(request, definition=replace(definition, free_choice=choices, constraints=rules))
        assert told(price["without"]) == gains(result, result_of(fewer))


def test_past_two_hundred_decisions_the_rest_is_left_out() -> None:
    pairs = [(f"coin-{number}", "nowhere") for number in range(250)]
    costs = msgspec.to_builtins(
        costs_of_decisions(Evaluated(a_measurement(a_tight_set(Random(0))[0], [], nevers=pairs)))
    )
    assert [cost["holding"] for cost in costs] == [f"coin-{number}" for number in range(200)]

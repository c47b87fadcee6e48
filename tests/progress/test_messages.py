"""A client words every message of an answer itself, from its code and its parts (rules.md, section 6)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given, settings

from service.analysis.findings import check_definition
from service.facts.holding import Holding
from service.progress.candidates import candidates
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.explain import explain
from service.progress.information import weigh_facts
from service.progress.result import plain
from service.progress.whatif import Evaluated
from service.rules.messages import MESSAGES
from tests.factories import a_measurement
from tests.messages import ensure_worded
from tests.strategies import ISSUES, definitions, examples, holdings

SOME = settings(max_examples=examples(20), deadline=None)


@SOME
@given(definitions(), holdings())
def test_every_message_of_an_evaluation_follows_from_its_code(
    document: dict[str, Any], coins: list[dict[str, Any]]
) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    pins = tuple((coin.id, slot.id) for coin, slot in zip(request.holdings, request.definition.slots, strict=False))
    for asked in (request, replace(request, pins=pins), replace(request, pins=(*pins, *pins[::-1]), nevers=pins[:1])):
        ensure_worded(plain(evaluate(asked)), MESSAGES)


@SOME
@given(definitions(), holdings())
def test_every_message_about_coins_follows_from_its_code(document: dict[str, Any], coins: list[dict[str, Any]]) -> None:
    request = a_measurement(document, coins, issues=ISSUES)
    for holding in request.holdings[:2]:
        assert ensure_worded(plain(explain(request, holding, None)), MESSAGES) >= 3
    new = [Holding(f"new {coin.id}", coin.facts, coin.issues) for coin in request.holdings[:2]]
    evaluated = Evaluated(request, tries=len(new))
    assert ensure_worded(plain(candidates(evaluated, new)), MESSAGES) >= len(new)
    found = weigh_facts([evaluated])
    ensure_worded(plain([found.facts, found.features]), MESSAGES)


@SOME
@given(definitions())
def test_every_message_of_a_check_follows_from_its_code(document: dict[str, Any]) -> None:
    request: EvaluationRequest = a_measurement(document, [], issues=ISSUES)
    found = check_definition(request.definition, request.issues, request.today)
    assert ensure_worded(plain(found), MESSAGES) >= len(found)

"""Set-up in one line: a rule judged, a coin, a definition, a whole evaluation."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

import msgspec

from service.database.types import read_back, written
from service.evaluation.verdicts import Case, Judgement, judge_view
from service.facts.attributes import Attributes
from service.facts.holding import Facts, Holding, View, read_facts, read_holdings
from service.facts.vocabulary import Vocabulary
from service.progress.evaluate import EvaluationRequest, evaluate
from service.progress.result import Evaluation
from service.rules.cql2.expression import parse
from service.rules.definition import Definition
from service.rules.document import read_definition
from service.rules.operators import bind
from service.rules.predicates import EvaluationContext, Predicate
from service.rules.presumptions import KeptPresumptions
from tests.reference import Outside
from tests.strategies import ATTRIBUTES, DECLARED, TODAY, VOCABULARIES

AROUND = EvaluationContext(TODAY, VOCABULARIES)
OUTSIDE = Outside(ATTRIBUTES, VOCABULARIES, TODAY)


def exact_json(text: str) -> Any:
    """JSON with exact decimals, as the service reads it."""
    return json.loads(text, parse_float=Decimal)


def a_rule(rule: Any, attributes: Attributes = ATTRIBUTES) -> Predicate:
    return bind(parse(rule), attributes, VOCABULARIES)


def some_knowledge(facts: Mapping[str, Any], attributes: Attributes = ATTRIBUTES) -> Facts:
    found, faults = read_facts(dict(facts), attributes, strict=True)
    assert not faults, faults
    return found


def a_view(facts: Mapping[str, Any], attributes: Attributes = ATTRIBUTES) -> View:
    return View(some_knowledge(facts, attributes))


def a_case(rule: Any, facts: Mapping[str, Any]) -> Case:
    return Case(a_rule(rule), some_knowledge(facts), ATTRIBUTES, AROUND)


def judged(rule: Any, facts: Mapping[str, Any], context: EvaluationContext = AROUND) -> Judgement:
    return judge_view(a_rule(rule), a_view(facts), ATTRIBUTES, context)


def verdict_of(rule: Any, facts: Mapping[str, Any], context: EvaluationContext = AROUND) -> str:
    return judged(rule, facts, context).verdict.value


def a_holding(identity: str = "coin", **facts: Any) -> dict[str, Any]:
    """A holding as JSON: `a_holding("florin", year_on_coin=1882)`."""
    return {"id": identity, "facts": facts}


def a_document(slots: Mapping[str, Any] | None = None, **more: Any) -> dict[str, Any]:
    """A definition as JSON; `slots` are rules by id."""
    made = [{"id": name, "accepts": rule} for name, rule in (slots or {}).items()]
    return {"format": "set-definition/1", "title": "A set", "attributes": DECLARED, "slots": made, **more}


def a_definition(
    slots: Mapping[str, Any] | None = None, *, vocabularies: Mapping[str, Vocabulary] = VOCABULARIES, **more: Any
) -> Definition:
    return read_definition(a_document(slots, **more), vocabularies=vocabularies)


def some_holdings(raw: Sequence[Mapping[str, Any]], attributes: Attributes = ATTRIBUTES) -> tuple[Holding, ...]:
    return read_holdings(list(raw), attributes, strict=True)


def candidate_views(holding: Holding, catalogue: Mapping[str, Facts]) -> tuple[View, ...]:
    """All that the piece may be, one view for each candidate issue: each issue's facts go together, as one world."""
    own = frozenset(holding.facts)
    if not holding.issues:
        return (View(holding.facts, None, own),)
    return tuple(View({**catalogue.get(issue, {}), **holding.facts}, issue, own) for issue in holding.issues)


def seen(holding: Holding, issues: Mapping[str, Facts] | None = None) -> tuple[View, ...]:
    return candidate_views(holding, issues or {})


def a_measurement(
    document: Mapping[str, Any],
    holdings: Sequence[Mapping[str, Any]],
    *,
    issues: Mapping[str, Mapping[str, Any]] | None = None,
    pins: Iterable[tuple[str, str]] = (),
    nevers: Iterable[tuple[str, str]] = (),
    previous: Iterable[tuple[str, str]] = (),
    today: date = TODAY,
    account: Mapping[str, Any] | None = None,
    replaces: Mapping[str, str] | None = None,
) -> EvaluationRequest:
    """What is asked; `account` is what the account presumes, {"presume", "identify"}."""
    definition = read_definition(document, vocabularies=VOCABULARIES)
    return EvaluationRequest(
        definition,
        some_holdings(holdings, definition.attributes),
        today,
        definition.vocabularies,
        {name: some_knowledge(facts) for name, facts in (issues or {}).items()},
        tuple(pins),
        tuple(nevers),
        tuple(previous),
        presumptions=KeptPresumptions(**(account or {})).read(definition.attributes, definition.vocabularies),
        replaces=replaces or {},
    )


def as_sent(answer: Any) -> Any:
    """An answer the way it comes out of its JSON; decimals stay exact."""
    return read_back(written(answer))


def evaluated(document: Mapping[str, Any], holdings: Sequence[Mapping[str, Any]], **more: Any) -> Evaluation:
    """The evaluation of a document and holdings given as JSON."""
    return evaluate(a_measurement(document, holdings, **more))


def result_of(request: EvaluationRequest) -> dict[str, Any]:
    """The evaluation result as it is sent."""
    result: dict[str, Any] = as_sent(evaluate(request))
    return result


def measured(document: Mapping[str, Any], holdings: Sequence[Mapping[str, Any]], **more: Any) -> dict[str, Any]:
    """The same of a document and holdings given as JSON."""
    return result_of(a_measurement(document, holdings, **more))


def places_of(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every place of a result."""
    groups = [*result["one_per"], *result["free_choice"]]
    return [*result["slots"], *(place for group in groups for place in group["places"])]


def seats_of(result: Mapping[str, Any]) -> dict[str, str]:
    """Which coin sits in which place."""
    return {place["place"]: place["holding"] for place in places_of(result) if place["holding"] is not None}


def bytes_of(result: Any) -> bytes:
    return msgspec.json.encode(result)

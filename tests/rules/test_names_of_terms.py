"""Names, letter case and short names by issuer count as the term, in rules and in facts alike (rules.md, section 10)."""

from __future__ import annotations

from datetime import date

import pytest

from service.evaluation.table import Table
from service.facts.holding import View, read_facts
from service.reference.shipped import vocabularies
from service.rules.document import read_definition
from service.rules.predicates import EvaluationContext

TODAY = date(2026, 11, 29)


def verdict(rule: str, facts: dict[str, object], scope: str | None = None) -> str:
    document = {"format": "set-definition/1", "title": "t", "slots": [{"id": "a", "accepts": rule}]}
    definition = read_definition(
        {**document, **({} if scope is None else {"scope": scope})}, vocabularies=vocabularies()
    )
    known, faults = read_facts(facts, definition.attributes, strict=True)
    assert not faults
    table = Table(definition.attributes, EvaluationContext(TODAY, vocabularies()))
    return table.verdict(definition.slots[0].accepts.predicate, (View(known),)).value


@pytest.mark.parametrize(
    ("rule", "facts"),
    [
        ("denomination = '1 mark'", {"denomination": "1 Mark"}),
        ("denomination = '1 mark'", {"denomination": "mark"}),
        ("denomination = 'Mark'", {"denomination": "one mark"}),
        ("denomination IN ('half crown')", {"denomination": "2/6"}),
        ("denomination = '1/-'", {"denomination": "Shillings"}),
        ("material = 'Copper-Nickel'", {"material": "CuNi"}),
        ("authority = 'Queen Victoria'", {"authority": "victoria"}),
        ("issuer = 'USA' AND denomination = 'quarter'", {"issuer": "United States", "denomination": "1/4 dollar"}),
        ("issuer = 'US' AND denomination = 'quarter dollar'", {"issuer": "US", "denomination": "Quarters"}),
        ("issuer = 'US' AND denomination = 'nickel'", {"issuer": "us", "denomination": "5 cents"}),
        ("issuer = 'CA' AND denomination = 'quarter'", {"issuer": "CA", "denomination": "25 cents"}),
        ("authority = 'Vic'", {"issuer": "GB", "authority": "Victoria"}),
    ],
)
def test_one_term_by_any_of_its_names(rule: str, facts: dict[str, object]) -> None:
    assert verdict(rule, facts, "issuer = 'GB'" if "Vic'" in rule else None) == "yes"


@pytest.mark.parametrize(
    ("rule", "facts"),
    [
        ("issuer = 'US' AND denomination = 'quarter'", {"issuer": "CA", "denomination": "quarter"}),
        ("denomination = '2 mark'", {"denomination": "1 Mark"}),
        # Without an issuer the word may be a term of several: neither side is guessed.
        ("denomination = '5 cents'", {"denomination": "nickel"}),
        ("issuer = 'US' OR denomination = 'quarter'", {"issuer": "CA", "denomination": "25 cents"}),
    ],
)
def test_another_term_or_a_name_of_several_is_none(rule: str, facts: dict[str, object]) -> None:
    assert verdict(rule, facts) == "no"

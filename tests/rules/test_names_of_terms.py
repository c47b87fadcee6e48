"""Names of terms and grades in words, in rules and in recorded facts, against the plain way: the term written out."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from service.errors import Invalid
from service.evaluation.verdicts import judge_view
from service.facts.holding import View, read_facts
from service.reference.shipped import vocabularies
from service.rules.document import read_definition
from service.rules.predicates import EvaluationContext


def _verdict(rule: str, facts: dict[str, Any]) -> str:
    document = {"format": "set-definition/1", "title": "Names", "slots": [{"id": "a", "accepts": rule}]}
    definition = read_definition(document, vocabularies=vocabularies())
    known, faults = read_facts(facts, definition.attributes, strict=True)
    assert faults == []
    context = EvaluationContext(date(2026, 11, 29), vocabularies())
    accepts = definition.slots[0].accepts.predicate
    return judge_view(accepts, View(known), definition.attributes, context).verdict.value


@pytest.mark.parametrize("written", ["US", "us", "USA", "United States", "Vereinigte Staaten", "the United States"])
def test_a_name_is_the_term_in_rules_and_in_facts(written: str) -> None:
    assert _verdict(f"issuer = '{written}'", {"issuer": "US"}) == _verdict("issuer = 'US'", {"issuer": "US"}) == "yes"
    assert _verdict("issuer = 'US'", {"issuer": written}) == "yes"
    assert _verdict(f"issuer IN ('GB', '{written}')", {"issuer": written}) == "yes"
    assert _verdict(f"issuer <> '{written}'", {"issuer": "US"}) == "no"


def test_names_of_motifs_in_the_plural() -> None:
    assert _verdict("narrower(motifs, 'Birds')", {"motifs": ["Kiwis"]}) == "yes"
    assert _verdict("A_CONTAINS(motifs, ('Horses'))", {"motifs": ["horse"]}) == "yes"
    assert _verdict("A_CONTAINS(motifs, ('Horses'))", {"motifs": {"has": ["HORSE"], "perhaps": []}}) == "yes"


def test_a_name_of_several_issuers_names_none_of_them() -> None:
    assert _verdict("issuer = 'DE'", {"issuer": "Germany"}) == "no"


def test_defunct_of_a_name() -> None:
    assert _verdict("defunct(issuer)", {"issuer": "Zaire"}) == _verdict("defunct(issuer)", {"issuer": "ZRCD"}) == "yes"


def test_what_is_no_grade_is_refused() -> None:
    with pytest.raises(Invalid) as refused:
        _verdict("grade >= 'splendiferous'", {})
    assert "such as 'VF'" in (refused.value.faults[0].hint or "")

"""Rules as sentences. The customary order of a coin's description is common practice of the trade (no source)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from service.reference import shipped
from service.rules.document import read_definition
from service.rules.operators import ALL
from service.rules.phrases import listed
from service.rules.wording import RuleWording, describe_definition
from service.rules.yaml_text import load_yaml
from tests.factories import a_rule
from tests.strategies import ATTRIBUTES, VOCABULARIES, examples, rules

SPEAK = RuleWording(ATTRIBUTES, VOCABULARIES)
SETS = Path(__file__).resolve().parents[2] / "set_definitions"


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("denomination = 'penny' AND year_on_coin BETWEEN 1860 AND 1894", "a penny dated 1860 to 1894"),
        ("denomination IN ('penny', 'halfpenny') AND year_on_coin < 1901", "a penny or a halfpenny dated before 1901"),
        ("object_kind = 'coin' AND issuer = 'BB' AND struck <= 1990", "a coin from Bergland struck up to 1990"),
        (
            "issuer IN ('AA', 'BB') AND fineness >= 0.5",
            "a coin from Aland of nowhere or Bergland, fineness at least 0.5",
        ),
        (
            "denomination = 'shilling' AND material = 'silver' AND count(problems) = 0",
            "a shilling in silver without problems",
        ),
        ("NOT a_contains(problems, ('gilded')) AND denomination = 'sixpence'", "a sixpence, not gilded"),
        ("narrower(main_motifs, 'bird')", "a coin with any kind of bird among the main motifs"),
        ("NOT narrower(main_motifs, 'owl')", "a coin, without an owl among the main motifs"),
        ("commemorative = true AND NOT restrike = true", "a coin, commemorative and not restrike"),
        ("denomination = 'crown' OR denomination = 'florin'", "a crown or a florin"),
        ("denomination = 'penny' AND year_on_coin >= 1901", "a penny dated 1901 or later"),
        ("mintmark IS NULL", "a coin, no mintmark"),
        (
            "grade >= 20 OR (grade >= 10 AND mint = 'Tower')",
            "a coin, grade at least 20; or a coin, grade at least 10 and mint: Tower",
        ),
        ("weight_measured > weight_legal - 0.5", "a coin, measured weight more than (legal weight - 0.5)"),
        ("defunct(issuer)", "a coin, issuer no longer in being"),
        ("CASEI(mint) = CASEI('TOWER')", "a coin, mint: tower"),
        ("tender_from >= DATE('1999-01-01')", "a coin, legal tender from 1999-01-01 or later"),
    ],
)
def test_a_rule_is_said_as_a_collector_would_say_it(rule: str, words: str) -> None:
    assert SPEAK.coin(a_rule(rule)) == words


TRUE_OR_FALSE = [operator for operator in ALL if operator.gives == "true or false"]


@pytest.mark.parametrize("operator", TRUE_OR_FALSE, ids=[operator.name for operator in TRUE_OR_FALSE])
def test_every_operator_has_words(operator: Any) -> None:
    try:
        rule = a_rule(operator.example)
    except Exception:
        rule = a_rule(operator.example.replace("'horse', 'ship'", "'owl', 'tree'").replace("'horse'", "'owl'"))
    words = SPEAK.clause(rule)
    assert words
    assert "property" not in words


@settings(deadline=None, max_examples=examples(200), suppress_health_check=list(HealthCheck))
@given(rules())
def test_any_rule_can_be_said(rule: Any) -> None:
    assert SPEAK.coin(a_rule(rule)).startswith(("a ", "an "))


@pytest.mark.parametrize("path", sorted(SETS.glob("*.definition.*")), ids=lambda path: path.name.split(".")[0])
def test_a_definition_is_read_aloud_place_by_place(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    document = load_yaml(text) if path.suffix == ".yaml" else json.loads(text)
    definition = read_definition(document, vocabularies=shipped.vocabularies())
    said = describe_definition(definition)
    assert said[0] == f"{definition.title}."
    for slot in definition.slots:
        assert any(line.startswith(f"{slot.label}: ") for line in said)
    assert len([line for line in said if line.startswith("Over ")]) == len(definition.constraints)
    assert all(line.endswith(".") for line in said)


def test_lists_are_joined_as_in_speech() -> None:
    assert [listed(list(words), "and") for words in ("", "a", "ab", "abc")] == ["", "a", "a and b", "a, b and c"]

"""The shipped set definitions with their collections and expected numbers."""

from __future__ import annotations

import json
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from service.facts.core_attributes import CORE
from service.facts.holding import read_facts, read_holdings
from service.progress.evaluate import EvaluationRequest
from service.reference import shipped
from service.rules import document
from service.rules.yaml_text import load_yaml
from tests.factories import exact_json, result_of

FOLDER = Path(__file__).parent.parent / "set_definitions"


NAMES = ("euro-round", "from-sterling-to-cupro-nickel", "gone-from-the-map", "menagerie-table")


def text_of(name: str) -> str:
    return (FOLDER / name).read_text(encoding="utf-8")


@cache
def a_set(name: str, *, presume: bool = False) -> EvaluationRequest:
    """The set with its collection; most of the expected numbers are those without presumptions."""
    if (FOLDER / f"{name}.definition.yaml").exists():
        written = load_yaml(text_of(f"{name}.definition.yaml"))
    else:
        written = exact_json(text_of(f"{name}.definition.json"))
    definition = document.read_definition(written, vocabularies=shipped.vocabularies())
    holdings = read_holdings(exact_json(text_of(f"{name}.holdings.json")), definition.attributes, strict=True)
    issues = {}
    for issue in shipped.issues():
        issues[issue["id"]], faults = read_facts(issue["facts"], CORE, strict=True)
        assert not faults
    today = date.fromisoformat(expected(name)["today"])
    return EvaluationRequest(definition, holdings, today, shipped.vocabularies(), issues, presume=presume)


@cache
def expected(name: str) -> Any:
    return json.loads(text_of(f"{name}.expected.json"))


@cache
def result(name: str, *, presume: bool = False) -> dict[str, Any]:
    return result_of(a_set(name, presume=presume))

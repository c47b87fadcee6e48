"""The behaviour of the language as data: every case of tests/cases runs through the engine and through the reference."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from service.rules.constraints import CONSTRAINT_KINDS
from service.rules.cql2.expression import parse
from service.rules.operators import ALL
from service.rules.predicates import EvaluationContext
from service.rules.preferences import PREFERENCE_KINDS
from tests import reference
from tests.factories import OUTSIDE, a_measurement, exact_json, judged, places_of, result_of
from tests.strategies import TODAY, VOCABULARIES

FILES = {
    path.stem: exact_json(path.read_text(encoding="utf-8"))
    for path in sorted((Path(__file__).parent.parent / "cases").glob("*.json"))
}
RULES = [(name, case) for name, file in FILES.items() for case in file["cases"] if "rule" in case]
# What a set may rest on beside its rules (rules.md, sections 9 and 11).
MEANS = ("presume", "identify", "contradiction", "reference")
SETS = [(name, case) for name, file in FILES.items() for case in file["cases"] if "definition" in case]


def test_every_operator_preference_and_constraint_has_its_case_file() -> None:
    wanted = {operator.name for operator in ALL} | set(PREFERENCE_KINDS) | set(CONSTRAINT_KINDS)
    assert {file["of"] for file in FILES.values()} >= wanted
    assert {file["of"] for file in FILES.values()} >= set(MEANS)
    assert all(len(file["cases"]) >= 2 for file in FILES.values())


@pytest.mark.parametrize(("name", "case"), RULES, ids=[f"{name}: {case['says']}" for name, case in RULES])
def test_a_rule_judges_the_coin_as_its_case_says(name: str, case: dict[str, Any]) -> None:
    today = date.fromisoformat(case.get("today", TODAY.isoformat()))
    tree = parse(case["rule"]).json
    judgement = judged(case["rule"], case["facts"], EvaluationContext(today, VOCABULARIES))
    assert (judgement.verdict.value, judgement.limit) == (case["verdict"], None)
    assert judged(tree, case["facts"], EvaluationContext(today, VOCABULARIES)) == judgement
    assert reference.verdict(tree, case["facts"], replace(OUTSIDE, today=today)) == case["verdict"]


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_case_file_is_about_what_it_says(name: str) -> None:
    file = FILES[name]
    for case in file["cases"]:
        if "rule" in case:
            ops = {
                node["op"]
                for node in reference.nodes(parse(case["rule"]).json)
                if isinstance(node, dict) and "op" in node
            }
            assert file["of"] in ops
        else:
            assert f"'{file['of']}'" in str(case["definition"]) or file["of"] in ("different", *MEANS[2:])


@pytest.mark.parametrize(("name", "case"), SETS, ids=[f"{name}: {case['says']}" for name, case in SETS])
def test_a_set_places_the_coins_as_its_case_says(name: str, case: dict[str, Any]) -> None:
    issues = case.get("issues", {})
    asked = replace(
        a_measurement(case["definition"], case["holdings"], issues=issues), presume=case.get("presume", True)
    )
    found = result_of(asked)
    placed = {
        place["place"]: {"holding": place["holding"], "basis": place.get("basis", "firm")}
        for place in places_of(found)
        if place["holding"]
    }
    assert placed == case["placements"]
    assert found["proven_optimal"] is True
    if "presumed" in case:
        told = {place["place"]: place["presumed"] for place in places_of(found) if "presumed" in place}
        assert told == case["presumed"]
        assert found["summary"]["presumed"] == len(told)
    if "conflicts" in case:
        kinds = ("contradiction", "unidentified")
        clashes = [conflict for conflict in found["conflicts"] if conflict["kind"] in kinds]
        names = ("kind", "holding", "issue", "attribute")
        assert [{name: clash[name] for name in names} for clash in clashes] == case["conflicts"]
    document = case["definition"] if case.get("presume", True) else {**case["definition"], "presume": []}
    slow = reference.evaluate(document, case["holdings"], OUTSIDE, issues=issues)
    assert {place: {"holding": coin, "basis": basis} for place, (coin, basis, _) in slow.seats.items()} == case[
        "placements"
    ]

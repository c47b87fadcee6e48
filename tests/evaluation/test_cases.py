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
from tests.factories import OUTSIDE, exact_json, judged, measured, places_of
from tests.strategies import TODAY, VOCABULARIES

FILES = {
    path.stem: exact_json(path.read_text(encoding="utf-8"))
    for path in sorted((Path(__file__).parent.parent / "cases").glob("*.json"))
}
RULES = [(name, case) for name, file in FILES.items() for case in file["cases"] if "rule" in case]
SETS = [(name, case) for name, file in FILES.items() for case in file["cases"] if "definition" in case]


def test_every_operator_preference_and_constraint_has_its_case_file() -> None:
    wanted = {operator.name for operator in ALL} | set(PREFERENCE_KINDS) | set(CONSTRAINT_KINDS)
    assert {file["of"] for file in FILES.values()} >= wanted
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
            assert f"'{file['of']}'" in str(case["definition"]) or file["of"] == "different"


@pytest.mark.parametrize(("name", "case"), SETS, ids=[f"{name}: {case['says']}" for name, case in SETS])
def test_a_set_places_the_coins_as_its_case_says(name: str, case: dict[str, Any]) -> None:
    found = measured(case["definition"], case["holdings"])
    placed = {
        place["place"]: {"holding": place["holding"], "basis": place.get("basis", "firm")}
        for place in places_of(found)
        if place["holding"]
    }
    assert placed == case["placements"]
    assert found["proven_optimal"] is True
    slow = reference.evaluate(case["definition"], case["holdings"], OUTSIDE)
    assert {place: {"holding": coin, "basis": basis} for place, (coin, basis, _) in slow.seats.items()} == case[
        "placements"
    ]

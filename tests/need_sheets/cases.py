"""Cases for readers in other languages, as JSON: documents of need sheets, coins, and what is said of them.

`python -m tests.need_sheets.cases FILE --sets 100` writes {"cases": [{"document", "coins": [{"facts", "verdicts", "effect"}]}]}:
a document as `GET /v1/need-sheets` sends it, with one set; `verdicts` of its places, in their order (yes, no, undecided, ask);
`effect` as docs/need-sheets.md says (`reader.Sheet.effect`; `ask` has no more members). Tests in Python hold the very
same answers against the engine (`test_need_sheets`).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

from service.evaluation.engine import ENGINE
from service.http.responses import ENCODER
from service.progress.evaluate import EvaluationRequest
from service.progress.whatif import Evaluated
from service.reference import shipped
from tests.factories import a_measurement, exact_json
from tests.need_sheets.made_up import ISSUES, a_coin, a_collection, a_set
from tests.need_sheets.measured import COIN, sent_sheet
from tests.need_sheets.reader import Sheet
from tests.set_definitions import NAMES, text_of
from tests.set_definitions import a_set as a_shipped_set

MOST_COINS = 10


def made_up_set(seed: int) -> tuple[EvaluationRequest, list[dict[str, Any]]]:
    """A small set with its collection, and coins to try: of every other seed with set-level rules."""
    chance = Random(seed)
    document, held = a_set(chance, with_rules=seed % 2 == 1), a_collection(chance)
    coins = [a_coin(chance, COIN)["facts"] for _ in range(MOST_COINS)]
    return a_measurement(document, held, issues=ISSUES), coins


def shipped_set(name: str, seed: int = 0, coins: int = MOST_COINS) -> tuple[EvaluationRequest, list[dict[str, Any]]]:
    """A shipped set with half of its collection, and coins to try: those of the other half, with doubts."""
    request, chance = a_shipped_set(name, presume=True), Random(f"{name} {seed}")
    held = list(request.holdings)
    chance.shuffle(held)
    half = len(held) // 2
    kept = EvaluationRequest(
        request.definition,
        tuple(held[:half]),
        request.today,
        request.vocabularies,
        request.issues,
        presume=True,
    )
    facts_of = shipped_facts(name)
    tried = [doubted(chance, facts_of[chance.choice(held).id]) for _ in range(coins)]
    return kept, tried


def shipped_facts(name: str) -> dict[str, dict[str, Any]]:
    """The facts of the collection of a shipped set, by id, with those of the issues that the coins name."""
    issues = {issue["id"]: issue["facts"] for issue in shipped.issues()}
    found = {}
    for coin in exact_json(text_of(f"{name}.holdings.json")):
        issue = coin.get("issue")
        behind = issues[issue] if isinstance(issue, str) else {}
        kept = {
            fact: value
            for fact, value in behind.items()
            if fact in ("issuer", "denomination", "year_on_coin", "material")
        }
        found[coin["id"]] = {**kept, **coin["facts"]}
    return found


def doubted(chance: Random, facts: Mapping[str, Any]) -> dict[str, Any]:
    """The facts of a coin, some of them left out or made a doubt, others changed a little."""
    found: dict[str, Any] = {}
    for name, fact in facts.items():
        form = chance.random()
        if form < 0.15:
            continue
        if form < 0.2:
            found[name] = {"none": True} if not isinstance(fact, list) else []
        elif form < 0.3 and isinstance(fact, int) and not isinstance(fact, bool):
            found[name] = {"from": fact - chance.randint(0, 3), "to": fact + chance.randint(0, 3)}
            if found[name]["from"] == found[name]["to"] or not found[name]["from"] >= 1 or name == "grade":
                found[name] = fact
        elif form < 0.35 and isinstance(fact, int) and not isinstance(fact, bool) and name != "grade":
            found[name] = {"one_of": [fact, fact + chance.randint(1, 30)]}
        elif form < 0.45 and name in ("year_on_coin", "struck") and isinstance(fact, int):
            found[name] = fact + chance.randint(-40, 40)
        else:
            found[name] = fact
    return found


def a_case(request: EvaluationRequest, coins: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """One document with one set, and what a reader says of the coins."""
    sheet, vocabularies = sent_sheet(Evaluated(request, tries=len(coins)))
    reader = Sheet(sheet, vocabularies)
    document = {
        "format": "need-sheet/1",
        "evaluated_on": request.today.isoformat(),
        "holdings_state": request.holdings_state or "",
        "reference_edition": request.reference_edition or "",
        "engine_version": ENGINE,
        "vocabularies": vocabularies,
        "sets": [sheet],
    }
    answers = [
        {"facts": facts, "verdicts": reader.verdicts(facts), "effect": plain(reader.effect(facts))} for facts in coins
    ]
    return {"document": document, "coins": answers}


def cases(sets: int, first: int = 0) -> Iterator[dict[str, Any]]:
    """The shipped sets, and so many that are made up."""
    for name in NAMES:
        yield a_case(*shipped_set(name, first))
    for seed in range(first, first + sets):
        yield a_case(*made_up_set(seed))


def plain(value: Any) -> Any:
    """The same with numbers as they are written."""
    if isinstance(value, dict):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, list):
        return [plain(one) for one in value]
    if isinstance(value, Fraction):
        return value.numerator if value.denominator == 1 else Decimal(value.numerator) / Decimal(value.denominator)
    return value


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Cases for readers of need sheets in other languages.")
    parser.add_argument("file", type=Path)
    parser.add_argument("--sets", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    asked.file.write_bytes(ENCODER.encode({"cases": list(cases(asked.sets, asked.first))}))

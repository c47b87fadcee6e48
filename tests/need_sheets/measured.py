"""Need sheets held against the engine: what a reader of the document says, and what the service says."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

from service.http.responses import ENCODER
from service.progress.candidates import candidates
from service.progress.evaluate import EvaluationRequest
from service.progress.need_sheet import SheetVocabularies, need_sheet
from service.progress.whatif import Evaluated
from tests.factories import as_sent, some_holdings
from tests.need_sheets.reader import Sheet

COIN = "~"
"""Behind every other id."""


def sent_sheet(evaluated: Evaluated) -> tuple[dict[str, Any], dict[str, Any]]:
    """The sheet of a set and its vocabularies, as they come out of their JSON; decimals stay exact."""
    vocabularies = SheetVocabularies()
    sheet = need_sheet(evaluated, vocabularies)
    return _read(ENCODER.encode(sheet)), _read(ENCODER.encode(vocabularies.found))


def _read(text: bytes) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(text, parse_float=Decimal)
    return found


def candidate(evaluated: Evaluated, facts: Mapping[str, Any]) -> dict[str, Any]:
    """What POST /v1/candidates says of the coin."""
    attributes = evaluated.request.definition.attributes
    (answer,) = as_sent(candidates(evaluated, some_holdings([{"id": COIN, "facts": facts}], attributes)))
    found: dict[str, Any] = answer
    return found


FILLING = ("fills", "frees", "helps_constraint")


def difference(told: Mapping[str, Any], candidate: Mapping[str, Any]) -> str | None:
    """In what a reader's answer is another one than the service's; None: in nothing, or it asks."""
    effect = told["effect"]
    if effect == "ask":
        return None
    if effect == "fills" and not told["exact"]:
        return None if candidate["effect"] in FILLING and candidate["places"] else "effect"
    if effect != candidate["effect"]:
        return "effect"
    if effect in ("fills", "frees") and told["places"] != candidate["places"]:
        return "places"
    if effect == "outside" and told["closest"] is not None:
        closest = candidate["closest"]
        if closest is None or told["closest"]["place"] != closest["place"]:
            return "closest"
        if told["closest"]["failing"] and told["closest"]["failing"] != closest["failing"]:
            return "failing"
    if effect == "betters":
        return _difference_in_step(told["betters"], candidate["betters"])
    return None


def _difference_in_step(told: Mapping[str, Any], step: Mapping[str, Any]) -> str | None:
    if told["place"] != step["place"] or told["criterion"] != step["criterion"]:
        return "criterion"
    if any(name in told and told[name] != _exact(step[name]) for name in ("from", "to")):
        return "values"
    return None


def _exact(value: Any) -> Any:
    return Fraction(str(value)) if isinstance(value, int | float | Decimal) and not isinstance(value, bool) else value


@dataclass
class Tally:
    """What became of the answers: how many differ, and how many of each effect."""

    effects: Counter[str] = field(default_factory=Counter)
    differ: list[Any] = field(default_factory=list)

    @property
    def asked(self) -> int:
        return self.effects["ask"]


def tried(
    request: EvaluationRequest,
    coins: Sequence[Mapping[str, Any]],
    tally: Tally,
    fault: Callable[[dict[str, Any]], None] | None = None,
) -> None:
    """Coins on one set, by the sheet and by the service; `fault` makes the sheet a wrong one."""
    evaluated = Evaluated(request, tries=len(coins))
    sent, vocabularies = sent_sheet(evaluated)
    if fault is not None:
        fault(sent)
    sheet = Sheet(sent, vocabularies)
    for facts in coins:
        told, said = sheet.effect(facts), candidate(evaluated, facts)
        tally.effects[told["effect"]] += 1
        wrong = difference(told, said)
        if wrong is not None:
            tally.differ.append((wrong, facts, told, said))

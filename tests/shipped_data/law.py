"""The check values on coins (check_values.json beside this file names their sources) and shipped issues, ready for tests."""

from __future__ import annotations

import json
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from service.facts.core_attributes import CORE
from service.facts.holding import Facts, read_facts
from service.measurements.plausibility import Published
from service.reference import shipped

FOLDER = Path(__file__).parent
_DOCUMENT = json.loads((FOLDER / "check_values.json").read_text(encoding="utf-8"))
CHECKS: dict[str, dict[str, Any]] = {value["id"]: value for value in _DOCUMENT["values"]}
SOURCES: dict[str, dict[str, Any]] = _DOCUMENT["sources"]
ISSUES: dict[str, dict[str, Any]] = {entry["id"]: entry for entry in shipped.issues()}

# In g or mm. A grain is 64.79891 mg and an inch 25.4 mm, both exactly: check values unit.grain and unit.inch.
_UNITS = {"g": Fraction(1), "mm": Fraction(1), "grain": Fraction("0.06479891"), "inch": Fraction("25.4")}


def checked(name: str) -> Fraction:
    """A check value in g, mm, or as a fraction, exactly as it is printed."""
    return Fraction(CHECKS[name]["value"]) * _UNITS.get(CHECKS[name]["unit"], Fraction(1))


def rounded_value(name: str) -> Decimal:
    return Decimal(CHECKS[name]["value"])


def exact_value(name: str) -> Fraction:
    return Fraction(CHECKS[name]["exact"])


def facts(**plain: Any) -> Facts:
    """Facts from their JSON form; whatever is wrong with them fails the test."""
    known, faults = read_facts(plain, CORE, strict=True)
    assert faults == []
    return known


def published(name: str) -> Published:
    """A shipped issue with its figures."""
    entry = ISSUES[name]
    return Published(
        name, facts(**entry["facts"]), entry["label"], entry["source"], shipped.exact_values().get(name, {})
    )


def an_issue(name: str = "i", **plain: Any) -> Published:
    return Published(name, facts(**plain))

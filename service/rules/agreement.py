"""Whether what is recorded of a coin agrees with what its issue says (rules.md, sections 9 and 11). Pure.

A recorded fact contradicts an issue's when no value is common to both. Texts compare without letter case and accents, terms
agree with those above and below them, a recorded number agrees with every number that rounds to it; lists and measured
attributes never contradict.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, Final

from service.facts.attributes import Attribute
from service.facts.holding import Facts
from service.facts.knowledge import NONE, Among, Between, Knowledge, Value, is_possible
from service.facts.vocabulary import Vocabulary
from service.rules.text import fold_case, strip_accents

MEASURED: Final = frozenset(
    ("weight_measured", "weight_legal", "weight_tolerance", "weight_least", "fine_weight", "diameter", "thickness")
)
"""What scales and callipers tell differs from what a law says."""
_STEPS: Final = tuple(int(f"1{'0' * decimals}") for decimals in range(20))
"""Steps of one in numbers of no decimals, of one, and so on."""


def can_contradict(attribute: Attribute) -> bool:
    """Whether a fact of the attribute may contradict an issue's at all."""
    return not attribute.many and attribute.name not in MEASURED


def common(
    attribute: Attribute, recorded: Knowledge, of_issue: Knowledge, vocabularies: Mapping[str, Vocabulary]
) -> Knowledge | None:
    """What of a recorded fact agrees with the issue's; None where nothing does: a contradiction."""
    if isinstance(recorded, Among):
        kept = tuple(value for value in recorded.values if _agrees(attribute, value, of_issue, vocabularies))
        return (recorded if len(kept) == len(recorded.values) else Among(kept)) if kept else None
    if isinstance(of_issue, Among):
        within = tuple(value for value in of_issue.values if is_possible(value, recorded))
        return Among(within) if within else None
    if not (isinstance(recorded, Between) and isinstance(of_issue, Between)):
        return recorded
    low = _inner(recorded.low, of_issue.low, max)
    high = _inner(recorded.high, of_issue.high, min)
    if low is not None and high is not None and low > high:
        return None
    return Among((low,)) if low is not None and low == high else Between(low, high)


def contradicted(
    attributes: Mapping[str, Attribute], own: Facts, issue: Facts, vocabularies: Mapping[str, Vocabulary]
) -> tuple[str, ...]:
    """The attributes whose recorded facts contradict the issue's, by name."""
    return tuple(
        name
        for name in sorted(own.keys() & issue.keys())
        if (attribute := attributes.get(name)) is not None
        and can_contradict(attribute)
        and common(attribute, own[name], issue[name], vocabularies) is None
    )


def _inner(one: Any, other: Any, inner: Callable[[Any, Any], Any]) -> Any:
    return other if one is None else one if other is None else inner(one, other)


def _folded(text: str) -> str:
    return strip_accents(fold_case(text))


def _agrees(attribute: Attribute, value: Value, issue: Knowledge, vocabularies: Mapping[str, Vocabulary]) -> bool:
    if isinstance(issue, Among):
        return any(alike(attribute, value, other, vocabularies) for other in issue.values)
    return is_possible(value, issue)


def alike(attribute: Attribute, value: Value, other: Value, vocabularies: Mapping[str, Vocabulary]) -> bool:
    """Whether a recorded value agrees with one value of an issue."""
    if value == other or value is NONE or other is NONE:
        return value == other
    if isinstance(value, str) and isinstance(other, str):
        scheme = vocabularies.get(attribute.vocabulary or "")
        if scheme is not None and (scheme.is_at_or_below(value, other) or scheme.is_at_or_below(other, value)):
            return True
        return _folded(value) == _folded(other)
    if attribute.is_number and isinstance(value, int | Fraction) and isinstance(other, int | Fraction):
        return _rounds_to(other, value)
    return False


def _rounds_to(exact: int | Fraction, recorded: int | Fraction) -> bool:
    """Whether a number, rounded to the decimals of the recorded one, gives it; at a tie both neighbours do. Trailing zeros
    are not kept: 0.90 has one decimal."""
    steps = next((step for step in _STEPS if recorded * step % 1 == 0), None)
    return steps is not None and abs(Fraction(exact) - recorded) * 2 * steps <= 1

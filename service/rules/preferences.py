"""TABLE of preferences: what makes one coin better than another for a place, in the owner's order.

A new kind is one entry here and one case file in tests/cases.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction

from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Among, Number, Value
from service.facts.truth import YES
from service.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class PreferenceKind:
    """One kind of preference: its key word in the document, and the sense of its numbers."""

    name: str
    meaning: str
    example: dict[str, object]
    more_is_better: bool


KINDS: dict[str, PreferenceKind] = {
    kind.name: kind
    for kind in (
        PreferenceKind("where", "coins that fit the rule come first", {"where": "count(problems) = 0"}, True),
        PreferenceKind("highest", "the higher number is better", {"highest": "grade"}, True),
        PreferenceKind("lowest", "the lower number is better", {"lowest": "year_on_coin"}, False),
        PreferenceKind(
            "order",
            "the earlier of the listed values is better; one that is not listed comes after them",
            {"order": "strike", "values": ["circulation", "proof"]},
            False,
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Preference:
    """One criterion. `document` is the author's entry, as it is shown again in `loses_on`."""

    kind: str
    attribute: str = ""
    where: Rule | None = None
    values: tuple[str, ...] = ()
    document: Mapping[str, object] | None = None

    @property
    def more_is_better(self) -> bool:
        return KINDS[self.kind].more_is_better


# A verdict function, so that this table needs no evaluator: (rule, views) -> the verdict.
Fits = Callable[[Rule, tuple[View, ...]], object]


def value_of(preference: Preference, views: tuple[View, ...], fits: Fits) -> Number | None:
    """What the coin is worth under the criterion; None where the fact is missing. Of an uncertain fact the worst value
    counts: a coin is not preferred for what it only may be."""
    if preference.kind == "where":
        assert preference.where is not None
        return 1 if fits(preference.where, views) is YES else 0
    seen: list[Number] = []
    for view in views:
        knowledge = view.facts.get(preference.attribute)
        ends: Iterable[Value | None]
        if knowledge is None:
            return None
        ends = knowledge.values if isinstance(knowledge, Among) else (knowledge.low, knowledge.high)
        for end in ends:
            number = _number(preference, end)
            if number is None:
                return None
            seen.append(number)
    return min(seen) if preference.more_is_better else max(seen)


def _number(preference: Preference, value: Value | None) -> Number | None:
    if preference.kind == "order":
        if not isinstance(value, str):
            return None
        return preference.values.index(value) if value in preference.values else len(preference.values)
    if isinstance(value, datetime):
        return int(value.timestamp() * 1_000_000)
    if isinstance(value, date):
        return value.toordinal()
    if isinstance(value, bool) or not isinstance(value, int | Fraction):
        return None
    return value


def can_rank(attribute: Attribute) -> bool:
    """Whether `highest` and `lowest` may be said of the attribute."""
    return attribute.is_ordered and not attribute.many

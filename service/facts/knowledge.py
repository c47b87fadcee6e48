"""What is known of one attribute of one coin: a value, several candidates, a range, a list of which some is uncertain, or
nothing at all.

An attribute that was not looked at is absent from the facts; it is never None.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from fractions import Fraction
from itertools import combinations


class Nothing(Enum):
    """Known to be none: somebody looked, and there is no mintmark."""

    NONE = "none"

    def __repr__(self) -> str:
        return "NONE"


NONE = Nothing.NONE

# Numbers are kept exact: an int where the value is whole, else a Fraction.
Number = int | Fraction
Value = str | bool | Number | date | datetime | frozenset[str] | Nothing


@dataclass(frozen=True, slots=True)
class Among:
    """One of these values, not known which; with one value it is plainly known."""

    values: tuple[Value, ...]

    @property
    def is_plain(self) -> bool:
        return len(self.values) == 1


@dataclass(frozen=True, slots=True)
class Between:
    """Somewhere from `low` to `high`, both included; None leaves that end open."""

    low: Number | date | datetime | None
    high: Number | date | datetime | None


@dataclass(frozen=True, slots=True)
class Subsets:
    """A list of texts: all of `has`, each of `perhaps` or not, nothing else. `perhaps` is never empty, and apart from
    `has`."""

    has: frozenset[str]
    perhaps: frozenset[str]

    @property
    def every(self) -> frozenset[str]:
        """Every text that may be in the list."""
        return self.has | self.perhaps

    def allows(self, value: Value) -> bool:
        """Whether the list may be this one."""
        return isinstance(value, frozenset) and self.has <= value <= self.every

    def lists(self) -> Iterator[frozenset[str]]:
        """Every list that it may be: two to the power of the number of uncertain texts."""
        uncertain = sorted(self.perhaps)
        for size in range(len(uncertain) + 1):
            for more in combinations(uncertain, size):
                yield self.has | frozenset(more)


Knowledge = Among | Between | Subsets


def is_possible(value: Value, knowledge: Knowledge) -> bool:
    """Whether the attribute may have this value."""
    if isinstance(knowledge, Among):
        return value in knowledge.values
    if isinstance(knowledge, Subsets):
        return knowledge.allows(value)
    low, high = knowledge.low, knowledge.high
    return value is not NONE and (low is None or value >= low) and (high is None or value <= high)  # type: ignore[operator]


def exact(number: int | Decimal | Fraction) -> Number:
    """The same number as an int where it is whole, else as a Fraction."""
    if isinstance(number, int):
        return number
    fraction = Fraction(number)
    return fraction.numerator if fraction.denominator == 1 else fraction


def plain_number(number: Number) -> int | Decimal:
    """A number as it is written: an int, or a decimal (28 digits where the fraction does not end)."""
    if isinstance(number, int):
        return number
    return Decimal(number.numerator) / Decimal(number.denominator)


def value_as_json(value: Value) -> object:
    """A value as it stands in JSON."""
    if value is NONE:
        return {"none": True}
    if isinstance(value, frozenset):
        return sorted(value)
    if isinstance(value, bool | str):
        return value
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    assert isinstance(value, int | Fraction)
    return plain_number(value)


def knowledge_as_json(knowledge: Knowledge) -> object:
    """What is known, as it stands in a holding's facts."""
    if isinstance(knowledge, Among):
        if knowledge.is_plain:
            return value_as_json(knowledge.values[0])
        return {"one_of": [value_as_json(value) for value in knowledge.values]}
    if isinstance(knowledge, Subsets):
        return {"has": sorted(knowledge.has), "perhaps": sorted(knowledge.perhaps)}
    ends = {"from": knowledge.low, "to": knowledge.high}
    return {name: value_as_json(end) for name, end in ends.items() if end is not None}


def value_in_words(value: Value) -> str:
    """A value as a collector writes it."""
    if value is NONE:
        return "none"
    if isinstance(value, frozenset):
        return ", ".join(sorted(value)) or "none of them"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value_as_json(value))

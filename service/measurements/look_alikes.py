"""An issue compared with its look-alikes: which the measurements rule out, and which measurement would distinguish. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from service.facts.holding import Facts
from service.facts.knowledge import Among, value_in_words
from service.measurements.plausibility import (
    CANNOT_TELL,
    RULED_OUT,
    MeasurementCheck,
    Plausibility,
    Published,
    Zones,
    check_measurements,
    diameter_zones,
    in_figures,
    material_of,
    overall,
    spans,
    spoiled,
    weight_zones,
)

Distinguishes = Literal["yes", "unless worn", "by a professional", "no"]
TELLS: Final = "yes"
UNLESS_WORN: Final = "unless worn"
PROFESSIONAL: Final = "by a professional"
NEVER: Final = "no"
_ORDER: tuple[Distinguishes, ...] = (TELLS, UNLESS_WORN, PROFESSIONAL, NEVER)
_BY_SIGHT = "never scratch, file, clean or treat a coin to find out"


@dataclass(frozen=True, slots=True)
class JudgedIssue:
    """An issue, and what the measurements say of it."""

    issue: Published
    verdict: Plausibility
    trials: tuple[MeasurementCheck, ...]


@dataclass(frozen=True, slots=True)
class DistinguishingTest:
    """How a measurement distinguishes two issues. `apart` is the gap between the published figures and `tolerances` the sum of
    both tolerances, in the attribute's unit; None where there are no figures."""

    attribute: str
    between: tuple[str, str]
    tells: Distinguishes
    why: str
    apart: Fraction | None = None
    tolerances: Fraction | None = None
    measured: bool = False


@dataclass(frozen=True, slots=True)
class LookAlikeComparison:
    """`remaining`: ids of those that nothing rules out, the issue itself first. `settled`: it was compared with others, one
    remains, and something was measured that fits it."""

    piece: JudgedIssue
    look_alikes: tuple[JudgedIssue, ...]
    remaining: tuple[str, ...]
    settled: bool
    would_tell: tuple[DistinguishingTest, ...]


def compare_issue(measured: Facts, issue: Published, look_alikes: Sequence[Published]) -> LookAlikeComparison:
    """The issue and its look-alikes, each tested by the same measurements."""
    piece, *others = [_judged(measured, one) for one in (issue, *look_alikes)]
    left = [one for one in (piece, *others) if one.verdict not in RULED_OUT]
    settled = bool(others) and len(left) == 1 and left[0].verdict != CANNOT_TELL
    tests = [test for other in left[1:] for test in distinguishing_measurements(measured, left[0].issue, other.issue)]
    return LookAlikeComparison(piece, tuple(others), tuple(one.issue.id for one in left), settled, tuple(tests))


def distinguishing_measurements(measured: Facts, one: Published, other: Published) -> tuple[DistinguishingTest, ...]:
    """Every measurement that may distinguish two issues, the surest first; also the weight where it does not."""
    return tuple(sorted(_distinguishing(measured, one, other), key=lambda test: _ORDER.index(test.tells)))


def _judged(measured: Facts, issue: Published) -> JudgedIssue:
    trials = check_measurements(measured, issue)
    return JudgedIssue(issue, overall(trials), trials)


def _distinguishing(measured: Facts, one: Published, other: Published) -> Iterator[DistinguishingTest]:
    both = (one.id, other.id)
    yield from _by_weight(measured, one, other)
    yield from _by_diameter(measured, one, other)
    magnets = [facts.get("magnetic") for facts in (one.facts, other.facts)]
    if all(isinstance(known, Among) for known in magnets) and not _share(magnets[0], magnets[1]):
        why = "a magnet holds the one and not the other"
        yield DistinguishingTest("magnetic", both, TELLS, why, measured="magnetic" in measured)
    if _years_apart(one, other):
        why = "the two bear different years"
        yield DistinguishingTest("year_on_coin", both, TELLS, why, measured="year_on_coin" in measured)
    if _alloy(one.facts) != _alloy(other.facts) and "" not in (_alloy(one.facts), _alloy(other.facts)):
        why = (
            f"specific gravity, or an assay by a professional, would tell {_alloy(one.facts)} from {_alloy(other.facts)}; "
            f"{_BY_SIGHT}"
        )
        yield DistinguishingTest("fineness" if _only_fineness(one, other) else "material", both, PROFESSIONAL, why)


def _by_weight(measured: Facts, one: Published, other: Published) -> Iterator[DistinguishingTest]:
    (first, allowed, _), (second, allowed_too, _) = weight_zones(one), weight_zones(other)
    if allowed is None or allowed_too is None:
        return
    both, seen = (one.id, other.id), "weight_measured" in measured
    legal = [spans(issue.facts["weight_legal"]) for issue in (one, other)]
    apart, tolerances = _gap(first, second), allowed + allowed_too
    harm = spoiled(measured, "weight_measured")
    tells: Distinguishes
    if harm:
        tells, why = NEVER, f"the coin is or may be {', '.join(harm)}, so its weight tells nothing"
    elif legal[0] == legal[1]:
        tells, why = NEVER, "both have the same legal weight, so weight cannot settle it"
    else:
        tells, why = _words(first, second, apart, tolerances, "weights", "g")
    yield DistinguishingTest("weight_measured", both, tells, why, apart, tolerances, seen)


def _by_diameter(measured: Facts, one: Published, other: Published) -> Iterator[DistinguishingTest]:
    (first, allowed), (second, allowed_too) = diameter_zones(one), diameter_zones(other)
    if allowed is None or allowed_too is None or spoiled(measured, "diameter"):
        return
    apart, tolerances = _gap(first, second), allowed + allowed_too
    tells, why = _words(first, second, apart, tolerances, "diameters", "mm")
    if tells != NEVER:
        yield DistinguishingTest("diameter", (one.id, other.id), tells, why, apart, tolerances, "diameter" in measured)


def _words(
    first: tuple[Zones, ...], second: tuple[Zones, ...], apart: Fraction, tolerances: Fraction, what: str, unit: str
) -> tuple[Distinguishes, str]:
    text = f"the published {what} lie {in_figures(apart, unit)} apart, the tolerances come to {in_figures(tolerances, unit)}"
    pairs = [(a, b) for a in first for b in second]
    if all(a.high < b.worn or b.high < a.worn for a, b in pairs):
        return TELLS, text
    if all(a.high < b.low or b.high < a.low for a, b in pairs):
        return UNLESS_WORN, f"{text}; wear may make the heavier one as light as the other" if unit == "g" else text
    return NEVER, f"{text}: too near to tell"


def _gap(first: tuple[Zones, ...], second: tuple[Zones, ...]) -> Fraction:
    """The least distance between two published figures."""
    gaps = [max(a.stated_low - b.stated_high, b.stated_low - a.stated_high) for a in first for b in second]
    return max(min(gaps), Fraction(0))


def _share(one: object, other: object) -> bool:
    return isinstance(one, Among) and isinstance(other, Among) and bool(set(one.values) & set(other.values))


def _years_apart(one: Published, other: Published) -> bool:
    first, second = (spans(issue.facts.get("year_on_coin")) for issue in (one, other))
    if not first or not second:
        return False
    return not any(a.meets(b.low, b.high) for a in first for b in second)


def _alloy(facts: Facts) -> str:
    """'silver .925', 'bronze', or nothing."""
    fineness = facts.get("fineness")
    value = fineness.values[0] if isinstance(fineness, Among) and fineness.is_plain else None
    # In trade words .5 is written .500.
    share = "" if value is None else " " + value_in_words(value).removeprefix("0").ljust(4, "0")
    return f"{material_of(facts)}{share}".strip()


def _only_fineness(one: Published, other: Published) -> bool:
    return material_of(one.facts) == material_of(other.facts)

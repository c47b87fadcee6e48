"""Whether what was measured on one piece can be what an issue prescribes: weight, diameter, magnetism. Pure and exact.

A law gives the weight of a new coin and how far it may be off. Wear takes weight off and never adds any, so lighter may be
wear and heavier is not. Where no law's figure is published here, a bound of common practice is used (the tables below),
and every answer that follows from one names it. A verdict is about figures only: it is no authentication.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Final, Literal

from service.facts.holding import Facts
from service.facts.knowledge import Among, Between, Knowledge, Subsets

Plausibility = Literal["consistent", "wear possible", "too heavy", "impossible", "cannot tell"]
CONSISTENT: Final = "consistent"
WEAR: Final = "wear possible"
TOO_HEAVY: Final = "too heavy"
IMPOSSIBLE: Final = "impossible"
CANNOT_TELL: Final = "cannot tell"
RULED_OUT: frozenset[Plausibility] = frozenset((TOO_HEAVY, IMPOSSIBLE))

# Of several values that a measurement allows the best counts, since the coin has one of them; `too heavy` is claimed only
# when every one of them is.
_BEST_FIRST: tuple[Plausibility, ...] = (CONSISTENT, WEAR, IMPOSSIBLE, TOO_HEAVY)
# Of several tests on one coin the worst counts.
_WORST_FIRST: tuple[Plausibility, ...] = (IMPOSSIBLE, TOO_HEAVY, WEAR, CONSISTENT)

# No source: common practice. Shares of the published figure, by material where it matters.
TOLERANCES: Mapping[str, Fraction] = {"gold": Fraction(1, 200)}
OTHER_TOLERANCE = Fraction(1, 50)
MOST_WEAR: Mapping[str, Fraction] = {"gold": Fraction(3, 100)}
OTHER_WEAR = Fraction(1, 10)
DIAMETER_TOLERANCE, DIAMETER_WEAR = Fraction(1, 100), Fraction(3, 100)
THICKNESS_TOLERANCE = Fraction(1, 10)
NO_SOURCE = "common practice, no source"

# Problems that make a measurement meaningless (no source: common practice).
SPOILED: Mapping[str, frozenset[str]] = {
    "weight_measured": frozenset(
        ("holed", "plugged", "clipped", "mounted", "ex-jewellery", "gilded", "plated later", "corroded", "verdigris",
         "repaired", "tooled")
    ),
    "diameter": frozenset(("clipped", "mounted", "ex-jewellery", "bent", "rim damage", "repaired", "plated later")),
    "thickness": frozenset(("mounted", "ex-jewellery", "bent", "rim damage", "repaired", "plated later", "verdigris")),
    "magnetic": frozenset(("plugged", "mounted", "ex-jewellery", "plated later", "repaired")),
}  # fmt: skip

# A year or a thickness that fits proves nothing, so these do not make a piece consistent by themselves.
_SUPPORTING = ("thickness", "year_on_coin")


@dataclass(frozen=True, slots=True)
class Published:
    """An issue with its figures. `exact`: fractions that a law prescribes where the printed decimal only rounds them."""

    id: str
    facts: Facts
    label: str = ""
    source: str = ""
    exact: Mapping[str, Fraction] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MeasurementCheck:
    """One test: what was measured against what is published. `tolerance` is in the attribute's unit (g or mm), and `assumed`
    where no law's is published here."""

    attribute: str
    measured: Knowledge | None
    published: Knowledge | None
    verdict: Plausibility
    why: str
    tolerance: Fraction | None = None
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Span:
    """Numbers from `low` to `high`, both included; None leaves an end open."""

    low: Fraction | None
    high: Fraction | None

    def meets(self, low: Fraction | None, high: Fraction | None) -> bool:
        """Whether any number of the span lies from `low` to `high`."""
        return (self.low is None or high is None or self.low <= high) and (
            self.high is None or low is None or low <= self.high
        )

    def falls_below(self, edge: Fraction) -> bool:
        return self.low is None or self.low < edge

    def goes_beyond(self, edge: Fraction) -> bool:
        return self.high is None or self.high > edge


@dataclass(frozen=True, slots=True)
class Zones:
    """Where a figure is consistent (`low` to `high`) and where wear may have brought it (from `worn`), around what is
    published (`stated_low` to `stated_high`)."""

    worn: Fraction
    low: Fraction
    high: Fraction
    stated_low: Fraction
    stated_high: Fraction

    def verdicts(self, span: Span, above: Plausibility) -> list[Plausibility]:
        """What the numbers of the span come to, best first. `above`: what a number past `high` is."""
        found: list[Plausibility] = []
        if span.meets(self.low, self.high):
            found.append(CONSISTENT)
        if span.falls_below(self.low) and span.meets(self.worn, None):
            found.append(WEAR)
        if span.falls_below(self.worn):
            found.append(IMPOSSIBLE)
        if span.goes_beyond(self.high):
            found.append(above)
        return found


def spans(knowledge: Knowledge | None) -> tuple[Span, ...]:
    """The numbers that are possible; none where nothing is known, or where it is no number."""
    if isinstance(knowledge, Between):
        return (Span(_number(knowledge.low), _number(knowledge.high)),)
    values = knowledge.values if isinstance(knowledge, Among) else ()
    return tuple(Span(number, number) for number in map(_number, values) if number is not None)


def _number(value: object) -> Fraction | None:
    return Fraction(value) if isinstance(value, int | Fraction) and not isinstance(value, bool) else None


def check_measurements(measured: Facts, issue: Published) -> tuple[MeasurementCheck, ...]:
    """Every test of the piece against the issue, weight first. A test for which there is neither a measurement nor a
    published figure is left out, except that of the weight."""
    found = [_weigh(measured, issue)]
    for attribute, test in _TESTS.items():
        if attribute in measured or attribute in issue.facts:
            found.append(test(measured, issue))
    if "year_on_coin" in measured and "year_on_coin" in issue.facts:
        found.append(_date(measured, issue))
    return tuple(found)


def overall(trials: Iterable[MeasurementCheck]) -> Plausibility:
    """The verdict on the piece: the worst of its tests. Nothing measured, or nothing to measure against: `cannot tell`."""
    found = {trial.verdict for trial in trials if trial.attribute not in _SUPPORTING or trial.verdict in RULED_OUT}
    return next((verdict for verdict in _WORST_FIRST if verdict in found), CANNOT_TELL)


def weight_zones(issue: Published) -> tuple[tuple[Zones, ...], Fraction | None, bool]:
    """The zones of each weight that the issue may have, the tolerance in g, and whether it is assumed. No weight
    published: no zones."""
    legal = spans(issue.facts.get("weight_legal"))
    ends = [end for span in legal for end in (span.low, span.high)]
    if not legal or None in ends:
        return (), None, False
    stated = [span.high for span in spans(issue.facts.get("weight_tolerance")) if span.high is not None]
    material = material_of(issue.facts)
    highest = max(end for end in ends if end is not None)
    tolerance = max(stated) if stated else highest * TOLERANCES.get(material, OTHER_TOLERANCE)
    keeps = 1 - MOST_WEAR.get(material, OTHER_WEAR)
    return tuple(_zones(span, tolerance, keeps) for span in legal), tolerance, not stated


def diameter_zones(issue: Published) -> tuple[tuple[Zones, ...], Fraction | None]:
    """The same for the diameter in mm, whose tolerance is always assumed."""
    legal = spans(issue.facts.get("diameter"))
    highs = [span.high for span in legal if span.high is not None and span.low is not None]
    if not legal or len(highs) < len(legal):
        return (), None
    tolerance = max(highs) * DIAMETER_TOLERANCE
    return tuple(_zones(span, tolerance, 1 - DIAMETER_WEAR) for span in legal), tolerance


def _zones(span: Span, tolerance: Fraction, keeps: Fraction) -> Zones:
    assert span.low is not None
    assert span.high is not None
    low = max(span.low - tolerance, Fraction(0))
    return Zones(min(span.low * keeps, low), low, span.high + tolerance, span.low, span.high)


def material_of(facts: Facts) -> str:
    """The material in words where it is plainly known, else nothing."""
    known = facts.get("material")
    value = known.values[0] if isinstance(known, Among) and known.is_plain else ""
    return value if isinstance(value, str) else ""


def spoiled(measured: Facts, attribute: str) -> tuple[str, ...]:
    """The problems, sure or possible, that make this measurement say nothing."""
    known = measured.get("problems")
    values = known.values if isinstance(known, Among) else (known.every,) if isinstance(known, Subsets) else ()
    sets = [value for value in values if isinstance(value, frozenset)]
    return tuple(sorted(frozenset().union(*sets) & SPOILED[attribute]))


def in_figures(number: Fraction, unit: str = "g") -> str:
    """A number in words: up to five places, without idle zeros."""
    shown = f"{Decimal(f'{round(number * 10**5)}E-5'):f}".rstrip("0").rstrip(".")
    return f"{shown} {unit}" if unit else shown


def per_cent(share: Fraction) -> str:
    return f"{in_figures(share * 100, '')} %"


def _cannot(attribute: str, measured: Facts, issue: Published, name: str) -> MeasurementCheck | None:
    """The test without a result, with the reason; None when there is something to test."""
    key = "weight_legal" if attribute == "weight_measured" else attribute
    seen, stated = measured.get(attribute), issue.facts.get(key)
    harm = spoiled(measured, attribute)
    if not _says_something(seen):
        why = f"the {name} was not measured"
    elif not _says_something(stated):
        why = f"no {name} is published here for this issue"
    elif harm:
        why = f"the coin is or may be {', '.join(harm)}, so its {name} says nothing of the issue"
    else:
        return None
    return MeasurementCheck(attribute, seen, stated, CANNOT_TELL, why)


def _says_something(knowledge: Knowledge | None) -> bool:
    return bool(spans(knowledge)) or (
        isinstance(knowledge, Among) and any(isinstance(value, bool) for value in knowledge.values)
    )


def _weigh(measured: Facts, issue: Published) -> MeasurementCheck:
    nothing = _cannot("weight_measured", measured, issue, "weight")
    zones, tolerance, assumed = weight_zones(issue)
    if nothing or tolerance is None:
        why = "the published weight has an open end"
        stated = issue.facts.get("weight_legal")
        return nothing or MeasurementCheck("weight_measured", measured.get("weight_measured"), stated, CANNOT_TELL, why)
    seen, stated = measured["weight_measured"], issue.facts["weight_legal"]
    verdict, doubtful = _best(spans(seen), zones, TOO_HEAVY)
    material = material_of(issue.facts)
    share = TOLERANCES.get(material, OTHER_TOLERANCE)
    allowed = (
        f"its tolerance is not published here, so {per_cent(share)} is allowed ({NO_SOURCE})"
        if assumed
        else f"a new coin may be {in_figures(tolerance)} off"
    )
    most = f"{per_cent(MOST_WEAR.get(material, OTHER_WEAR))} ({NO_SOURCE})"
    why = {
        CONSISTENT: "it is within that",
        WEAR: f"it is lighter than that, by no more than long wear may take off: {most}",
        TOO_HEAVY: "it is heavier than that, and wear takes weight off and never adds any",
        IMPOSSIBLE: f"it is further off than long wear can explain: {most}",
    }[verdict]
    text = f"the law gives {_figures(stated, 'g')}; {allowed}; {why}"
    least = [span.low for span in spans(issue.facts.get("weight_least")) if span.low is not None]
    if least and verdict != TOO_HEAVY and all(span.falls_below(min(least)) for span in spans(seen)):
        text += f"; it is or may be below the least current weight of {in_figures(min(least))}"
    return MeasurementCheck("weight_measured", seen, stated, verdict, text + doubtful, tolerance, assumed)


def _measure_across(measured: Facts, issue: Published) -> MeasurementCheck:
    nothing = _cannot("diameter", measured, issue, "diameter")
    zones, tolerance = diameter_zones(issue)
    if nothing or tolerance is None:
        why = "the published diameter has an open end"
        stated = issue.facts.get("diameter")
        return nothing or MeasurementCheck("diameter", measured.get("diameter"), stated, CANNOT_TELL, why)
    seen, stated = measured["diameter"], issue.facts["diameter"]
    verdict, doubtful = _best(spans(seen), zones, IMPOSSIBLE)
    why = {
        CONSISTENT: "it is within that",
        WEAR: f"it is smaller, by no more than a worn rim may explain: {per_cent(DIAMETER_WEAR)} ({NO_SOURCE})",
        IMPOSSIBLE: "it is further off than measuring and wear explain",
    }[verdict]
    text = f"published: {_figures(stated, 'mm')}; {per_cent(DIAMETER_TOLERANCE)} is allowed ({NO_SOURCE}); {why}"
    return MeasurementCheck("diameter", seen, stated, verdict, text + doubtful, tolerance, True)


def _measure_rim(measured: Facts, issue: Published) -> MeasurementCheck:
    nothing = _cannot("thickness", measured, issue, "thickness")
    if nothing:
        return nothing
    seen, stated = measured["thickness"], issue.facts["thickness"]
    near = any(
        one.meets(
            None if other.low is None else other.low * (1 - THICKNESS_TOLERANCE),
            None if other.high is None else other.high * (1 + THICKNESS_TOLERANCE),
        )
        for one in spans(seen)
        for other in spans(stated)
    )
    verdict: Plausibility = CONSISTENT if near else CANNOT_TELL
    why = f"laws give the thickness as indicative only, so it rules nothing out; published: {_figures(stated, 'mm')}"
    return MeasurementCheck("thickness", seen, stated, verdict, why)


def _try_magnet(measured: Facts, issue: Published) -> MeasurementCheck:
    nothing = _cannot("magnetic", measured, issue, "magnetism")
    if nothing:
        return nothing
    seen, stated = measured["magnetic"], issue.facts["magnetic"]
    assert isinstance(seen, Among)
    assert isinstance(stated, Among)
    verdict: Plausibility = CONSISTENT if set(seen.values) & set(stated.values) else IMPOSSIBLE
    expected = " or ".join("holds it" if value is True else "does not hold it" for value in stated.values)
    return MeasurementCheck("magnetic", seen, stated, verdict, f"with this metal a magnet {expected}")


def _date(measured: Facts, issue: Published) -> MeasurementCheck:
    seen, stated = measured["year_on_coin"], issue.facts["year_on_coin"]
    pairs = [(one, other) for one in spans(seen) for other in spans(stated)]
    if not pairs:
        return MeasurementCheck("year_on_coin", seen, stated, CANNOT_TELL, "there is no year to compare")
    fits = any(one.meets(other.low, other.high) for one, other in pairs)
    why = f"the issue bears {_figures(stated, '')}" + ("" if fits else ", and the coin another year")
    return MeasurementCheck("year_on_coin", seen, stated, CONSISTENT if fits else IMPOSSIBLE, why)


_TESTS: Mapping[str, Callable[[Facts, Published], MeasurementCheck]] = {
    "diameter": _measure_across,
    "magnetic": _try_magnet,
    "thickness": _measure_rim,
}


def _best(seen: tuple[Span, ...], zones: tuple[Zones, ...], above: Plausibility) -> tuple[Plausibility, str]:
    """The best that any measured number comes to, and a word about those that would not fit."""
    # Several published figures: one number is judged by the figure that it fits best.
    by_figure = [[verdict for span in seen for verdict in zone.verdicts(span, above)] for zone in zones]
    possible = {verdict for found in by_figure for verdict in found}
    best = next(verdict for verdict in _BEST_FIRST if verdict in possible)
    partly = len(zones) == 1 and best not in RULED_OUT and bool(possible & RULED_OUT)
    return best, "; part of what you measured would not fit, so measure it more finely" if partly else ""


def _figures(knowledge: Knowledge, unit: str) -> str:
    shown = []
    for span in spans(knowledge):
        if span.low is None or span.high is None:
            more = "or more" if unit else "or later"
            shown.append(f"{in_figures(span.low, unit)} {more}" if span.low is not None else "an open range")
        elif span.low == span.high:
            shown.append(in_figures(span.low, unit))
        else:
            shown.append(f"{in_figures(span.low, '')} to {in_figures(span.high, unit)}")
    return " or ".join(shown)

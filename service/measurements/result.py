"""The answer to a check of a piece, as it is sent. Pure.

Figures are exact decimals; a figure that does not end has 28 digits, and a fine weight has its exact fraction too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Literal, TypeVar

from msgspec import Meta, Struct, field

from service.facts.knowledge import Knowledge, exact, knowledge_as_json, plain_number
from service.facts.recorded import RecordedFact
from service.measurements.fine_weight import GRAM_PLACES, OUNCE_PLACES, FineWeight, in_troy_ounces, rounded
from service.measurements.look_alikes import Distinguishes, DistinguishingTest, JudgedIssue
from service.measurements.plausibility import MeasurementCheck, Plausibility, Published

_T = TypeVar("_T")


class MeasurementResult(Struct):
    """One measurement against the published figure."""

    attribute: str
    measured: Annotated[RecordedFact | None, Meta(description="As in a holding's facts; null: not measured.")]
    published: Annotated[RecordedFact | None, Meta(description="As in an issue's facts; null: not published here.")]
    tolerance: Annotated[Decimal | None, Meta(description="In the attribute's unit, either way.")]
    tolerance_from: Literal["law", "common practice"] | None
    verdict: Plausibility
    why: str
    source: Annotated[str, Meta(description="Where the published figure is from; empty: the request did not say.")]


class LookAlikeResult(Struct):
    """A look-alike, and what the measurements say of it."""

    issue: str
    label: str
    verdict: Plausibility
    tests: list[MeasurementResult]


class DistinguishingMeasurement(Struct):
    """A measurement that would distinguish two of the remaining issues, or cannot."""

    attribute: str
    between: list[str]
    tells: Distinguishes
    apart: Annotated[
        Decimal | None, Meta(description="How far the published figures lie apart, in the attribute's unit.")
    ]
    tolerances: Annotated[Decimal | None, Meta(description="Both tolerances together.")]
    measured: Annotated[bool, Meta(description="Whether it was measured already, too coarsely to tell.")]
    why: str


class DecimalRange(Struct):
    """Both ends are included."""

    from_: Decimal = field(name="from")
    to: Decimal


class FractionRange(Struct):
    """Both ends are included; each is a fraction such as 440/1869."""

    from_: str = field(name="from")
    to: str


class FineWeightPlaces(Struct):
    """To how many decimal places figures are rounded."""

    grams: int
    troy_ounces: int


class FineWeightResult(Struct):
    """The fine weight by one rule; figures are null where the rule gives none."""

    rule: str
    metal: str
    grams: Annotated[Decimal | DecimalRange | None, Meta(description="Rounded half-even to `places.grams`.")]
    troy_ounces: Annotated[Decimal | DecimalRange | None, Meta(description="Likewise.")]
    exact_grams: Annotated[str | FractionRange | None, Meta(description="The same before rounding, as a fraction.")]
    exact_troy_ounces: str | FractionRange | None
    places: FineWeightPlaces
    why: str


class PieceCheck(Struct):
    """Whether the measurements can be those of the issue, and of what else."""

    issue: str
    label: str
    verdict: Plausibility
    tests: list[MeasurementResult]
    look_alikes: list[LookAlikeResult]
    remaining: Annotated[list[str], Meta(description="The issues that nothing measured rules out.")]
    settled: Annotated[bool, Meta(description="Whether one issue of several remains, and a measurement fits it.")]
    would_tell: list[DistinguishingMeasurement]
    fine_weight: list[FineWeightResult]
    cautions: list[str]
    reference_edition: str
    engine_version: str


def measurement_results(judged: JudgedIssue) -> list[MeasurementResult]:
    """Every test of the piece against one issue."""
    return [_measurement(check, judged.issue) for check in judged.trials]


def look_alike_results(judged: Iterable[JudgedIssue]) -> list[LookAlikeResult]:
    """The look-alikes, in their order."""
    return [LookAlikeResult(one.issue.id, one.issue.label, one.verdict, measurement_results(one)) for one in judged]


def distinguishing_result(test: DistinguishingTest) -> DistinguishingMeasurement:
    """How one measurement distinguishes two issues."""
    return DistinguishingMeasurement(
        attribute=test.attribute,
        between=list(test.between),
        tells=test.tells,
        apart=_decimal(test.apart),
        tolerances=_decimal(test.tolerances),
        measured=test.measured,
        why=test.why,
    )


def fine_weight_result(weight: FineWeight) -> FineWeightResult:
    """The fine weight by one rule, rounded and exact."""
    grams = None if weight.low is None or weight.high is None else (weight.low, weight.high)
    ounces = None if grams is None else (in_troy_ounces(grams[0]), in_troy_ounces(grams[1]))
    return FineWeightResult(
        rule=weight.rule,
        metal=weight.metal,
        grams=_figure(grams, lambda value: rounded(value, GRAM_PLACES), DecimalRange),
        troy_ounces=_figure(ounces, lambda value: rounded(value, OUNCE_PLACES), DecimalRange),
        exact_grams=_figure(grams, str, FractionRange),
        exact_troy_ounces=_figure(ounces, str, FractionRange),
        places=FineWeightPlaces(GRAM_PLACES, OUNCE_PLACES),
        why=weight.why,
    )


def _measurement(check: MeasurementCheck, issue: Published) -> MeasurementResult:
    return MeasurementResult(
        attribute=check.attribute,
        measured=_recorded(check.measured),
        published=_recorded(check.published),
        tolerance=_decimal(check.tolerance),
        tolerance_from=None if check.tolerance is None else "common practice" if check.assumed else "law",
        verdict=check.verdict,
        why=check.why,
        source="" if check.published is None else issue.source,
    )


def _recorded(known: Knowledge | None) -> RecordedFact | None:
    return None if known is None else knowledge_as_json(known)


def _decimal(value: Fraction | None) -> Decimal | None:
    return None if value is None else Decimal(plain_number(exact(value)))


_R = TypeVar("_R")


def _figure(
    ends: tuple[Fraction, Fraction] | None, show: Callable[[Fraction], _T], range_of: Callable[[_T, _T], _R]
) -> _T | _R | None:
    """One figure where both ends are equal, else a range."""
    if ends is None:
        return None
    low, high = show(ends[0]), show(ends[1])
    return low if ends[0] == ends[1] else range_of(low, high)

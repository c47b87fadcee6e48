"""The check of a piece on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, WithJsonSchema

from service.http.wire import In, OldOut

MOST_LOOK_ALIKES = 50

_ISSUE = {
    "anyOf": [
        {"type": "string", "minLength": 1, "maxLength": 200},
        {
            "type": "object",
            "properties": {
                "id": {"type": "string", "minLength": 1, "maxLength": 200},
                "label": {"type": "string"},
                "facts": {"type": "object"},
            },
            "required": ["id", "facts"],
            "additionalProperties": False,
        },
    ]
}
AnyIssue = Annotated[Any, WithJsonSchema(_ISSUE)]
AnyIssues = Annotated[Any, WithJsonSchema({"type": "array", "maxItems": MOST_LOOK_ALIKES, "items": _ISSUE})]
AnyFacts = Annotated[Any, WithJsonSchema({"type": "object"})]
AnyHolding = Annotated[Any, WithJsonSchema({"type": "string", "format": "uuid"})]
AnyNumber = Annotated[Any, WithJsonSchema({"type": "number"})]


class PieceCheckIn(In):
    """What was measured and on which issue it is tried. No account is needed unless something kept here is named."""

    issue: AnyIssue = Field(
        None, description="The id of a catalogue issue, or one with its facts; left out: that of the holding."
    )
    look_alikes: AnyIssues = Field(
        None, description="Issues that it may be taken for; left out: those that the issue names."
    )
    measured: AnyFacts = Field(
        None, description="Facts of the piece: weight_measured, diameter, magnetic, thickness, year_on_coin, problems."
    )
    holding: AnyHolding = Field(None, description="A holding kept here, in place of `measured`.")


class TrialOut(OldOut):
    """One test."""

    attribute: str
    measured: Any = Field(description="As in a holding's facts; null: not measured.")
    published: Any = Field(description="As in an issue's facts; null: not published here.")
    tolerance: AnyNumber | None = Field(description="In the attribute's unit, either way.")
    tolerance_from: Literal["law", "common practice"] | None
    verdict: Literal["consistent", "wear possible", "too heavy", "impossible", "cannot tell"]
    why: str
    source: str = Field(description="Where the published figure is from; empty: the request did not say.")


class JudgedOut(OldOut):
    """A look-alike, and what the measurements say of it."""

    issue: str
    label: str
    verdict: Literal["consistent", "wear possible", "too heavy", "impossible", "cannot tell"]
    tests: list[TrialOut]


class TellingOut(OldOut):
    """A measurement that would tell two of the remaining issues apart, or cannot."""

    attribute: str
    between: list[str]
    tells: Literal["yes", "unless worn", "by a professional", "no"]
    apart: AnyNumber | None = Field(description="How far the published figures lie apart, in the attribute's unit.")
    tolerances: AnyNumber | None = Field(description="Both tolerances together.")
    measured: bool = Field(description="Whether it was measured already, too coarsely to tell.")
    why: str


class FineWeightOut(OldOut):
    """The fine weight by one rule; figures are null where the rule gives none."""

    rule: str
    metal: str
    grams: Any = Field(description='A number, or {"from", "to"}; rounded half-even to `places.grams`.')
    troy_ounces: Any = Field(description="Likewise.")
    exact_grams: Any = Field(description="The same before rounding, as a fraction.")
    exact_troy_ounces: Any
    places: dict[str, int]
    why: str


class PieceCheckOut(OldOut):
    """Whether the measurements can be those of the issue, and of what else."""

    issue: str
    label: str
    verdict: Literal["consistent", "wear possible", "too heavy", "impossible", "cannot tell"]
    tests: list[TrialOut]
    look_alikes: list[JudgedOut]
    remaining: list[str] = Field(description="The issues that nothing measured rules out.")
    settled: bool = Field(description="Whether one issue of several remains, and a measurement fits it.")
    would_tell: list[TellingOut]
    fine_weight: list[FineWeightOut]
    cautions: list[str]
    reference_edition: str
    engine_version: str

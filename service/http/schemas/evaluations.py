"""Evaluations and explanations on the wire."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.http.wire import Day, In, OldOut

Id = Annotated[str, StringConstraints(min_length=1, max_length=200)]


def _holdings(value: Any) -> Any:
    if value == "mine" or isinstance(value, list):
        return value
    raise PydanticCustomError("holdings", 'a list of holdings is needed here, or "mine" for those that you keep here')


def _seconds(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal) or not Decimal("0.1") <= value <= 60:
        raise PydanticCustomError("budget", "a number of seconds from 0.1 to 60 is needed here")
    return float(value)


def _level(value: Any) -> Any:
    if isinstance(value, str | dict):
        return value
    raise PydanticCustomError(
        "definition", 'a set definition is needed here, or {"id": ..., "revision": ...} of one kept here'
    )


_REFERENCE = {
    "type": "object",
    "properties": {"id": {"type": "string", "format": "uuid"}, "revision": {"type": "integer", "minimum": 1}},
    "required": ["id"],
    "additionalProperties": False,
}
_INLINE = {"type": "object", "properties": {"format": {"const": "set-definition/1"}}, "required": ["format"]}
AnyDefinition = Annotated[
    dict[str, Any],
    BeforeValidator(_level),
    WithJsonSchema({"anyOf": [_REFERENCE, _INLINE], "description": "A set definition, or the id of one kept here."}),
]
AnyHoldings = Annotated[
    Any, AfterValidator(_holdings), WithJsonSchema({"anyOf": [{"type": "array"}, {"const": "mine"}]})
]
Seconds = Annotated[float, BeforeValidator(_seconds), WithJsonSchema({"type": "number", "minimum": 0.1, "maximum": 60})]


class ReferenceIn(In):
    """A definition kept here; without a revision the one that its owner's set follows (for a check: its draft, or else its
    newest)."""

    id: str
    revision: int | None = Field(None, ge=1, le=2**31 - 1)


class IssueIn(In):
    """A catalogue entry of the caller's."""

    id: Id
    facts: dict[str, Any]
    label: str = ""


class ConceptIn(In):
    """One term of a vocabulary of the caller's."""

    id: Id
    label: str = ""
    broader: list[Id] = Field(default_factory=list)
    ended: Day | None = None
    current: bool = False


class VocabularyIn(In):
    """A vocabulary of the caller's; it stands in for a shipped one of the same name."""

    name: Id
    concepts: list[ConceptIn]


class PlacingIn(In):
    """A holding and a place."""

    holding: Id
    place: Annotated[str, StringConstraints(min_length=1, max_length=500)]


class Inputs(In):
    """What both an evaluation and an explanation take."""

    definition: AnyDefinition
    issues: list[IssueIn] = Field(default_factory=list)
    vocabularies: list[VocabularyIn] = Field(default_factory=list, max_length=100)
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


class EvaluationIn(Inputs):
    """What to evaluate. No account is needed when everything is in the body."""

    holdings: AnyHoldings
    pins: list[PlacingIn] = Field(default_factory=list, description="This coin sits in that place.")
    nevers: list[PlacingIn] = Field(default_factory=list, description="This coin never sits in that place.")
    previous: list[PlacingIn] = Field(default_factory=list, description="Where the last evaluation had them.")
    budget_seconds: Seconds = 10.0


class ExplanationIn(Inputs):
    """Which holding to explain, against one place or all."""

    holding: Annotated[Any, WithJsonSchema({"anyOf": [{"type": "object"}, {"type": "string", "format": "uuid"}]})]
    place: str | None = Field(None, max_length=500)


class CheckIn(Inputs):
    """Which definition to check, with the catalogue and vocabularies to check it against."""


class FindingOut(OldOut):
    """One finding."""

    code: str
    severity: Literal["error", "warning", "note"]
    pointer: str = Field(description="What it is about: a JSON pointer into the document.")
    message: str
    others: list[str] | None = Field(None, description="What it is about as well.")
    example: dict[str, Any] | None = Field(None, description="The facts of a coin that shows it.")


class CheckedOut(OldOut):
    """Which definition was checked; without a digest when the document cannot be read."""

    id: str | None
    revision: int | None
    digest: str | None


class CheckOut(OldOut):
    """The findings on a definition: rules.md, section 7."""

    definition: CheckedOut
    counts: dict[str, int]
    findings: list[FindingOut]
    reference_edition: str
    engine_version: str


class WantOut(OldOut):
    """One line of a want list."""

    kind: Literal["empty", "open", "better"]
    tier: str
    place: str
    label: str
    wanted: str = Field(description="What a coin must be, in words.")
    look_at: str
    places: int
    holding: str | None = None
    number: str | None = Field(None, description="The owner's own number of the coin that sits there.")
    because: str | None = Field(None, description="What the coin that sits there is worth under the preferences.")
    below_min_grade: bool | None = Field(None, description="true: the coin is surely below the owner's least grade.")
    min_grade: int | None = Field(None, description="The owner's note: the least grade worth buying.")
    most_to_pay: float | None = Field(None, description="The owner's note; no valuation.")
    currency: str | None = None
    note: str | None = None


class WantListOut(OldOut):
    """Empty places by tier, then the weakest fillings."""

    title: str
    evaluated_on: str
    wanted: list[WantOut]
    weakest: list[WantOut]


class PlacesOut(OldOut):
    """Numbers of places."""

    places: int
    filled: int
    tentative: int
    empty: int


class SummaryOut(PlacesOut):
    """The headline figures."""

    certain: int
    possible: int
    required: PlacesOut
    unplaced: int


class DefinitionStampOut(OldOut):
    """Which definition was evaluated."""

    id: str | None
    revision: int | None
    digest: str


class PlaceOut(OldOut):
    """One place and what sits in it."""

    place: str
    status: Literal["filled", "tentative", "empty"]
    holding: str | None = None
    certainty: str | None = None


class GroupOut(OldOut):
    """A group of places."""

    id: str
    places: list[PlaceOut]


class EvaluationOut(OldOut):
    """An evaluation: rules.md, section 6."""

    definition: DefinitionStampOut
    holdings_state: str | None
    evaluated_on: str
    summary: SummaryOut
    reference_edition: str | None
    engine_version: str
    proven_optimal: bool
    slots: list[PlaceOut]
    one_per: list[GroupOut]
    free_choice: list[GroupOut]
    conflicts: list[dict[str, Any]]
    unplaced: list[dict[str, Any]]
    ignored_facts: list[dict[str, Any]] | None = Field(
        None,
        description="What was left out of holdings kept here: it does not fit this definition, or is in no catalogue.",
    )


class ExplanationOut(OldOut):
    """The verdicts of one holding, clause by clause."""

    holding: str
    definition: DefinitionStampOut
    evaluated_on: str
    places: list[dict[str, Any]]
    reference_edition: str
    engine_version: str

"""What is worth looking at, on the wire."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from service.http.schemas.candidates import MOST_SETS
from service.http.schemas.evaluations import DefinitionStampOut, Id
from service.http.wire import Day, OldOut


class DoubtsQuery(BaseModel):
    """Which sets, and for which day."""

    model_config = ConfigDict(extra="forbid")

    definition: list[Id] | None = Field(
        None,
        max_length=MOST_SETS,
        description="Ids of definitions kept here, one parameter each; left out: all of them.",
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


class TurnOut(OldOut):
    """What the sets gain together when the facts turn out like this."""

    values: dict[str, str] = Field(description="By attribute, in words.")
    certain_gain: int
    possible_gain: int


class GainOfSetOut(OldOut):
    """What one of the sets gains."""

    set: int = Field(description="Its number in `sets`, from 0.")
    certain_gain: int
    possible_gain: int
    opens: list[str] = Field(description="Places that are empty now and filled then.")


class OutcomeOut(TurnOut):
    """One way that the facts may turn out."""

    recorded: dict[str, Any] = Field(description="The facts as they would be recorded.")
    sets: list[GainOfSetOut]


class FactToLookAtOut(OldOut):
    """A fact, or several together, of one coin."""

    holding: str
    number: str | None = Field(description="The owner's own number of the coin.")
    attributes: list[str] = Field(description="`issue`: which of its candidate issues it is.")
    look_at: dict[str, str]
    best: TurnOut
    worst: TurnOut
    outcomes: list[OutcomeOut]
    proven: bool
    message: str


class FeaturesOut(OldOut):
    """The smallest set of features that tells the candidate issues of a coin apart."""

    holding: str
    number: str | None
    features: list[dict[str, Any]] = Field(description="`attribute`, `look_at`, and the value of each issue.")
    alike: list[list[str]] = Field(description="Issues that nothing in the catalogue tells apart.")
    ruled_out: list[dict[str, str]] = Field(description="Issues that contradict a recorded fact, and which.")
    is_smallest: bool
    message: str


class SetNameOut(OldOut):
    """One of the sets."""

    definition: DefinitionStampOut
    title: str


class DoubtsOut(OldOut):
    """The facts that change most come first."""

    evaluated_on: str
    sets: list[SetNameOut]
    facts: list[FactToLookAtOut]
    features: list[FeaturesOut]
    left_out: int = Field(description="Facts that were not weighed, past the work that one answer may cost.")
    reference_edition: str
    engine_version: str

"""Exhibitions on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from service.definitions.history.model import Exhibition
from service.facts.holding import MOST_FACTS, MOST_PIECES
from service.formats.shapes import AttributeName
from service.holdings.model import NamedIssueIn
from service.http.conditional import entity_tag
from service.http.schemas.evaluations import DefinitionStampOut, EvaluationOut, SummaryOut
from service.http.wire import Day, In, OldOut, OldPageOut, Text

MOST_LOANS = 2_000

Name = Annotated[Text, StringConstraints(min_length=1, max_length=200)]


class LoanIn(In):
    """A coin that somebody lends; several like ones are one loan."""

    owner: Name = Field(description="Who lends it.")
    label: Name | None = Field(None, description="What to call it; left out: its facts in a few words.")
    facts: dict[AttributeName, Any] = Field(max_length=MOST_FACTS, description="What is known of the coin.")
    issue: NamedIssueIn = Field(None, description="The catalogue entry that it is, or several candidates.")
    quantity: int = Field(1, ge=1, le=MOST_PIECES, description="How many like pieces.")


class ExhibitionIn(In):
    """A set as it is to be shown: the owner's holdings of now, and loans."""

    title: Name
    on: Day = Field(description="The day to evaluate for.")
    loans: list[LoanIn] = Field(
        default_factory=list, max_length=MOST_LOANS, description="They get the ids loan-1, loan-2 and so on."
    )
    note: Annotated[Text, StringConstraints(max_length=10_000)] | None = None
    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )


class ExhibitionQuery(BaseModel):
    """In which form."""

    model_config = ConfigDict(extra="forbid")

    format: Literal["json", "text"] | None = Field(
        None,
        description="text is the list of exhibits by page and place; left out: the first that Accept prefers, or JSON.",
    )


class ExhibitOut(OldOut):
    """A coin that is shown, with its facts as they were."""

    page: str | None
    place: str
    label: str
    status: Literal["filled", "tentative"]
    holding: str
    number: str | None
    owner: str | None = Field(description="Who lends it; null: the owner of the set.")
    description: str
    facts: dict[str, Any]
    issue: Any


class LoanOut(OldOut):
    """A loan that is shown, and where."""

    owner: str
    loan: str
    label: str
    place: str
    place_label: str


class UnusedLoanOut(OldOut):
    """A loan, or pieces of it, that the set has no place for, and why not."""

    owner: str
    loan: str
    label: str
    pieces: int
    reason: Literal["spare", "undecided", "outside"]


class StampOut(DefinitionStampOut):
    """Which definition it was."""

    title: str


class ExhibitionSummaryOut(OldOut):
    """An exhibition in a list."""

    id: str
    title: str
    on: str
    created_at: str
    summary: SummaryOut


class ExhibitionOut(ExhibitionSummaryOut):
    """An exhibition: nothing that is changed later changes it."""

    note: str | None
    definition: StampOut
    holdings_state: str
    reference_edition: str
    engine_version: str
    proven_optimal: bool
    exhibits: list[ExhibitOut]
    loans: list[LoanOut] = Field(description="By the names of their owners.")
    unused_loans: list[UnusedLoanOut]
    evaluation: EvaluationOut


class ExhibitionPageOut(OldPageOut):
    """One page of exhibitions, in the order of their ids."""

    items: list[ExhibitionSummaryOut]


def summary_of(kept: Exhibition) -> dict[str, Any]:
    named = {"id": kept.id, "title": kept.title, "on": kept.day.isoformat()}
    return {**named, "created_at": kept.created_at, "summary": kept.summary}


def shown_exhibition(kept: Exhibition) -> dict[str, Any]:
    return {**summary_of(kept), **(kept.content or {})}


def exhibition_tag(kept: Exhibition, form: str = "json") -> str:
    """It never changes; the moment tells it from one restored under the same id."""
    return entity_tag("exhibition", kept.id, kept.created_at, form)

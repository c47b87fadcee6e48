"""The history of a set on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, WithJsonSchema

from service.database.ids import read_id
from service.definitions.history.model import Filling, RecordedDay
from service.holdings.model import StoredHolding
from service.http.pagination import PageQuery
from service.http.schemas.evaluations import DefinitionStampOut, SummaryOut
from service.http.wire import Day, In, OldOut, OldPageOut


def _identity(value: str) -> str:
    identity = read_id(value)
    if identity is None:
        raise ValueError("this is the id of a holding")
    return identity


HoldingName = Annotated[str, AfterValidator(_identity), WithJsonSchema({"type": "string", "format": "uuid"})]


class NoteIn(In):
    """For which day, and by which revision, to note how the set stands."""

    on: Day | None = Field(None, description="Not before the last note, and no day to come; left out: today in UTC.")
    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )


class HistoryQuery(PageQuery):
    """Which fillings: of one place, of one coin, of one day."""

    place: str | None = Field(None, min_length=1, max_length=500, description="The address of one place.")
    holding: HoldingName | None = Field(None, description="The id of one holding, deleted or not.")
    on: Day | None = Field(None, description="How the set stood at the end of this day, as far as it was noted.")


class ChangeOut(OldOut):
    """What is otherwise in one place than at the last note."""

    place: str
    label: str
    event: Literal["filled", "emptied", "replaced", "settled", "doubted"] = Field(
        description="settled, doubted: the same coin sits there, now for certain, or now only tentatively."
    )
    holding: str = Field(description="The coin that sits there now; emptied: the one that left.")
    before: str | None = Field(description="replaced: the coin that sat there before.")
    basis: Literal["filled", "tentative"]


class NoteOut(OldOut):
    """What a note changed, and how the set stands."""

    noted_on: str
    changes: list[ChangeOut]
    definition: DefinitionStampOut
    holdings_state: str
    summary: SummaryOut
    proven_optimal: bool
    reference_edition: str
    engine_version: str


class FillingOut(OldOut):
    """A coin in a place for a time."""

    place: str
    label: str = Field(description="The place's label when the coin came.")
    holding: str
    number: str | None = Field(description="The owner's own number; null too where the holding is no longer kept.")
    kept: bool = Field(description="Whether the holding is still kept here.")
    basis: Literal["filled", "tentative"]
    since: str = Field(description="The day that it was first noted there.")
    until: str | None = Field(description="The day that it was first noted there no more; null: it still sits there.")


class HistoryOut(OldPageOut):
    """One page of fillings, the newest first."""

    items: list[FillingOut]
    noted_on: str | None = Field(description="The last note; with `on` the last one up to that day.")
    summary: SummaryOut | None = Field(description="The figures of that note.")


def shown_filling(filling: Filling, kept: Mapping[str, StoredHolding]) -> dict[str, Any]:
    holding = kept.get(filling.seated.holding)
    return {
        "place": filling.seated.place,
        "label": filling.seated.label,
        "holding": filling.seated.holding,
        "number": holding.data.get("number") if holding else None,
        "kept": holding is not None,
        "basis": filling.seated.basis,
        "since": filling.since.isoformat(),
        "until": filling.until and filling.until.isoformat(),
    }


def shown_noted(noted: RecordedDay | None) -> dict[str, Any]:
    if noted is None:
        return {"noted_on": None, "summary": None}
    return {"noted_on": noted.day.isoformat(), "summary": noted.summary}

"""The owner's notes to a want list, on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field, StringConstraints, model_validator

from service.definitions.model import WantNotes
from service.http.conditional import entity_tag
from service.http.schemas.candidates import Money
from service.http.schemas.evaluations import Id
from service.http.wire import In, OldOut, Text

MOST_NOTES = 2_000
FIELDS = ("min_grade", "most_to_pay", "currency", "note")


class WantNoteIn(In):
    """What the owner looks for in one place, or in a group of them."""

    place: Id = Field(description="A slot, a group, or one place of a group.")
    min_grade: int | None = Field(None, ge=1, le=70, description="The least grade worth buying, 1 to 70.")
    most_to_pay: Money | None = Field(None, description="The owner's own limit; no valuation.")
    currency: Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")] | None = Field(
        None, description="A code of three letters (ISO 4217); needed with `most_to_pay`."
    )
    note: Annotated[Text, StringConstraints(min_length=1, max_length=500)] | None = None

    @model_validator(mode="after")
    def _has_a_currency(self) -> WantNoteIn:
        if self.most_to_pay is not None and self.currency is None:
            raise ValueError("a sum of money needs its `currency`")
        return self


class WantNotesIn(In):
    """All notes to a want list; what is left out is no longer one."""

    notes: list[WantNoteIn] = Field(default_factory=list, max_length=MOST_NOTES)


class WantNoteOut(OldOut):
    """One note."""

    place: str
    min_grade: int | None
    most_to_pay: float | None
    currency: str | None
    note: str | None


class WantNotesOut(OldOut):
    """All notes, in the order of the alphabet."""

    notes: list[WantNoteOut]


def kept_notes(sent: WantNotesIn) -> dict[str, dict[str, Any]]:
    """The notes as they are kept, by place."""
    return {
        note.place: {name: getattr(note, name) for name in FIELDS if getattr(note, name) is not None}
        for note in sent.notes
    }


def shown_notes(notes: WantNotes) -> dict[str, Any]:
    return {"notes": [{"place": place, **_full(note)} for place, note in sorted(notes.notes.items())]}


def _full(note: Mapping[str, Any]) -> dict[str, Any]:
    return {name: note.get(name) for name in FIELDS}


def notes_tag(identity: str, notes: WantNotes) -> str:
    """Changes with every change of the notes."""
    return entity_tag("want-notes", identity, notes.version, sorted(notes.notes))

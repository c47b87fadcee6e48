"""The records in the answers of sync: whole, in part, as markers, or only acknowledged where a device has them already."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal

from msgspec import UNSET, Meta, UnsetType
from pydantic import AfterValidator, Field

from service.facts.recorded import RecordedFact, RecordedIssue
from service.holdings.model import OWN_FIELDS, HeldPhoto, Mark, PieceValue, PricePaid, Status
from service.holdings.sync.field_names import own_and_facts, unflattened
from service.holdings.sync.record import Written, ids_in
from service.holdings.sync.store import StoredRecord
from service.http.api.holdings import AnyConflictOut, conflict_out
from service.http.wire import Out, QueryIn, one_of
from service.rules.shape_messages import complaint

MOST_FIELDS = 200
_NOT_FIELDS = frozenset(
    ("id", "facts", "destroyed", "destroyed_by", "writers", "conflicts", "created_at", "updated_at")
)


# --- which form ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RecordForm:
    """The form of records in an answer. `names`: the flat names that they have; None: all."""

    names: frozenset[str] | None = None
    groups_writers: bool = False


def _fields(text: str) -> str:
    names = text.split(",")
    if len(names) > MOST_FIELDS:
        raise complaint("fields", "`fields` takes at most {most} names", most=MOST_FIELDS)
    for name in names:
        if not 1 <= len(name) <= 120 or name in _NOT_FIELDS:
            raise complaint(
                "fields",
                "`fields` takes names of facts and own fields with a comma between, such as number,status,grade; "
                "id, writers and conflicts are always there",
            )
    return text


class FormQuery(QueryIn):
    """The form of the records in the answer."""

    fields: Annotated[str, AfterValidator(_fields)] | None = Field(
        None,
        description="Names of facts and own fields, with a comma between (a fact that has the name of an own field: "
        "`facts.NAME`): each record has only those, and is marked as `partial`. Left out: whole records.",
    )
    writers: Literal["grouped"] | None = Field(
        None,
        description="grouped: `writers` of a record has the names that each mutation wrote, instead of the mutation that wrote "
        "each name.",
    )

    @property
    def form(self) -> RecordForm:
        names = None if self.fields is None else frozenset(self.fields.split(","))
        return RecordForm(names, self.writers == "grouped")


# --- answers -------------------------------------------------------------------------------------------------------------

WritersOut = Annotated[
    dict[str, str | list[str]],
    Meta(
        description="By flat name the writer of each value that is, or was, recorded: what `from` of a mutation names. With "
        "`writers=grouped` by writer the flat names. Of a value that several mutations wrote, which did not see each other, "
        "the writer is all of them, joined by `+`; of a list that came of merging it is a mark of what came of it. A `from` "
        "names either as it is."
    ),
]


class HoldingRecordOut(Out):
    """A whole holding, with the writer of each value."""

    id: str
    destroyed: Annotated[bool, Meta(extra_json_schema={"const": False})]
    facts: dict[str, RecordedFact]
    issue: RecordedIssue | None
    quantity: int
    status: Status
    number: str | None
    note: str | None
    location: str | None
    tags: list[str]
    values: list[PieceValue]
    mark: Mark | None
    price_paid: PricePaid | None
    bought_from: str | None
    bought_on: str | None
    photos: list[HeldPhoto]
    writers: WritersOut
    conflicts: list[AnyConflictOut]
    created_at: datetime
    updated_at: datetime


class PartialRecordOut(Out):
    """A part of a holding: the facts and own fields that `fields` names, with their writers, and all open conflicts. It is no
    copy of the holding, and must not be sent as one (`create` with `writers`)."""

    id: str
    destroyed: Annotated[bool, Meta(extra_json_schema={"const": False})]
    partial: Annotated[bool, Meta(extra_json_schema={"const": True})]
    facts: Annotated[dict[str, RecordedFact], Meta(description="Those of the facts asked for that are recorded.")]
    writers: WritersOut
    conflicts: list[AnyConflictOut]
    issue: RecordedIssue | UnsetType | None = UNSET
    quantity: int | UnsetType = UNSET
    status: Status | UnsetType = UNSET
    number: str | UnsetType | None = UNSET
    note: str | UnsetType | None = UNSET
    location: str | UnsetType | None = UNSET
    tags: list[str] | UnsetType = UNSET
    values: list[PieceValue] | UnsetType = UNSET
    mark: Mark | UnsetType | None = UNSET
    price_paid: PricePaid | UnsetType | None = UNSET
    bought_from: str | UnsetType | None = UNSET
    bought_on: str | UnsetType | None = UNSET
    photos: list[HeldPhoto] | UnsetType = UNSET


class DestroyedRecordOut(Out):
    """The marker of a holding that was destroyed."""

    id: str
    destroyed: Annotated[bool, Meta(extra_json_schema={"const": True})]
    destroyed_by: Annotated[
        str,
        Meta(
            description="The mutation, or several joined by `+`; named as it is in `resolves` of one that undoes all of them. "
            "One that names some of them undoes those, and asks the owner about the others."
        ),
    ]
    deletes: Annotated[list[str], Meta(description="All mutations that wanted it gone.")]
    writers: Annotated[dict[str, str], Meta(description="Empty.")]
    conflicts: Annotated[list[AnyConflictOut], Meta(description="Empty.")]


class AsSentRecordOut(Out):
    """With `Prefer: return=minimal`: a holding that has all values of this batch as they were sent, each with its mutation as
    the writer, and no conflicts. What others changed in it comes with the changes."""

    id: str
    as_sent: Annotated[bool, Meta(extra_json_schema={"const": True})]
    writer: Annotated[str, Meta(description="The last mutation of the batch that is about it.")]


if TYPE_CHECKING:
    RecordOut = HoldingRecordOut | PartialRecordOut | DestroyedRecordOut
    TouchedRecordOut = RecordOut | AsSentRecordOut
else:
    RecordOut = one_of(HoldingRecordOut, PartialRecordOut, DestroyedRecordOut)
    TouchedRecordOut = one_of(HoldingRecordOut, PartialRecordOut, DestroyedRecordOut, AsSentRecordOut)


def record_out(stored: StoredRecord, form: RecordForm) -> RecordOut:
    """A record as devices take it."""
    record, names = stored.record, form.names
    if record.destroyed_by is not None:
        return DestroyedRecordOut(record.id, True, record.destroyed_by, sorted(ids_in(record.destroyed_by)), {}, [])
    conflicts = [conflict_out(conflict) for conflict in record.conflicts]
    if names is None:
        return HoldingRecordOut(
            record.id,
            False,
            **unflattened(record.values),
            writers=writers_out(record.written, form),
            conflicts=conflicts,
            created_at=stored.created_at,
            updated_at=stored.updated_at,
        )
    _, facts = own_and_facts({name: value for name, value in record.values.items() if name in names})
    written = {name: by for name, by in record.written.items() if name in names}
    own = {name: value for name, value in unflattened(record.values).items() if name in names and name in OWN_FIELDS}
    return PartialRecordOut(record.id, False, True, facts, writers_out(written, form), conflicts, **own)


def writers_out(written: Mapping[str, Written], form: RecordForm) -> dict[str, str | list[str]]:
    """Who wrote which value, as devices take it."""
    if not form.groups_writers:
        return {name: value.by for name, value in written.items()}
    grouped: dict[str, str | list[str]] = {}
    for name, value in written.items():
        names = grouped.setdefault(value.by, [])
        assert isinstance(names, list)
        names.append(name)
    return grouped

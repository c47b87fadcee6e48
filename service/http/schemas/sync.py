"""Sync on the wire: mutations that a device made while it was offline, and what changed meanwhile."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.accounts.model import State
from service.holdings.sync.field_names import unflattened, value_conflict_as_json
from service.holdings.sync.log import RecordChange
from service.holdings.sync.merge import Mutation
from service.http.wire import In, NewId, OldOut

MOST_MUTATIONS = 500
MOST_RECORDS = 500
MOST_NAMES = 600
_STATE = re.compile(r"(0|[1-9][0-9]{0,17})\.([0-9a-f]{32})")


def _instant(value: Any) -> datetime:
    try:
        if isinstance(value, str) and 20 <= len(value) <= 40 and "T" in value:
            found = datetime.fromisoformat(value)
            if found.tzinfo is not None:
                return found.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise PydanticCustomError("instant", "an instant is written as RFC 3339 has it, such as 2026-11-25T10:00:00Z")


def _state(value: str) -> str:
    if _STATE.fullmatch(value) is None:
        raise PydanticCustomError("state", "a state is what this service gave as `state`, never made")
    return value


Instant = Annotated[datetime, BeforeValidator(_instant), WithJsonSchema({"type": "string", "format": "date-time"})]
StateText = Annotated[str, AfterValidator(_state)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=120)]
Writer = Annotated[str, StringConstraints(min_length=1, max_length=100)]


class MutationIn(In):
    """One thing that was done to one holding while nobody else was looking."""

    mutation_id: NewId = Field(description="Made by the device, once; sent again it is the same mutation.")
    op: Literal["create", "update", "destroy"]
    id: NewId = Field(description="The holding.")
    patch: dict[Name, Any] = Field(
        default_factory=dict,
        max_length=MOST_NAMES,
        description="Own fields and facts alike, by name (a fact that has the name of an own field: `facts.NAME`); null "
        "removes what is recorded.",
    )
    seen: dict[Name, Writer | None] = Field(
        default_factory=dict,
        alias="from",
        max_length=MOST_NAMES,
        description="For each name the writer whose value the author was looking at; null: none was there. With `destroy`: "
        "every writer that was seen.",
    )
    writers: dict[Name, Writer] | None = Field(
        None,
        max_length=MOST_NAMES,
        description="With `create`, for a whole copy: each value keeps the writer that it had.",
    )
    resolves: list[Annotated[str, StringConstraints(min_length=1, max_length=300)]] = Field(
        default_factory=list, max_length=1_000, description="Conflicts that the owner decided by this."
    )
    revive: bool = Field(False, description="With `update`: undoes a delete that the author saw.")
    edited_at: Instant = Field(description="The device's clock; one ahead of the service's counts as now.")

    def meant(self, now: datetime) -> Mutation:
        """The mutation as the merge takes it."""
        return Mutation(
            self.mutation_id,
            self.op,
            self.id,
            min(self.edited_at, now),
            self.patch,
            self.seen,
            self.writers,
            frozenset(self.resolves),
            self.revive,
        )


class SyncIn(In):
    """What a device did, in order."""

    client_id: Annotated[str, StringConstraints(max_length=200)] = Field(
        description="Any name of the device, for the owner to read; nothing depends on it."
    )
    if_in_state: StateText | None = Field(None, description="Refuse it all unless this is the state still.")
    known_state: StateText | None = Field(
        None, description="The newest state that the device was ever told, by any answer."
    )
    mutations: list[MutationIn] = Field(default_factory=list, max_length=MOST_MUTATIONS)


class ChangesQuery(BaseModel):
    """Since when, and how many."""

    model_config = ConfigDict(extra="forbid")

    since: StateText | None = Field(None, description="A state of this service; left out: everything.")
    known_state: StateText | None = Field(
        None,
        description="The newest state that the device was ever told, by an answer to what it sent too: a restored backup that "
        "lacks it is told with 410.",
    )
    limit: int = Field(MOST_RECORDS, ge=1, le=MOST_RECORDS)


class SessionQuery(BaseModel):
    """What the device has."""

    model_config = ConfigDict(extra="forbid")

    known_state: StateText | None = Field(
        None, description="Refused with 410 when the history here does not contain it."
    )


class SessionOut(OldOut):
    """Where the owner's holdings stand."""

    epoch: str = Field(description="Always the same here: a state proves its history itself.")
    state: str
    max_objects_in_set: int
    max_objects_in_get: int


class ConflictOut(OldOut):
    """What the owner has yet to decide."""

    id: str
    kind: Literal["value", "destroy", "invalid_merge"]
    mutation_id: str
    edited_at: str
    attribute: str | None = None
    value: Any = None
    patch: dict[str, Any] | None = None


class RecordOut(OldOut):
    """A whole holding, or the marker of one that was destroyed (then without fields)."""

    id: str
    destroyed: bool
    destroyed_by: str | None = None
    writers: dict[str, str]
    conflicts: list[ConflictOut]


class ResponseOut(OldOut):
    """What became of one mutation."""

    mutation_id: str
    status: Literal["applied", "merged", "conflict", "rejected"]
    replayed: bool | None = None
    error: dict[str, Any] | None = Field(None, description="`type`, `pointers` into the patch, `messages`.")


class SyncOut(OldOut):
    """The answer to a batch; all of it is kept before it is sent."""

    old_state: str
    new_state: str
    responses: list[ResponseOut]
    list: list[RecordOut]


class ChangesOut(OldOut):
    """One page of changes; with `has_more_changes` ask again from `new_state`."""

    old_state: str | None
    new_state: str
    has_more_changes: bool
    created: list[str]
    updated: list[str]
    destroyed: list[str]
    list: list[RecordOut]


def read_state(text: str) -> State:
    """A state from its text, which was checked."""
    found = _STATE.fullmatch(text)
    assert found is not None
    return State(int(found[1]), found[2])


def shown_record(change: RecordChange) -> dict[str, Any]:
    """A record as devices take it."""
    record = change.record
    entry: dict[str, Any] = {"id": record.id, "destroyed": record.is_destroyed}
    if record.is_destroyed:
        return {**entry, "destroyed_by": record.destroyed_by, "writers": {}, "conflicts": []}
    writers: Mapping[str, str] = {name: value.by for name, value in record.written.items()}
    times = {"created_at": change.created_at, "updated_at": change.updated_at}
    conflicts = [value_conflict_as_json(conflict) for conflict in record.conflicts]
    return {**entry, **unflattened(record.values), "writers": writers, "conflicts": conflicts, **times}

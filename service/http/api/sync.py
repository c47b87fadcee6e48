"""Sync: what a device did while it was offline, what changed since, and a stream of events that says when to ask."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from fastapi import Query, Request
from msgspec import Meta, field
from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError
from sqlalchemy import Connection
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner, State, read_state
from service.accounts.store import AccountStore
from service.database.ids import is_version_7, read_id
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid
from service.facts.core_attributes import CORE
from service.facts.recorded import RecordedFact, RecordedIssue
from service.formats.strict_json import as_written, faults_in
from service.holdings.model import Mark, PieceValue, PricePaid, Status
from service.holdings.sync import actions
from service.holdings.sync.apply import MutationAnswer, Refused, Rejection, SentMutation
from service.holdings.sync.field_names import unflattened
from service.holdings.sync.fingerprints import fingerprint_of, fingerprint_of_refused
from service.holdings.sync.merge import CONFLICT_KINDS, OPS, UPDATE, Mutation
from service.holdings.sync.store import StoredRecord
from service.http.api.holdings import AnyConflictOut, conflict_out
from service.http.content_codings import CODINGS
from service.http.dependencies import Context, CurrentOwner, Unread, still_authenticated
from service.http.openapi import problems, router
from service.http.responses import EventStream, Sends
from service.http.wire import In, NewId, Out, QueryIn, one_of, read

sync = router("/v1/holdings", "Sync")

# One for all: a state proves its own history.
EPOCH = "1"
FORMAT = "sync/1"
MOST_MUTATIONS = 500
MOST_RECORDS = 500
MOST_NAMES = 600
_EVENTS = "text/event-stream"
_LOOKS, _PAUSE_SECONDS = 900, 1.0


# --- requests ------------------------------------------------------------------------------------------------------------


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
    if read_state(value) is None:
        raise PydanticCustomError("state", "a state is what this service gave as `state`, never made")
    return value


EditTime = Annotated[datetime, BeforeValidator(_instant), WithJsonSchema({"type": "string", "format": "date-time"})]
StateText = Annotated[str, AfterValidator(_state)]
FlatName = Annotated[str, StringConstraints(min_length=1, max_length=120)]
# Of a value that several mutations wrote it names them all.
LONGEST_WRITER = 4_000
Writer = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_WRITER)]


class MutationIn(In):
    """One thing that was done to one holding, offline or not. An update has a patch, `resolves` or `revive`."""

    mutation_id: NewId = Field(description="Made by the device, once; sent again it is the same mutation.")
    op: Literal["create", "update", "destroy"]
    id: NewId = Field(description="The holding.")
    patch: dict[FlatName, Any] = Field(
        default_factory=dict,
        max_length=MOST_NAMES,
        description="Own fields and facts alike, by name (a fact that has the name of an own field: `facts.NAME`); null "
        "removes what is recorded.",
    )
    seen: dict[FlatName, Writer | None] = Field(
        default_factory=dict,
        alias="from",
        max_length=MOST_NAMES,
        description="For each name the writer whose value the author was looking at; null: none was there. With `destroy`: "
        "every writer that was seen.",
    )
    writers: dict[FlatName, Writer] | None = Field(
        None,
        max_length=MOST_NAMES,
        description="With `create`, for a whole copy: each value keeps the writer that it had.",
    )
    resolves: list[Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_WRITER + 200)]] = Field(
        default_factory=list, max_length=1_000, description="Conflicts that the owner decided by this."
    )
    revive: bool = Field(False, description="With `update`: undoes a delete that the author saw.")
    edited_at: EditTime = Field(description="The device's clock; one ahead of the service's counts as now.")

    def sent(self, body: Mapping[str, Any], now: datetime) -> SentMutation:
        """The mutation as the merge takes it; `body` is what it was read from, for the log."""
        mutation = Mutation(
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
        return SentMutation(mutation, fingerprint_of(mutation, self.edited_at), body)


class SyncIn(In):
    """What a device did, in order. Each mutation is judged by itself: one that is wrong is rejected, and the others are done."""

    is_read_by_parts: ClassVar[bool] = True

    codings = CODINGS

    client_id: Annotated[str, StringConstraints(max_length=200)] = Field(
        description="Any name of the device, for the owner to read; nothing depends on it."
    )
    if_in_state: StateText | None = Field(None, description="Refuse it all unless this is the state still.")
    known_state: StateText | None = Field(None, description="The newest state that any answer gave the device.")
    mutations: list[MutationIn] = Field(default_factory=list, max_length=MOST_MUTATIONS)


class _BatchIn(SyncIn):
    """The same before its mutations are read."""

    mutations: list[Any] = Field(default_factory=list, max_length=MOST_MUTATIONS)


class ChangesQuery(QueryIn):
    """Since when, and how many."""

    since: StateText | None = Field(None, description="A state of this service; left out: everything.")
    known_state: StateText | None = Field(
        None,
        description="The newest state that any answer gave the device, those to what it sent among them: after a backup was "
        "restored that lacks it, the answer is 410.",
    )
    limit: int = Field(MOST_RECORDS, ge=1, le=MOST_RECORDS)


class SessionQuery(QueryIn):
    """What the device has."""

    known_state: StateText | None = Field(
        None, description="Refused with 410 when the history here does not contain it."
    )


def _read_batch(value: Any) -> _BatchIn:
    """The batch, its mutations as they came. Raises Invalid for anything else that is wrong with it."""
    if isinstance(value, dict):
        value = value.copy()
        if isinstance(value.get("client_id"), str):
            # The owner's own name for a device does not hold up what was done on it.
            value["client_id"] = _clean(value["client_id"])
        faults = faults_in(value, besides="mutations")
        if faults:
            raise Invalid(faults)
    return read(_BatchIn, value)


def _judged(value: Any, now: datetime) -> SentMutation:
    """One mutation of a batch, refused already where it cannot be read."""
    faults = faults_in(value)
    if not faults:
        try:
            made = read(MutationIn, value)
        except Invalid as refusal:
            faults = [*refusal.faults]
        else:
            if made.op != UPDATE or made.patch or made.resolves or made.revive:
                return made.sent(value, now)
            faults = [Fault("empty-update", "an update has a patch, `resolves` or `revive`", "/patch")]
    return _refused(value, faults, now)


def _refused(value: Any, faults: Sequence[Fault], now: datetime) -> SentMutation:
    """A mutation that cannot be read, with as much of it as can. Its refusal is kept under its id, unless another version of the
    service may know what this one does not."""
    value = value if isinstance(value, dict) else {}
    op, told = value.get("op"), value.get("mutation_id")
    identity, holding = (_new_id(value.get(name)) for name in ("mutation_id", "id"))
    is_unknown = isinstance(op, str) and op not in OPS
    is_unknown = is_unknown or any(fault.code == "unknown-field" and fault.pointer.count("/") == 1 for fault in faults)
    pointers = [_clean(fault.pointer.removeprefix("/patch") or fault.pointer) for fault in faults]
    messages = [_clean(f"{fault.message}; {fault.hint}" if fault.hint else fault.message) for fault in faults]
    refusal = Rejection("unsupported" if is_unknown else "invalid", pointers, messages)
    seen = value.get("from")
    usable = {
        name: writer
        for name, writer in (seen.items() if isinstance(seen, dict) else ())
        if not faults_in([name, writer])
        and (writer is None or (isinstance(writer, str) and 0 < len(writer) <= LONGEST_WRITER))
    }
    if identity is None:
        identity = _clean(told)[:100] if isinstance(told, str) else None
        can_be_kept = False
    else:
        can_be_kept = holding is not None and op in OPS and not is_unknown
    known = str(op) if op in OPS else UPDATE
    mutation = Mutation(identity or "", known, holding or "", now, seen=usable)
    body = {"op": known, "id": holding, "from": usable}
    fingerprint = fingerprint_of_refused(as_written(value))
    return SentMutation(mutation, fingerprint, body, Refused(identity, refusal, can_be_kept))


def _new_id(value: Any) -> str | None:
    identity = read_id(value) if isinstance(value, str) else None
    return identity if identity is not None and is_version_7(identity) else None


def _clean(text: str) -> str:
    """The text without what no text may have: NUL, half a surrogate pair."""
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode()


# --- answers -------------------------------------------------------------------------------------------------------------


class SessionOut(Out):
    """The state of the owner's holdings, and the limits of one request."""

    epoch: Annotated[str, Meta(description="Always the same here: a state proves its history itself.")]
    state: str
    max_objects_in_set: Annotated[int, Meta(description="The most mutations of one batch.")]
    max_objects_in_get: Annotated[int, Meta(description="The most records of one page of changes.")]
    max_body_bytes: Annotated[int, Meta(description="The longest body of one batch; a longer one is answered by 413.")]
    account: Annotated[str, Meta(description="Whose holdings they are: an outbox belongs to one account.")]
    format: Annotated[str, Meta(description="Of this interface.")]
    ops: Annotated[list[str], Meta(description="The operations that a mutation may have.")]
    conflict_kinds: Annotated[list[str], Meta(description="The kinds of conflicts that a record may have.")]


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
    writers: Annotated[
        dict[str, str],
        Meta(
            description="By flat name the writer of each value that is, or was, recorded: what `from` of a mutation names."
        ),
    ]
    conflicts: list[AnyConflictOut]
    created_at: datetime
    updated_at: datetime


class DestroyedRecordOut(Out):
    """The marker of a holding that was destroyed."""

    id: str
    destroyed: Annotated[bool, Meta(extra_json_schema={"const": True})]
    destroyed_by: Annotated[str, Meta(description="The mutation; named in `resolves` of one that undoes it.")]
    writers: Annotated[dict[str, str], Meta(description="Empty.")]
    conflicts: Annotated[list[AnyConflictOut], Meta(description="Empty.")]


if TYPE_CHECKING:
    RecordOut = HoldingRecordOut | DestroyedRecordOut
else:
    RecordOut = one_of(HoldingRecordOut, DestroyedRecordOut)


class SyncOut(Out):
    """The answer to a batch; all of it is kept before it is sent."""

    old_state: str
    new_state: str
    responses: Annotated[list[MutationAnswer], Meta(description="One for each mutation, in order.")]
    records: Annotated[
        list[RecordOut], Meta(description="The records that the mutations are about, as they are now.")
    ] = field(name="list")


class ChangesOut(Out):
    """One page of changes; with `has_more_changes` ask again from `new_state`."""

    old_state: str | None
    new_state: str
    has_more_changes: bool
    created: list[str]
    updated: list[str]
    destroyed: list[str]
    records: Annotated[list[RecordOut], Meta(description="The records named above.")] = field(name="list")


def record_out(stored: StoredRecord) -> RecordOut:
    """A record as devices take it."""
    record = stored.record
    if record.destroyed_by is not None:
        return DestroyedRecordOut(record.id, True, record.destroyed_by, {}, [])
    return HoldingRecordOut(
        record.id,
        False,
        **unflattened(record.values),
        writers={name: value.by for name, value in record.written.items()},
        conflicts=[conflict_out(conflict) for conflict in record.conflicts],
        created_at=stored.created_at,
        updated_at=stored.updated_at,
    )


# --- operations ----------------------------------------------------------------------------------------------------------


@sync.get("/sync", responses=problems("cannot-calculate-changes"))
def get_sync_state(context: Context, owner: CurrentOwner, query: Annotated[SessionQuery, Query()]) -> SessionOut:
    """The state of my holdings."""
    state = context.database.read(lambda connection: actions.current_state(connection, owner, _read(query.known_state)))
    limits = (MOST_MUTATIONS, MOST_RECORDS, context.settings.body_bytes)
    return SessionOut(EPOCH, str(state), *limits, owner.id, FORMAT, [*OPS], [*CONFLICT_KINDS])


@sync.get("/changes", responses=problems("cannot-calculate-changes"))
def list_changes(context: Context, owner: CurrentOwner, query: Annotated[ChangesQuery, Query()]) -> ChangesOut:
    """What changed since a state, page by page."""
    since, known = _read(query.since), _read(query.known_state)
    page = context.database.read(lambda connection: actions.changes(connection, owner, since, known, query.limit))
    kinds = (page.created, page.updated, page.destroyed)
    return ChangesOut(query.since, str(page.reached), page.has_more, *kinds, [*map(record_out, page.records)])


@sync.post("/sync", responses=problems("cannot-calculate-changes", "state-mismatch"))
def sync_holdings(context: Context, owner: CurrentOwner, body: Unread[SyncIn]) -> SyncOut:
    """Send what a device did while it was offline."""
    asked, now = _read_batch(body.value), context.now()
    batch = [_judged(one, now) for one in asked.mutations]
    if_in, known = _read(asked.if_in_state), _read(asked.known_state)

    def act(connection: Connection) -> actions.AppliedBatch:
        attributes = known_attributes(connection, owner, CORE)
        return actions.synchronise(connection, owner, asked.client_id, batch, attributes, now, if_in=if_in, known=known)

    done = context.database.write(act)
    return SyncOut(str(done.before), str(done.after), [*done.answers], [*map(record_out, done.records)])


@sync.get("/events")
async def watch_holdings(
    request: Request, context: Context, owner: CurrentOwner
) -> Annotated[Response, Sends(media=(_EVENTS,))]:
    """A `state` event for each change (server-sent events); ends after a quarter of an hour."""
    with ExitStack() as stack:
        stack.enter_context(request.app.state.connections.streams.place(owner))
        return EventStream(_states(request, context), stack.pop_all())


async def _states(request: Request, context: runtime.Context) -> AsyncIterator[str]:
    """The state at once, then whenever it changes. The token is checked each time: once it is revoked nothing more is sent. Ends
    when the process does, so that the reader asks another one."""
    stopping: asyncio.Event = request.app.state.connections.stopping
    sent = None
    for look in range(_LOOKS):
        owner = await still_authenticated(request)
        if owner is None or await request.is_disconnected():
            return
        state = str(await context.read(partial(_state_of, owner=owner)))
        if state != sent:
            sent = state
            yield f"event: state\nid: {state}\ndata: {json.dumps({'state': state})}\n\n"
        elif look % 20 == 19:
            yield ": still here\n\n"
        with suppress(TimeoutError):
            await asyncio.wait_for(stopping.wait(), _PAUSE_SECONDS)
            return


def _state_of(connection: Connection, owner: Owner) -> State:
    return AccountStore(connection).state(owner)


def _read(text: str | None) -> State | None:
    return None if text is None else read_state(text)

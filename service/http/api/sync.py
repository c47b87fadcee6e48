"""Sync: what a device did while it was offline, what changed since, and a stream of events that says when to ask."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Annotated, Any, ClassVar, Literal, Self

import msgspec
from fastapi import Query, Request
from msgspec import UNSET, Meta, UnsetType, field
from pydantic import AfterValidator, BeforeValidator, Field, StringConstraints, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError
from sqlalchemy import Connection
from starlette.responses import Response

from service.accounts.model import Owner, State, read_state
from service.accounts.store import AccountStore
from service.database.ids import is_version_7, read_id
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, Tell
from service.facts.core_attributes import CORE
from service.formats.strict_json import Parts, as_written, faults_in
from service.holdings.sync import actions
from service.holdings.sync.actions import read_descent
from service.holdings.sync.apply import MutationAnswer, Refused, Rejection, SentMutation
from service.holdings.sync.as_sent import writer_as_sent
from service.holdings.sync.clock import edited_at
from service.holdings.sync.field_names import all_as_taken
from service.holdings.sync.fingerprints import fingerprint_of, fingerprint_of_refused
from service.holdings.sync.merge import CONFLICT_KINDS, OPS, UPDATE, Mutation
from service.http.api.sync_records import (
    AsSentRecordOut,
    FormQuery,
    RecordForm,
    RecordOut,
    TouchedRecordOut,
    record_out,
)
from service.http.content_codings import CODINGS
from service.http.dependencies import Context, CurrentOwner, Unread
from service.http.event_streams import EVENTS, Event, event_stream
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import problems, router
from service.http.preferences import MINIMAL, PrefersMinimal
from service.http.responses import Reply, Sends
from service.http.wire import In, NewId, Out, QueryIn, read
from service.rules.shape_messages import complaint

sync = router("/v1/holdings", "Sync")

# One for all: a state proves its own history.
EPOCH = "1"
FORMAT = "sync/1"
MOST_MUTATIONS = 500
MOST_RECORDS = 500
MOST_NAMES = 600
# Of which an address has room.
MOST_ASKED = 100
_PAUSE_SECONDS = 1.0


# --- requests ------------------------------------------------------------------------------------------------------------


def _instant(value: Any) -> datetime:
    try:
        if isinstance(value, str) and 20 <= len(value) <= 40 and "T" in value:
            found = datetime.fromisoformat(value)
            if found.tzinfo is not None:
                return found.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise complaint("instant", "an instant is written as RFC 3339 has it, such as 2026-11-25T10:00:00Z")


def _state(value: str) -> str:
    if read_state(value) is None:
        raise complaint("state", "a state is what this service gave as `state`, never made")
    return value


def _descent(value: str) -> str:
    if read_descent(value) is None:
        raise complaint("descent", "`before` is what a page with order=newest gave as `before`, never made")
    return value


def _ids(value: str) -> str:
    identities = value.split(",") if value else []
    if len(identities) > MOST_ASKED or any(read_id(identity) is None for identity in identities):
        raise complaint("ids", "`ids` takes up to {most} ids of holdings with a comma between", most=MOST_ASKED)
    return value


EditTime = Annotated[datetime, BeforeValidator(_instant), WithJsonSchema({"type": "string", "format": "date-time"})]
StateText = Annotated[str, AfterValidator(_state)]
HoldingIds = Annotated[str, AfterValidator(_ids)]
LONGEST_NAME = 120
FlatName = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_NAME)]
# Of a value that several mutations wrote it names them all.
LONGEST_WRITER = 4_000
Writer = Annotated[str, StringConstraints(min_length=1, max_length=LONGEST_WRITER)]
# The same two where they are read past the model.
PlainName = Annotated[str, Meta(min_length=1, max_length=LONGEST_NAME)]
PlainWriter = Annotated[str, Meta(min_length=1, max_length=LONGEST_WRITER)]


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
    partial: bool = Field(
        False,
        description="With `writers`: that the device has a part of the record alone (`fields`). Such a copy is rejected as "
        "`partial-copy`: ask for the record first.",
    )
    edited_at: EditTime = Field(
        description="The device's clock (see `sent_at`); one ahead of the service's counts as now."
    )


class SyncIn(In):
    """What a device did, in order. Each mutation is judged by itself: one that is wrong is rejected, and the others are done."""

    is_read_by_parts: ClassVar[bool] = True
    codings = CODINGS

    client_id: Annotated[str, StringConstraints(max_length=200)] = Field(
        description="Any name of the device, for the owner to read; nothing depends on it."
    )
    if_in_state: StateText | None = Field(None, description="Refuse it all unless this is the state still.")
    known_state: StateText | None = Field(None, description="The newest state that any answer gave the device.")
    sent_at: EditTime | None = Field(
        None,
        description="The device's clock when it sends this request, anew each time. Where it is off by more than a minute, each "
        "`edited_at` counts as shifted by the difference.",
    )
    mutations: list[MutationIn] = Field(default_factory=list, max_length=MOST_MUTATIONS)


class _BatchIn(SyncIn):
    """The same before its mutations are read."""

    mutations: list[Any] = Field(default_factory=list, max_length=MOST_MUTATIONS)


class ChangesQuery(FormQuery):
    """Since when, how many, and in which form."""

    since: StateText | None = Field(None, description="A state of this service; left out: everything.")
    known_state: StateText | None = Field(
        None,
        description="The newest state that any answer gave the device, those to what it sent among them: after a backup was "
        "restored that lacks it, the answer is 410.",
    )
    limit: int = Field(MOST_RECORDS, ge=1, le=MOST_RECORDS)
    order: Literal["newest"] | None = Field(
        None,
        description="newest: all records, those that changed last first, for a device that starts anew. Page by page with "
        "`before`; then, from `new_state`, what changed meanwhile.",
    )
    before: Annotated[str, AfterValidator(_descent)] | None = Field(
        None, description="With `order=newest`: what the page before says as `before`."
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.order is not None and self.since is not None:
            raise complaint("order", "order=newest returns everything, so it goes without `since`")
        if self.order is None and self.before is not None:
            raise complaint("order", "`before` goes with order=newest")
        return self


class SessionQuery(QueryIn):
    """What the device has."""

    known_state: StateText | None = Field(
        None, description="Refused with 410 when the history here does not contain it."
    )


class RecordsQuery(SessionQuery, FormQuery):
    """Which records."""

    ids: HoldingIds = Field("", description=f"Ids of holdings, with a comma between; at most {MOST_ASKED}.")


def _read_batch(body: Parts) -> _BatchIn:
    """The batch, its mutations as they came. Raises Invalid for anything else that is wrong with it."""
    value = body.value
    if isinstance(value, dict):
        value = value.copy()
        if isinstance(value.get("client_id"), str):
            # The owner's own name for a device does not hold up what was done on it.
            value["client_id"] = _clean(value["client_id"])
        faults = [] if body.is_sound else faults_in(value, besides="mutations")
        if faults:
            raise Invalid(faults)
    return read(_BatchIn, value)


def judged(
    value: Any, now: datetime, sent_at: datetime | None, tell: Tell = str, *, is_sound: bool = False
) -> SentMutation:
    """One mutation of a batch, refused already where it cannot be read, and told so in the language of `tell`. `is_sound`: see
    `Parts`."""
    made: MutationIn | _PlainMutation | None = _plain(value) if is_sound else None
    if made is None:
        faults = [] if is_sound else faults_in(value)
        if faults:
            return _refused(value, faults, now, tell)
        try:
            made = read(MutationIn, value)
        except Invalid as refusal:
            return _refused(value, refusal.faults, now, tell)
    if made.op == UPDATE and not (made.patch or made.resolves or made.revive):
        fault = Fault("empty-update", "an update has a patch, `resolves` or `revive`", "/patch")
        return _refused(value, [fault], now, tell)
    return _sent(made, value, now, sent_at)


class _PlainMutation(msgspec.Struct, forbid_unknown_fields=True):
    """What nearly every mutation is, read at half of what the model takes. Whatever fits in here MutationIn reads to the same;
    whatever does not is left to that one, which knows what is wrong with it, if anything."""

    mutation_id: str
    op: Literal["create", "update", "destroy"]
    id: str
    edited_at: Any
    patch: Annotated[dict[PlainName, Any], Meta(max_length=MOST_NAMES)] = field(default_factory=dict)
    seen: Annotated[dict[PlainName, PlainWriter | None], Meta(max_length=MOST_NAMES)] = field(
        name="from", default_factory=dict
    )
    revive: bool = False
    writers: ClassVar[None] = None
    resolves: ClassVar[tuple[str, ...]] = ()


def _plain(value: Any) -> _PlainMutation | None:
    """The mutation, if it is as nearly every one is."""
    try:
        made = msgspec.convert(value, _PlainMutation)
        made.edited_at = _instant(made.edited_at)
    except (msgspec.ValidationError, PydanticCustomError):
        return None
    identity, holding = _new_id(made.mutation_id), _new_id(made.id)
    if identity is None or holding is None:
        return None
    made.mutation_id, made.id = identity, holding
    return made


def _sent(
    made: MutationIn | _PlainMutation, body: Mapping[str, Any], now: datetime, sent_at: datetime | None
) -> SentMutation:
    """The mutation as the merge takes it; `body` is what it was read from, for the log."""
    told = made.edited_at
    mutation = Mutation(
        made.mutation_id,
        made.op,
        made.id,
        edited_at(told, sent_at, now),
        all_as_taken(made.patch),
        made.seen,
        made.writers,
        frozenset(made.resolves),
        made.revive,
    )
    taken = {**body, "patch": mutation.patch} if "patch" in body else body
    return SentMutation(mutation, fingerprint_of(mutation, told), taken)


def _refused(value: Any, faults: Sequence[Fault], now: datetime, tell: Tell) -> SentMutation:
    """A mutation that cannot be read, with as much of it as can. Its refusal is kept under its id, unless another version of the
    service may know what this one does not."""
    value = value if isinstance(value, dict) else {}
    op, told = value.get("op"), value.get("mutation_id")
    identity, holding = (_new_id(value.get(name)) for name in ("mutation_id", "id"))
    is_unknown = isinstance(op, str) and op not in OPS
    is_unknown = is_unknown or any(fault.code == "unknown-field" and fault.pointer.count("/") == 1 for fault in faults)
    pointers = [_clean(fault.pointer.removeprefix("/patch") or fault.pointer) for fault in faults]
    messages = [_clean("; ".join(tell(text) for text in (fault.message, fault.hint) if text)) for fault in faults]
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
    content_encodings: Annotated[
        list[str], Meta(description="What a batch may be compressed with (Content-Encoding), the best first.")
    ]


class SyncOut(Out):
    """The answer to a batch; all of it is kept before it is sent."""

    old_state: str
    new_state: str
    responses: Annotated[list[MutationAnswer], Meta(description="One for each mutation, in order.")]
    records: Annotated[
        list[TouchedRecordOut], Meta(description="The records that the mutations are about, as they are now.")
    ] = field(name="list")
    missing_photos: Annotated[
        list[str],
        Meta(
            description="Up to 500 photos (their SHA-256) that my holdings name and whose files are still to come: "
            "PUT /v1/photos/{sha256}."
        ),
    ]


class ChangesOut(Out):
    """One page of changes; with `has_more_changes` ask again from `new_state`. Whatever a page says of a record replaces what
    the device has under its id: one that it does not know may be among `updated`, where it was created before a page's border
    and changed behind it."""

    old_state: str | None
    new_state: Annotated[
        str, Meta(description="The next `since`; with `order=newest` the state at the start, the same on each page.")
    ]
    has_more_changes: bool
    created: list[str]
    updated: list[str]
    destroyed: list[str]
    records: Annotated[list[RecordOut], Meta(description="The records named above.")] = field(name="list")
    before: Annotated[
        str | UnsetType, Meta(description="With `order=newest`, where there are more: the next `before`.")
    ] = UNSET


class RecordsOut(Out):
    """Single records, and the state in which they were read."""

    state: str
    not_found: Annotated[list[str], Meta(description="Those of the ids of which there is no record, nor a marker.")]
    records: Annotated[list[RecordOut], Meta(description="The others, in no order.")] = field(name="list")


# --- operations ----------------------------------------------------------------------------------------------------------


@sync.get("/sync", responses=problems("cannot-calculate-changes"))
def get_sync_state(context: Context, owner: CurrentOwner, query: Annotated[SessionQuery, Query()]) -> SessionOut:
    """The state of my holdings."""
    state = context.database.read(lambda connection: actions.current_state(connection, owner, _read(query.known_state)))
    limits = (MOST_MUTATIONS, MOST_RECORDS, context.settings.body_bytes)
    return SessionOut(EPOCH, str(state), *limits, owner.id, FORMAT, [*OPS], [*CONFLICT_KINDS], [*CODINGS])


@sync.get("/changes", responses=problems("cannot-calculate-changes"))
def list_changes(context: Context, owner: CurrentOwner, query: Annotated[ChangesQuery, Query()]) -> ChangesOut:
    """What changed since a state, page by page. Without `since` that is everything."""
    since, known = _read(query.since), _read(query.known_state)

    def read(connection: Connection) -> actions.ChangePage:
        if query.order is None:
            return actions.changes(connection, owner, since, known, query.limit)
        descent = None if query.before is None else read_descent(query.before)
        return actions.newest(connection, owner, descent, known, query.limit)

    page = context.database.read(read)
    return ChangesOut(
        query.since,
        str(page.reached),
        page.has_more,
        page.created,
        page.updated,
        page.destroyed,
        [record_out(stored, query.form) for stored in page.records],
        UNSET if page.next is None else str(page.next),
    )


@sync.get("/sync/records", responses=problems("cannot-calculate-changes"))
def get_sync_records(context: Context, owner: CurrentOwner, query: Annotated[RecordsQuery, Query()]) -> RecordsOut:
    """Single records by their ids. Such as whole ones, of which a device has a part."""
    asked = [identity for part in query.ids.split(",") if (identity := read_id(part)) is not None]
    known = _read(query.known_state)
    state, found = context.database.read(lambda connection: actions.records(connection, owner, asked, known))
    there = {stored.record.id for stored in found}
    missing = [identity for identity in dict.fromkeys(asked) if identity not in there]
    return RecordsOut(str(state), missing, [record_out(stored, query.form) for stored in found])


@sync.post("/sync", responses=problems("cannot-calculate-changes", "state-mismatch"))
def sync_holdings(
    context: Context,
    owner: CurrentOwner,
    query: Annotated[FormQuery, Query()],
    minimal: PrefersMinimal,
    body: Unread[SyncIn],
    language: AskedLanguage,
) -> Annotated[
    Reply[SyncOut], Sends(headers={"Preference-Applied": "return=minimal, where it was preferred.", **CONTENT_LANGUAGE})
]:
    """Send what a device did while it was offline. Why a mutation is rejected is told in the language that is asked for when
    it comes first."""
    asked, now = _read_batch(body.value), context.now()
    is_sound = body.value.is_sound
    batch = [judged(one, now, asked.sent_at, language.refusal, is_sound=is_sound) for one in asked.mutations]
    if_in, known = _read(asked.if_in_state), _read(asked.known_state)

    def act(connection: Connection) -> actions.AppliedBatch:
        attributes = known_attributes(connection, owner, CORE)
        return actions.synchronise(
            connection,
            owner,
            asked.client_id,
            batch,
            attributes,
            now,
            if_in=if_in,
            known=known,
            tell=language.refusal,
        )

    done = context.database.write(act)
    records = _touched(batch, done, query.form, minimal=minimal)
    answer = SyncOut(str(done.before), str(done.after), [*done.answers], records, [*done.missing_photos])
    headers = dict(spoken(language))
    return Reply(answer, {**headers, "Preference-Applied": MINIMAL} if minimal else headers)


def _touched(
    batch: Sequence[SentMutation], done: actions.AppliedBatch, form: RecordForm, *, minimal: bool
) -> list[TouchedRecordOut]:
    """The records that a batch is about; with `minimal` those that the device has already are only acknowledged."""
    if not minimal:
        return [record_out(stored, form) for stored in done.records]
    about: dict[str, list[tuple[Mutation, MutationAnswer]]] = {}
    for sent, answer in zip(batch, done.answers, strict=True):
        about.setdefault(sent.mutation.holding, []).append((sent.mutation, answer))
    told: list[TouchedRecordOut] = []
    for stored in done.records:
        writer = writer_as_sent(stored.record, about[stored.record.id])
        told.append(record_out(stored, form) if writer is None else AsSentRecordOut(stored.record.id, True, writer))
    return told


@sync.get("/events")
async def watch_holdings(
    request: Request, context: Context, owner: CurrentOwner
) -> Annotated[Response, Sends(media=(EVENTS,))]:
    """A `state` event for each change (server-sent events); ends after a quarter of an hour."""

    async def look(owner: Owner) -> Event:
        state = str(await context.read(partial(_state_of, owner=owner)))
        return Event("state", state, {"state": state}, identity=state)

    return event_stream(request, owner, look, _PAUSE_SECONDS)


def _state_of(connection: Connection, owner: Owner) -> State:
    return AccountStore(connection).state(owner)


def _read(text: str | None) -> State | None:
    return None if text is None else read_state(text)

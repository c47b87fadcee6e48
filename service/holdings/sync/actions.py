"""What devices ask for: the state of the holdings, a batch of mutations applied, what changed since. Each action is part of the
caller's transaction."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner, State, read_state
from service.accounts.store import AccountStore
from service.errors import Fault, StateMismatch, Tell, UnknownState
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import MOST_FACTS, check_facts
from service.holdings.model import faults_of_fields
from service.holdings.photos.store import PhotoStore
from service.holdings.right_values import RightValues
from service.holdings.sync.apply import MutationAnswer, SentMutation, apply_all
from service.holdings.sync.field_names import own_and_facts
from service.holdings.sync.log import ChangeLog, StoredLog
from service.holdings.sync.merge import Check
from service.holdings.sync.store import StoredRecord, SyncStore


@dataclass(frozen=True, slots=True)
class Descent:
    """How far a pass over all records has come that begins with those that changed last: the state at its start, and the state
    below which it goes on."""

    start: State
    below: int

    def __str__(self) -> str:
        return f"{self.start}.{self.below}"


def read_descent(text: str) -> Descent | None:
    """The one that is written so; None when none is."""
    start, _, below = text.rpartition(".")
    state = read_state(start)
    if state is None or not (below.isascii() and below.isdigit() and len(below) <= 18):
        return None
    return Descent(state, int(below))


# Of facts by the core attributes alone, which never change: what was found right.
_RIGHT_BY_CORE: set[Any] = set()
# So many missing photos are told at once.
MOST_MISSING = 500


@dataclass(frozen=True, slots=True)
class ChangePage:
    """The records that changed between two states, by what became of them; `next`: how a pass from the newest on goes on."""

    reached: State
    has_more: bool
    created: list[str]
    updated: list[str]
    destroyed: list[str]
    records: Sequence[StoredRecord]
    next: Descent | None = None


@dataclass(frozen=True, slots=True)
class AppliedBatch:
    """The state before and after a batch, the answer to each mutation, and the records that they are about; and which files of
    photos are still to come, of all that the owner's holdings name."""

    before: State
    after: State
    answers: Sequence[MutationAnswer]
    records: Sequence[StoredRecord]
    missing_photos: Sequence[str]


def current_state(connection: Connection, owner: Owner, known: State | None) -> State:
    """The state of the owner's holdings. Raises UnknownState when its history does not contain the known one."""
    state = AccountStore(connection).state(owner)
    _ensure_known(connection, owner, state, known)
    return state


def changes(connection: Connection, owner: Owner, since: State | None, known: State | None, limit: int) -> ChangePage:
    """One page of changes, in one snapshot; `since` None: from the beginning. Raises UnknownState when the history contains one
    of the states not."""
    state = current_state(connection, owner, since)
    _ensure_known(connection, owner, state, known)
    number = 0 if since is None else since.number
    page, reached, has_more = ChangeLog(connection, owner).page(number, limit, state)
    there = [stored for stored in page if not stored.record.is_destroyed]
    created = [stored.record.id for stored in there if stored.created_modseq > number]
    updated = [stored.record.id for stored in there if stored.created_modseq <= number]
    destroyed = [stored.record.id for stored in page if stored.record.is_destroyed]
    return ChangePage(reached, has_more, created, updated, destroyed, page)


def newest(
    connection: Connection, owner: Owner, descent: Descent | None, known: State | None, limit: int
) -> ChangePage:
    """One page of all records, those that changed last first; `descent` None: from the newest on. What changes meanwhile is
    left out, and found since the state at the start, which `reached` is. Raises UnknownState as `changes` does."""
    state = current_state(connection, owner, known)
    if descent is None:
        descent = Descent(state, state.number + 1)
    _ensure_known(connection, owner, state, descent.start)
    page, has_more = ChangeLog(connection, owner).newest(descent.below, limit)
    there = [stored.record.id for stored in page if not stored.record.is_destroyed]
    destroyed = [stored.record.id for stored in page if stored.record.is_destroyed]
    left = Descent(descent.start, page[-1].modseq) if has_more else None
    return ChangePage(descent.start, has_more, there, [], destroyed, page, left)


def records(
    connection: Connection, owner: Owner, identities: Collection[str], known: State | None
) -> tuple[State, Sequence[StoredRecord]]:
    """The state, and those of these records that there are, tombstones too. Raises UnknownState when the history does not contain
    the known one."""
    state = current_state(connection, owner, known)
    return state, list(SyncStore(connection, owner).records(identities).values())


def synchronise(
    connection: Connection,
    owner: Owner,
    client: str,
    batch: Sequence[SentMutation],
    attributes: Attributes,
    now: datetime,
    *,
    if_in: State | None = None,
    known: State | None = None,
    tell: Tell = str,
) -> AppliedBatch:
    """Applies a device's batch; why a mutation is rejected is told in the language of `tell`. Raises UnknownState when the
    history does not contain the `known` state, StateMismatch when the state is not `if_in`; nothing is applied then."""
    log = StoredLog(connection, owner, client, now)
    before = log.state
    _ensure_known(connection, owner, before, known)
    if if_in is not None and if_in != before:
        raise StateMismatch("the state is {before}, not {if_in}; nothing was applied", before=before, if_in=if_in)
    log.look_up(batch)
    answers = apply_all(log, batch, checking(attributes, [sent.mutation.patch for sent in batch]), tell)
    log.write_down()
    records = log.some({sent.mutation.holding for sent in batch if not sent.is_nameless})
    return AppliedBatch(before, log.state, answers, records, PhotoStore(connection, owner).missing(MOST_MISSING))


def checking(attributes: Attributes, batch: Iterable[Mapping[str, Any]] = ()) -> Check:
    """The check of values by their flat names: everything wrong with them, pointers `/NAME`. `batch`: values that it
    will be asked about.

    Each value is right or wrong by itself, a fact together with the issuer, so one that was right is not looked at again: most
    values of a collection are few words."""
    right = RightValues(attributes, _RIGHT_BY_CORE if attributes is CORE else None)
    right.learn(batch)

    def check(values: Mapping[str, Any]) -> list[Fault]:
        issuer = values.get("issuer")
        if len(values) > MOST_FACTS or "facts" in values or not (issuer is None or isinstance(issuer, str)):
            return _faults_of(*own_and_facts(values), attributes)
        left, keys = right.left(values, issuer)
        if not left:
            return []
        own, facts = own_and_facts(left)
        if facts and issuer is not None:
            facts["issuer"] = issuer
        faults = _faults_of(own, facts, attributes)
        if not faults:
            right.add(keys)
        return faults

    return check


def _faults_of(own: Mapping[str, Any], facts: Mapping[str, Any], attributes: Attributes) -> list[Fault]:
    faults = faults_of_fields({**own, "facts": facts})
    if facts:
        faults += [fault.under("/facts") for fault in check_facts(facts, attributes, strict=False)]
    return [replace(fault, pointer=fault.pointer.removeprefix("/facts")) for fault in faults]


def _ensure_known(connection: Connection, owner: Owner, current: State, state: State | None) -> None:
    # The newest one, mostly: that takes no look into the log.
    if state is not None and state != current and not ChangeLog(connection, owner).knows(state, current):
        raise UnknownState(
            "this history does not contain that state: start over without it, keep all unsent mutations and send your journal",
        )

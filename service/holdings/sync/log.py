"""One owner's records and the log of mutations, within one transaction.

The owner's account row is counter and lock (sync.md): it is held from the first read to the commit, so that states become
visible in order. Without it a poller misses changes whose transaction began earlier and committed later.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace as replaced
from datetime import datetime
from typing import Any

from msgspec.structs import replace
from sqlalchemy import Connection

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.database.ids import read_id
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.apply import Logged, MutationAnswer, SentMutation
from service.holdings.sync.field_names import kept_values, photos_in
from service.holdings.sync.merge import REJECTED, ListOutcome, Mutation, View
from service.holdings.sync.record import Record, ValueConflict, ids_in, in_words, mutation_of
from service.holdings.sync.replay import (
    AT_STATE,
    CURRENT_RULES,
    INVALID_MERGE,
    LEFT_APART,
    RULES,
    list_as_json,
    view_in,
)
from service.holdings.sync.store import LoggedMutation, StoredRecord, SyncStore


class StoredLog:
    """The log of an owner whose account this transaction holds. What is entered is written by `write_down`, all at once:
    a batch of hundreds otherwise takes longer than another device of the owner waits for its turn."""

    def __init__(self, connection: Connection, owner: Owner, client: str, now: datetime) -> None:
        self._owner, self._client, self._now = owner, client, now
        self._accounts, self._store = AccountStore(connection), SyncStore(connection, owner)
        self._photo_store = PhotoStore(connection, owner)
        self._state = self._accounts.lock(owner)
        # None: looked for, and not there.
        self._mutations: dict[str, LoggedMutation | None] = {}
        self._past: dict[str, Logged | None] = {}
        self._records: dict[str, StoredRecord | None] = {}
        self._entered: list[tuple[LoggedMutation, State | None]] = []
        # In the order of their states; of those that `made` has the row is a new one.
        self._changed: dict[str, StoredRecord] = {}
        self._made: set[str] = set()
        # By holding the photos that it names now, where that changed.
        self._photos: dict[str, list[tuple[str, str]]] = {}

    def look_up(self, batch: Sequence[SentMutation]) -> None:
        """Reads what the batch will ask for in two queries instead of two for each mutation."""
        named = [sent.mutation for sent in batch if not sent.is_nameless]
        asked, held = {mutation.id for mutation in named}, {mutation.holding for mutation in named}
        self._mutations |= dict.fromkeys(asked) | self._store.mutations(asked)
        unknown = {identity for identity in asked if self._mutations[identity] is None}
        self._records |= dict.fromkeys(held) | self._store.records(held)
        # What authors saw that is not current any more.
        seen = (read_id(mutation_of(writer)) for sent in named for writer in self._stale(sent))
        stale = {identity for identity in seen if identity is not None} - asked
        self._mutations |= dict.fromkeys(stale) | self._store.mutations(stale)
        unknown |= {identity for identity in stale if self._mutations[identity] is None}
        self._past |= dict.fromkeys(unknown | asked) | self._store.past(unknown)

    def _stale(self, sent: Mutation) -> Iterator[str]:
        record = self.record(sent.holding)
        written = {} if record is None else record.written
        for name, writer in sent.seen.items():
            if writer is not None and not (name in written and written[name].by == writer):
                yield writer

    def look_up_own(self, mutations: Sequence[str], holdings: Sequence[str]) -> None:
        """The same for mutations that the service makes itself: their ids are new, so only the records are read."""
        self._mutations |= dict.fromkeys(mutations)
        self._past |= dict.fromkeys(mutations)
        self._records |= dict.fromkeys(holdings) | self._store.records(set(holdings))

    def logged(self, mutation_id: str) -> Logged | None:
        known = self._mutation(mutation_id)
        if known is not None:
            return Logged(known.fingerprint, known.answer)
        if mutation_id not in self._past:
            self._past[mutation_id] = self._store.past({mutation_id}).get(mutation_id)
        return self._past[mutation_id]

    @property
    def state(self) -> State:
        """The owner's state behind what was entered."""
        return self._state

    def record(self, holding_id: str) -> Record | None:
        if holding_id not in self._records:
            self._records[holding_id] = self._store.records({holding_id}).get(holding_id)
        stored = self._records[holding_id]
        return None if stored is None else stored.record

    def some(self, identities: Iterable[str]) -> list[StoredRecord]:
        """Those of these records, looked up before, that there are, in the order of their states: as they will be read once they
        are written down."""
        found = [self._records[identity] for identity in identities]
        return sorted((stored for stored in found if stored is not None), key=lambda stored: stored.modseq)

    def list_at(self, holding_id: str, name: str, writer: str) -> View | None:
        made_by = read_id(mutation_of(writer))
        known = self._mutation(made_by) if made_by is not None else None
        if known is None and made_by is not None and self.logged(made_by) is not None:
            return View(ids_in(writer), None)
        if known is None or known.holding != holding_id or known.answer.status == REJECTED:
            return None
        return view_in(known.body.get("patch", {}), known.lists, holding_id, name, writer)

    def refused(self, holding_id: str, mutation_id: str) -> Mapping[str, str | None] | None:
        identity = read_id(mutation_id)
        known = self._mutation(identity) if identity is not None else None
        if known is None or known.holding != holding_id or known.answer.status != REJECTED:
            return None
        seen: Mapping[str, str | None] = known.body.get("from", {})
        return seen

    def enter(
        self, sent: SentMutation, answer: MutationAnswer, record: Record | None, lists: Mapping[str, ListOutcome]
    ) -> None:
        body = _for_the_log(sent, record)
        if record is None:
            body[AT_STATE] = self._state.number
        else:
            self._state = self._state.after(sent.mutation.id)
        kept = {name: list_as_json(outcome) for name, outcome in lists.items()} if lists else {}
        about = (sent.mutation.id, sent.mutation.holding, sent.fingerprint, answer, body, kept)
        entry = LoggedMutation(*about, self._client, self._now)
        self._entered.append((entry, None if record is None else self._state))
        self._mutations[entry.id] = entry
        if record is not None:
            self._keep(record)

    def write_down(self) -> None:
        """Writes everything that was entered."""
        self._store.add_mutations(self._entered, self._client, self._now)
        self._store.add_records([stored for name, stored in self._changed.items() if name in self._made])
        self._store.change_records([stored for name, stored in self._changed.items() if name not in self._made])
        for identity, named in self._photos.items():
            self._photo_store.put(identity, named, self._now)
        if self._changed:
            self._accounts.put_state(self._owner, self._state)
        self._entered, self._changed, self._made, self._photos = [], {}, set(), {}

    def _keep(self, record: Record) -> None:
        state, now, before = self._state.number, self._now, self._records.get(record.id)
        if before is None:
            self._made.add(record.id)
        # As it will be read: an own field at its default is not kept.
        values, conflicts = kept_values(record.values), record.conflicts
        if conflicts:
            conflicts = self._with_origins(conflicts, before.record.conflicts if before is not None else ())
        kept = record
        if values is not record.values or conflicts is not record.conflicts:
            kept = replace(record, values=values, conflicts=conflicts)
        created, at = (state, now) if before is None else (before.created_modseq, before.created_at)
        self._records[record.id] = stored = StoredRecord(state, created, kept, at, now, record.is_destroyed)
        named = photos_in(kept.values)
        if named != ([] if before is None else photos_in(before.record.values)):
            self._photos[record.id] = [(sha256, side) for sha256, side, _ in named]
        # At the end of the changes, in the order of their states.
        self._changed.pop(record.id, None)
        self._changed[record.id] = stored

    def _with_origins(
        self, conflicts: Sequence[ValueConflict], before: Sequence[ValueConflict]
    ) -> tuple[ValueConflict, ...]:
        """The conflicts with the device and the time of each; not known of mutations that came with a copy, or were purged."""
        known = {conflict.mutation: conflict for conflict in before if conflict.received is not None}
        found = []
        for conflict in conflicts:
            if conflict.received is None:
                entry, other = self._mutation(conflict.mutation), known.get(conflict.mutation)
                if entry is not None and entry.answer.status != REJECTED:
                    conflict = replaced(conflict, client=entry.client, received=entry.at)
                elif other is not None:
                    conflict = replaced(conflict, client=other.client, received=other.received)
            found.append(conflict)
        return tuple(found)

    def _mutation(self, mutation_id: str) -> LoggedMutation | None:
        if mutation_id not in self._mutations:
            self._mutations[mutation_id] = self._store.mutations({mutation_id}).get(mutation_id)
        return self._mutations[mutation_id]


class ChangeLog:
    """What changed since a state; reads only, in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._store = SyncStore(connection, owner)
        self._begins = AccountStore(connection).oldest(owner)

    def knows(self, state: State, current: State) -> bool:
        """Whether the owner's history went through this state, and the log still has it."""
        if state in (ORIGIN, current):
            return True
        return state.number <= current.number and self._proof(state.number) == state.chain

    def _proof(self, number: int) -> str | None:
        """The chain of hashes in the state of this number. Before the beginning of the log there is none: a page of changes may
        end there, and its state proves that the log began where it does now."""
        return self._store.chain_at(max(number, self._begins))

    def page(self, since: int, limit: int, current: State) -> tuple[list[StoredRecord], State, bool]:
        """Up to `limit` records that changed after the state of this number, in the order of their states; the state that they
        lead to; and whether there are more."""
        found = self._store.since(since, limit + 1)
        if len(found) <= limit:
            return found, current, False
        modseq = found[limit - 1].modseq
        chain = self._proof(modseq)
        assert chain is not None, "each change is in the log"
        return found[:limit], State(modseq, chain), True

    def newest(self, below: int, limit: int) -> tuple[list[StoredRecord], bool]:
        """Up to `limit` records whose last change led to a state below this number, the newest first; and whether there are
        more."""
        found = self._store.newest(below, limit + 1)
        return found[:limit], len(found) > limit


def _for_the_log(sent: SentMutation, record: Record | None) -> dict[str, Any]:
    """What rebuilds the record: the mutation with its clock clamped. That it did not go together with the record does not follow
    from the log alone, so it is noted."""
    kept = {**sent.body, "edited_at": in_words(sent.mutation.edited_at), RULES: CURRENT_RULES}
    conflicts = record.conflicts if record is not None else ()
    if conflicts and any(
        conflict.kind == "invalid_merge" and conflict.mutation == sent.mutation.id for conflict in conflicts
    ):
        kept[INVALID_MERGE] = True
    if sent.mutation.writers is not None and record is not None:
        kept[LEFT_APART] = sorted(sent.mutation.patch.keys() - record.written.keys())
    return kept

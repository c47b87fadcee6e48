"""Every record rebuilt from the log of mutations and compared with what is kept; the chain of states followed.

Read in one snapshot, so that it may run while a server writes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence, Set
from functools import partial
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.field_names import photos_in
from service.holdings.sync.merge import CREATE, REJECTED, UPDATE, Record, mutation_of, outcome_of
from service.holdings.sync.replay import INVALID_MERGE, PURGED, LogEntry, Rebuilt, as_kept
from service.holdings.sync.store import StoredRecord, SyncStore


def differences(connection: Connection, owner: Owner) -> Iterator[str]:
    """What does not agree in one owner's holdings, in words; names of attributes, never their values.

    A holding that is older than the log cannot be rebuilt, since its beginning is not in it, or was purged; nor can one of which
    the log has the marker alone, since it was deleted and emptied. There each value, conflict and delete must be one that the log
    has, or one from before (written under the holding's own id, or by a mutation that the log no longer has, or not what it said)
    that no mutation replaced since.
    A conflict of such a holding that was taken away is not found."""
    store = SyncStore(connection, owner)
    log, unreadable = store.log()
    yield from (f"mutation {identity}: its entry in the log cannot be read" for identity in unreadable)
    kept = {stored.record.id: stored for stored in store.all()}
    state, begins = AccountStore(connection).state(owner), AccountStore(connection).oldest(owner)
    changes = [entry for entry in log if entry.modseq is not None]
    first = (changes[0].modseq or 0) if changes else state.number + 1
    yield from _chain(changes, state, owner)
    if begins and first != begins:
        yield f"account {owner.id}: its log was purged up to state {begins}, and begins at {first}"
    if first > 1 and all(stored.created_modseq >= first for stored in kept.values()):
        yield f"account {owner.id}: its log begins at state {first}, and no holding is older"
    emptied = {entry.mutation.holding for entry in log if entry.body.get(PURGED)}
    old = {identity for identity, stored in kept.items() if stored.created_modseq < first} | emptied
    yield from _states(changes, kept, first)
    rebuilt = Rebuilt()
    for entry in log:
        if entry.mutation.holding not in old:
            yield from rebuilt.take(entry)
    named = PhotoStore(connection, owner).all_named()
    founded = _Founded(log, emptied, was_purged=begins > 0)
    for identity, stored in kept.items():
        if stored.is_marked != stored.record.is_destroyed:
            yield f"holding {identity}: it is marked as destroyed without a delete, or the other way round"
        if stored.record.is_purged and stored.record != Record(
            identity, destroyed_by=stored.record.destroyed_by, is_purged=stored.record.is_destroyed
        ):
            yield f"holding {identity}: it is purged, and there is more of it than the marker"
        if named.get(identity, frozenset()) != {(sha256, side) for sha256, side, _ in photos_in(stored.record.values)}:
            yield f"holding {identity}: its photos are not those that the table of photos has"
        if identity in old:
            yield from founded.unfounded(stored.record)
            continue
        made = rebuilt.records.get(identity)
        if made is None:
            yield f"holding {identity}: the log has nothing that makes it"
        elif made != stored.record:
            yield f"holding {identity}: the log makes something else of its {', '.join(_apart(made, stored.record))}"
        if rebuilt.created.get(identity) != stored.created_modseq:
            yield f"holding {identity}: it was not made at state {stored.created_modseq}"


def all_differences(database: Database) -> tuple[int, list[str]]:
    """How many accounts there are, and what does not agree in the holdings of each."""
    owners = database.read(lambda connection: AccountStore(connection).owners())
    found = [line for owner in owners for line in database.read(partial(_listed, owner=owner))]
    return len(owners), found


def _listed(connection: Connection, owner: Owner) -> list[str]:
    return list(differences(connection, owner))


def _chain(changes: Sequence[LogEntry], state: State, owner: Owner) -> Iterator[str]:
    before = ORIGIN
    for entry in changes:
        here = State(entry.modseq or 0, entry.chain or "")
        # The first one may follow on states from before the log.
        if here.number == before.number + 1 and before.after(entry.mutation.id) != here:
            yield f"account {owner.id}: state {here.number} does not follow from the one before it"
        elif here.number != before.number + 1 and before != ORIGIN:
            yield f"account {owner.id}: there is not one mutation for state {before.number + 1}"
        before = here
    if changes and before != state:
        yield f"account {owner.id}: it is at state {state.number}, its log at {before.number}"


def _states(changes: Sequence[LogEntry], kept: Mapping[str, StoredRecord], first: int) -> Iterator[str]:
    """Each holding is at the state of its last mutation, so that with a log that has each state once no two share one."""
    latest = {entry.mutation.holding: entry.modseq for entry in changes}
    for identity, stored in kept.items():
        wanted = latest.get(identity)
        if stored.modseq != wanted and (wanted is not None or stored.modseq >= first):
            yield f"holding {identity}: its state is {stored.modseq}, its last mutation's {wanted}"
    for identity in latest.keys() - kept.keys():
        yield f"holding {identity}: it is in the log and is not kept"


def _apart(one: Record, other: Record) -> list[str]:
    names = {n for n in {**one.values, **other.values} if one.values.get(n) != other.values.get(n)}
    writers = {n for n in {**one.written, **other.written} if one.written.get(n) != other.written.get(n)}
    parts = sorted(names) + [f"writer of {name}" for name in sorted(writers - names)]
    parts += ["conflicts"] if one.conflicts != other.conflicts else []
    return parts + (["delete"] if one.destroyed_by != other.destroyed_by else [])


class _Founded:
    """What mutations in the log wrote, wherever it is now."""

    def __init__(self, log: Sequence[LogEntry], emptied: Set[str], *, was_purged: bool) -> None:
        self._emptied, self._was_purged = emptied, was_purged
        self._wrote: dict[tuple[str, str, str], list[Any]] = defaultdict(list)
        self._mutations: set[tuple[str, str]] = set()
        self._replaced: set[tuple[str, str, str | None]] = set()
        for entry in log:
            if entry.status != REJECTED and not entry.body.get(PURGED):
                self._note(entry)

    def _note(self, entry: LogEntry) -> None:
        sent, identity = entry.mutation, entry.mutation.holding
        named = (sent.writers or {}) if sent.op == CREATE else {}
        patch = {**dict.fromkeys(named), **sent.patch}
        self._mutations.add((identity, sent.id))
        for name, value in patch.items():
            self._wrote[identity, name, named.get(name, sent.id)].append(as_kept(name, value))
            if sent.op == UPDATE and not entry.body.get(INVALID_MERGE):
                self._replaced.add((identity, name, sent.seen.get(name)))
        for name, terms in entry.lists.items():
            for writer in (sent.id, outcome_of(sent.id, terms)):
                self._wrote[identity, name, writer].append(as_kept(name, terms))

    def unfounded(self, record: Record) -> Iterator[str]:
        """What the record has and no mutation wrote."""
        for name in {**record.values, **record.written}:
            writer = record.written.get(name)
            if writer is None:
                yield f"holding {record.id}: no mutation wrote its {name}"
            elif self._is_older(record, writer.by, name) and (record.id, name, writer.by) in self._replaced:
                yield f"holding {record.id}: its {name} was replaced, and is as it was before the log"
            elif not self._has(record, name, writer.by, record.values.get(name)):
                yield f"holding {record.id}: no mutation made its {name} what it is"
        for conflict in record.conflicts:
            if conflict.attribute is not None:
                if not self._has(record, conflict.attribute, conflict.mutation, conflict.value):
                    yield f"holding {record.id}: no mutation wrote its conflict about {conflict.attribute}"
            elif not self._is_known(record, conflict.mutation):
                yield f"holding {record.id}: there is no mutation for its conflict of kind {conflict.kind}"
        if record.destroyed_by is not None and not self._is_known(record, record.destroyed_by):
            yield f"holding {record.id}: there is no mutation for its delete"

    def _has(self, record: Record, name: str, writer: str, value: Any) -> bool:
        return self._is_older(record, writer, name) or value in self._wrote[record.id, name, writer]

    def _is_known(self, record: Record, mutation_id: str) -> bool:
        return self._is_older(record, mutation_id) or (record.id, mutation_id) in self._mutations

    def _is_older(self, record: Record, writer: str, name: str | None = None) -> bool:
        """Whether the log cannot say what this writer wrote: from before there was one, or purged."""
        if writer == record.id:
            return True
        is_logged = (record.id, mutation_of(writer)) in self._mutations
        # It came with a copy.
        is_carried = name is not None and (record.id, name, writer) in self._wrote
        was_purged = self._was_purged or record.id in self._emptied
        return was_purged and not is_logged and not is_carried

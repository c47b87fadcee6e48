"""Every record rebuilt from the log of mutations and compared with what is kept; the chain of states followed.

Read in one snapshot, so that it may run while a server writes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import replace as replaced
from functools import partial
from typing import Any

from msgspec.structs import replace
from sqlalchemy import Connection

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.holdings.photos.store import PhotoStore
from service.holdings.sync.field_names import photos_in
from service.holdings.sync.merge import CREATE, REJECTED, UPDATE
from service.holdings.sync.record import REVIVAL, Record, ids_in, key_of, same
from service.holdings.sync.replay import CURRENT_RULES, INVALID_MERGE, PURGED, RULES, LogEntry, Rebuilt, as_kept
from service.holdings.sync.store import StoredRecord, SyncStore


def differences(connection: Connection, owner: Owner) -> Iterator[str]:
    """What does not agree in one owner's holdings, in words; names of attributes, never their values.

    A holding that is older than the log cannot be rebuilt, since its beginning is not in it, or was purged; nor can one of which
    the log has the marker alone, since it was deleted and emptied. There each value, conflict and delete must be one that the log
    has, or one from before (written under the holding's own id, or by a mutation that the log no longer has, or not what it said)
    that no mutation replaced since. So it is for one that a mutation changed that was judged by earlier rules.
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
    # Since when mutations are judged as now; those before are at the beginning of the log.
    now = next((number for number, entry in enumerate(changes) if RULES in entry.body), len(changes))
    old |= {entry.mutation.holding for entry in changes[:now]}
    for entry in changes[now:]:
        if entry.body.get(RULES) != CURRENT_RULES and not entry.body.get(PURGED):
            yield f"mutation {entry.mutation.id}: its entry does not say by which rules it was judged"
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
        if stored.record.is_purged and not _is_marker(stored.record):
            yield f"holding {identity}: it is purged, and there is more of it than the marker"
        if named.get(identity, frozenset()) != {(sha256, side) for sha256, side, _ in photos_in(stored.record.values)}:
            yield f"holding {identity}: its photos are not those that the table of photos has"
        yield from founded.strangers(stored.record)
        if identity in old:
            yield from founded.unfounded(stored.record)
            continue
        made = rebuilt.records.get(identity)
        if made is None:
            yield f"holding {identity}: the log has nothing that makes it"
        elif _bare(made) != _bare(stored.record):
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


def _bare(record: Record) -> Record:
    """The record without what does not follow from the mutations themselves: the devices and the server's times."""
    if all(conflict.received is None for conflict in record.conflicts):
        return record
    bare = tuple(replaced(conflict, client=None, received=None) for conflict in record.conflicts)
    return replace(record, conflicts=bare)


def _is_marker(record: Record) -> bool:
    asked = tuple(conflict for conflict in record.conflicts if conflict.kind == "destroy")
    return record.is_destroyed and record == Record(
        record.id, conflicts=asked, deletes=record.deletes, is_purged=record.is_purged
    )


def _apart(one: Record, other: Record) -> list[str]:
    names = {n for n in {**one.values, **other.values} if one.values.get(n) != other.values.get(n)}
    writers = {n for n in {**one.written, **other.written} if one.written.get(n) != other.written.get(n)}
    parts = sorted(names) + [f"writer of {name}" for name in sorted(writers - names)]
    parts += ["conflicts"] if _bare(one).conflicts != _bare(other).conflicts else []
    return parts + (["delete"] if one.deletes != other.deletes else [])


class _Founded:
    """What mutations in the log wrote, wherever it is now."""

    def __init__(self, log: Sequence[LogEntry], emptied: Set[str], *, was_purged: bool) -> None:
        self._emptied, self._was_purged = emptied, was_purged
        self._wrote: dict[tuple[str, str, str], list[Any]] = defaultdict(list)
        self._mutations: dict[tuple[str, str], LogEntry] = {}
        self._replaced: set[tuple[str, str, str]] = set()
        for entry in log:
            if entry.status != REJECTED and not entry.body.get(PURGED):
                self._note(entry)

    def _note(self, entry: LogEntry) -> None:
        sent, identity = entry.mutation, entry.mutation.holding
        named = (sent.writers or {}) if sent.op == CREATE else {}
        patch = {**dict.fromkeys(named), **sent.patch}
        self._mutations[identity, sent.id] = entry
        for name, value in patch.items():
            for writer in ids_in(named.get(name, sent.id)):
                self._wrote[identity, name, writer].append(as_kept(name, value))
            seen = sent.seen.get(name)
            if sent.op == UPDATE and not entry.body.get(INVALID_MERGE) and seen is not None:
                self._replaced |= {(identity, name, writer) for writer in ids_in(seen)}
        if not sent.patch:
            self._wrote[identity, REVIVAL, sent.id].append(None)
        for name, terms in entry.lists.items():
            # Earlier versions kept the terms that resulted.
            if isinstance(terms, list):
                self._wrote[identity, name, sent.id].append(as_kept(name, terms))

    def strangers(self, record: Record) -> Iterator[str]:
        """Conflicts whose device or time is not that of their mutation."""
        for conflict in record.conflicts:
            entry = self._mutations.get((record.id, conflict.mutation))
            about = (conflict.client, conflict.received)
            if entry is not None and conflict.received is not None and about != (entry.client, entry.at):
                yield f"holding {record.id}: a conflict names another device or time than its mutation"

    def unfounded(self, record: Record) -> Iterator[str]:
        """What the record has and no mutation wrote."""
        for name in {**record.values, **record.written}:
            written, value = record.written.get(name), record.values.get(name)
            if written is None:
                yield f"holding {record.id}: no mutation wrote its {name}"
            elif written.elements is not None:
                elements = [element for element, _ in written.elements]
                is_put_on = all(self._has_put_on(record, name, *element) for element in written.elements)
                if not is_put_on or not same(elements, value or []):
                    yield f"holding {record.id}: no mutation made its {name} what it is"
            elif any(self._is_replaced(record, name, writer.by) for writer in written.writers):
                yield f"holding {record.id}: its {name} was replaced, and is as it was before the log"
            elif not all(self._has(record, name, writer.by, value) for writer in written.writers):
                yield f"holding {record.id}: no mutation made its {name} what it is"
        for conflict in record.conflicts:
            about = conflict.attribute
            if about is not None:
                writers = conflict.written.writers if conflict.written is not None else ()
                newest = {writer.by for writer in writers[-1:]}
                if newest != {conflict.mutation} or not all(
                    self._has(record, about, writer.by, conflict.value) for writer in writers
                ):
                    yield f"holding {record.id}: no mutation wrote its conflict about {about}"
            elif not self._is_known(record, conflict.mutation):
                yield f"holding {record.id}: there is no mutation for its conflict of kind {conflict.kind}"
        if not all(self._is_known(record, delete.by) for delete in record.deletes):
            yield f"holding {record.id}: there is no mutation for its delete"

    def _is_replaced(self, record: Record, name: str, writer: str) -> bool:
        return self._is_older(record, writer, name) and (record.id, name, writer) in self._replaced

    def _has(self, record: Record, name: str, writer: str, value: Any) -> bool:
        wrote = self._wrote.get((record.id, name, writer), ())
        return self._is_older(record, writer, name) or any(same(one, value) for one in wrote)

    def _has_put_on(self, record: Record, name: str, element: Any, writers: Sequence[str]) -> bool:
        """Whether each of these mutations wrote a list with this element."""
        key = key_of(element)
        return all(
            self._is_older(record, writer, name)
            or any(key in map(key_of, wrote or ()) for wrote in self._wrote.get((record.id, name, writer), ()))
            for writer in writers
        )

    def _is_known(self, record: Record, mutation_id: str) -> bool:
        return self._is_older(record, mutation_id) or (record.id, mutation_id) in self._mutations

    def _is_older(self, record: Record, writer: str, name: str | None = None) -> bool:
        """Whether the log cannot say what this writer wrote: from before there was one, or purged."""
        if writer == record.id:
            return True
        is_logged = (record.id, writer) in self._mutations
        # It came with a copy.
        is_carried = name is not None and (record.id, name, writer) in self._wrote
        was_purged = self._was_purged or record.id in self._emptied
        return was_purged and not is_logged and not is_carried

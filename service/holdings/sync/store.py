"""One owner's records and mutations in the database, as the merge knows them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec
from sqlalchemy import Column, Connection, Row, Select, bindparam, delete, func, select, update

from service.accounts.model import Owner, State
from service.database.rows import insert_rows, rows_by_id, update_rows
from service.holdings.sync.apply import Logged, MutationAnswer
from service.holdings.sync.field_names import (
    flattened,
    unflattened,
    value_conflict_as_json,
    value_conflict_from_json,
    written_as_json,
    written_from_json,
)
from service.holdings.sync.merge import OPS, REJECTED, UPDATE, Mutation
from service.holdings.sync.record import Record, Written, WrittenBy, in_words
from service.holdings.sync.replay import PURGED, LogEntry
from service.holdings.tables import holding, mutation, past_mutation

# Made once: making a statement anew takes as long as running it. What is read of a row is all but its owner.
_OWNER = "owner"
_HOLDINGS = select(*(column for column in holding.c if column is not holding.c.owner_id)).where(
    holding.c.owner_id == bindparam(_OWNER)
)
_MUTATIONS = select(*(column for column in mutation.c if column is not mutation.c.owner_id)).where(
    mutation.c.owner_id == bindparam(_OWNER)
)
_PAST = select(past_mutation.c.mutation_id, past_mutation.c.fingerprint, past_mutation.c.status).where(
    past_mutation.c.owner_id == bindparam(_OWNER)
)
# Most records have none of what these columns keep, and what is one object is written once.
_NONE: list[Any] = []
_NO_LISTS: dict[str, Any] = {}


class StoredRecord(msgspec.Struct, frozen=True):
    """A record as it is kept. `created_modseq` is the state at which it was made, `modseq` that of its last change;
    `is_marked` as destroyed agrees with the record, unless the row was tampered with."""

    modseq: int
    created_modseq: int
    record: Record
    created_at: datetime
    updated_at: datetime
    is_marked: bool = False


class LoggedMutation(msgspec.Struct, frozen=True):
    """A mutation in the log, with the device that sent it and when it came."""

    id: str
    holding: str
    fingerprint: str
    answer: MutationAnswer
    body: Mapping[str, Any]
    lists: Mapping[str, Any]
    client: str
    at: datetime


class Purged(msgspec.Struct, frozen=True):
    """What one purge did: the state at which the log begins now (None: as before), how many entries it took out of the log, and
    of how many deleted holdings the values."""

    begins: int | None
    entries: int
    holdings: int


class SyncStore:
    """Within one transaction. Whoever writes holds the owner's account."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection, self._owner = connection, owner
        self._mine = {_OWNER: owner.id}

    # -- records

    def records(self, identities: Collection[str]) -> dict[str, StoredRecord]:
        """Those of these records that there are, tombstones too."""
        return {row.id: _stored(row) for row in self._by_id(_HOLDINGS, holding.c.id, identities)}

    def since(self, modseq: int, limit: int) -> list[StoredRecord]:
        """Up to `limit` records that changed after this state, in the order of their states, tombstones too."""
        query = _HOLDINGS.where(holding.c.modseq > modseq).order_by(holding.c.modseq).limit(limit)
        return [_stored(row) for row in self._connection.execute(query, self._mine)]

    def newest(self, below: int, limit: int) -> list[StoredRecord]:
        """Up to `limit` records whose last change led to a state below this one, the newest first, tombstones too."""
        query = _HOLDINGS.where(holding.c.modseq < below).order_by(holding.c.modseq.desc()).limit(limit)
        return [_stored(row) for row in self._connection.execute(query, self._mine)]

    def all(self) -> list[StoredRecord]:
        """Every record, tombstones too."""
        return [_stored(row) for row in self._connection.execute(_HOLDINGS, self._mine)]

    def add_records(self, made: Sequence[StoredRecord]) -> None:
        rows = _columns(made)
        rows |= {"created_modseq": [o.created_modseq for o in made], "created_at": [o.created_at for o in made]}
        insert_rows(self._connection, holding, rows, {"owner_id": self._owner.id})

    def change_records(self, changed: Sequence[StoredRecord]) -> None:
        update_rows(self._connection, holding, "id", _columns(changed), {"owner_id": self._owner.id})

    # -- the log

    def mutations(self, identities: Collection[str]) -> dict[str, LoggedMutation]:
        """Those of these mutations that the log has."""
        rows = self._by_id(_MUTATIONS, mutation.c.mutation_id, identities)
        return {row.mutation_id: _logged(row) for row in rows}

    def add_mutations(self, entered: Sequence[tuple[LoggedMutation, State | None]], client: str, now: datetime) -> None:
        """Puts these into the log, each with the state that it led to (None: it changed nothing)."""
        about = {"owner_id": self._owner.id, "client_id": client, "at": now}
        insert_rows(self._connection, mutation, _entered(entered), about)

    def past(self, identities: Collection[str]) -> dict[str, Logged]:
        """Those of these mutations whose entry in the log was purged."""
        return {
            row.mutation_id: Logged(row.fingerprint, MutationAnswer(row.mutation_id, row.status))
            for row in self._by_id(_PAST, past_mutation.c.mutation_id, identities)
        }

    def purge_log(self, before: datetime, most: int) -> tuple[int | None, int]:
        """Takes up to `most` of the oldest entries out of the log, of those from before then; where the log begins now (None: as
        before), and how many it took. The newest entry from before then stays, as the beginning of the log. What stays of the
        others is that they are known, unless they were rejected."""
        mine, is_change = mutation.c.owner_id == self._owner.id, mutation.c.modseq.is_not(None)
        # By the index of states, up to the first that is newer: a day after the last purge that is not far.
        newer = (
            select(mutation.c.modseq)
            .where(mine, is_change, mutation.c.at >= before)
            .order_by(mutation.c.modseq)
            .limit(1)
        )
        newest = select(func.max(mutation.c.modseq)).where(mine)
        first_kept = self._connection.execute(newer).scalar()
        begins = first_kept - 1 if first_kept is not None else self._connection.execute(newest).scalar() or 0
        columns = (mutation.c.mutation_id, mutation.c.holding_id, mutation.c.fingerprint, mutation.c.answer)
        changes = select(*columns, mutation.c.modseq).where(mine, is_change, mutation.c.modseq < begins)
        gone: list[Any] = [*self._connection.execute(changes.order_by(mutation.c.modseq).limit(most))]
        others = select(*columns).where(mine, mutation.c.modseq.is_(None), mutation.c.at < before)
        unchanged: list[Any] = [*self._connection.execute(others.limit(most))]
        self._forget([*gone, *unchanged])
        return gone[-1].modseq + 1 if gone else None, len(gone) + len(unchanged)

    def empty_deleted(self, before: datetime, most: int) -> int:
        """Empties up to `most` holdings that were destroyed before then, in the table and in the log, so that only a marker is
        left; how many there were."""
        mine = holding.c.owner_id == self._owner.id
        over = (holding.c.destroyed.is_(True), holding.c.purged.is_(False), holding.c.updated_at < before)
        found = list(self._connection.execute(select(holding.c.id).where(mine, *over).limit(most)).scalars())
        if found:
            these = (mine, holding.c.id.in_(found))
            self._keep_deletes(*these)
            nothing = {"data": {}, "writers": {}, "purged": True}
            self._connection.execute(update(holding).where(*these).values(**nothing))
            about = (mutation.c.owner_id == self._owner.id, mutation.c.holding_id.in_(found))
            self._connection.execute(update(mutation).where(*about).values(body={PURGED: True}, lists={}))
        return len(found)

    def _keep_deletes(self, *these: Any) -> None:
        """Of the conflicts of these holdings only deletes stay: a marker has all of them."""
        mine = holding.c.owner_id == self._owner.id
        query = select(holding.c.id, holding.c.conflicts).where(*these, holding.c.conflicts != [])
        for row in self._connection.execute(query).all():
            left = [conflict for conflict in row.conflicts if conflict["kind"] == "destroy"]
            self._connection.execute(update(holding).where(mine, holding.c.id == row.id).values(conflicts=left))

    def _forget(self, rows: Sequence[Any]) -> None:
        if not rows:
            return
        known = [row for row in rows if row.answer["status"] != REJECTED]
        about = {
            "mutation_id": [row.mutation_id for row in known],
            "holding_id": [row.holding_id for row in known],
            "fingerprint": [row.fingerprint for row in known],
            "status": [row.answer["status"] for row in known],
        }
        insert_rows(self._connection, past_mutation, about, {"owner_id": self._owner.id})
        these = mutation.c.mutation_id.in_([row.mutation_id for row in rows])
        self._connection.execute(delete(mutation).where(mutation.c.owner_id == self._owner.id, these))

    def chain_at(self, modseq: int) -> str | None:
        """The chain of hashes at this state; None where the log does not have it."""
        query = select(mutation.c.chain).where(mutation.c.owner_id == self._owner.id, mutation.c.modseq == modseq)
        return self._connection.execute(query).scalar()

    def log(self) -> tuple[list[LogEntry], list[str]]:
        """The whole log in the order in which it came about, and the ids of mutations whose entry cannot be read."""
        entries: list[LogEntry] = []
        unreadable: list[str] = []
        for row in self._connection.execute(_MUTATIONS, self._mine):
            entry = _entry(row)
            if entry is None:
                unreadable.append(row.mutation_id)
            else:
                entries.append(entry)
        return sorted(entries, key=lambda entry: entry.order), unreadable

    def _by_id(self, query: Select[Any], by: Column[Any], identities: Collection[str]) -> Sequence[Row[Any]]:
        return rows_by_id(self._connection, query, by, identities, self._mine)


def _record(row: Row[Any]) -> Record:
    written = _written(row.writers)
    conflicts = tuple(value_conflict_from_json(entry) for entry in row.conflicts)
    deletes = tuple(WrittenBy(by, datetime.fromisoformat(at)) for by, at in row.deletes)
    return Record(row.id, flattened(row.data), written, conflicts, deletes, row.purged)


def _stored(row: Row[Any]) -> StoredRecord:
    return StoredRecord(row.modseq, row.created_modseq, _record(row), row.created_at, row.updated_at, row.destroyed)


def _columns(stored: Sequence[StoredRecord]) -> dict[str, list[Any]]:
    """What the rows of these records have, by column."""
    records = [one.record for one in stored]
    return {
        "id": [record.id for record in records],
        "modseq": [one.modseq for one in stored],
        "destroyed": [record.is_destroyed for record in records],
        "deletes": [
            [[delete.by, in_words(delete.at)] for delete in record.deletes] if record.deletes else _NONE
            for record in records
        ],
        "purged": [record.is_purged for record in records],
        "data": [unflattened(record.values) for record in records],
        "writers": [_writers(record.written) for record in records],
        "conflicts": [
            [value_conflict_as_json(conflict) for conflict in record.conflicts] if record.conflicts else _NONE
            for record in records
        ],
        "updated_at": [one.updated_at for one in stored],
    }


def _written(writers: Mapping[str, Any]) -> dict[str, Written]:
    """One object for all values that one mutation wrote: most records have one or two."""
    known: dict[tuple[str, str], Written] = {}
    written: dict[str, Written] = {}
    for name, entry in writers.items():
        if not isinstance(entry, list):
            written[name] = written_from_json(entry)
            continue
        by, at = entry
        found = known.get((by, at))
        if found is None:
            found = known[by, at] = written_from_json(entry)
        written[name] = found
    return written


def _writers(written: Mapping[str, Written]) -> dict[str, Any]:
    """The same as it is kept."""
    known: dict[int, Any] = {}
    writers: dict[str, Any] = {}
    for name, one in written.items():
        found = known.get(id(one))
        if found is None:
            found = known[id(one)] = written_as_json(one)
        writers[name] = found
    return writers


def _logged(row: Row[Any]) -> LoggedMutation:
    answer = msgspec.convert(row.answer, MutationAnswer)
    return LoggedMutation(
        row.mutation_id, row.holding_id, row.fingerprint, answer, row.body, row.lists, row.client_id, row.at
    )


def _entered(entered: Sequence[tuple[LoggedMutation, State | None]]) -> dict[str, list[Any]]:
    """What the rows of these mutations have, by column."""
    logged = [entry for entry, _ in entered]
    return {
        "mutation_id": [entry.id for entry in logged],
        "holding_id": [entry.holding for entry in logged],
        "modseq": [None if state is None else state.number for _, state in entered],
        "chain": [None if state is None else state.chain for _, state in entered],
        "fingerprint": [entry.fingerprint for entry in logged],
        "answer": [entry.answer for entry in logged],
        "body": [entry.body for entry in logged],
        "lists": [entry.lists or _NO_LISTS for entry in logged],
    }


def _entry(row: Row[Any]) -> LogEntry | None:
    """None where the log does not say any more what was done, or what the answer was."""
    body: Mapping[str, Any] = row.body
    try:
        if body.get(PURGED):
            nothing = Mutation(row.mutation_id, UPDATE, row.holding_id, datetime.min.replace(tzinfo=UTC))
            came = (row.client_id, row.at)
            return LogEntry(nothing, row.answer["status"], body, row.lists, row.modseq, row.chain, *came)
        sent = Mutation(
            row.mutation_id,
            body["op"],
            row.holding_id,
            datetime.fromisoformat(body["edited_at"]),
            dict(body.get("patch", {})),
            dict(body.get("from", {})),
            body.get("writers"),
            frozenset(body.get("resolves", ())),
            body.get("revive", False),
        )
        status = row.answer["status"]
    except (KeyError, TypeError, ValueError, AttributeError):
        return None
    if sent.op not in OPS or sent.edited_at.tzinfo is None or not isinstance(status, str):
        return None
    return LogEntry(sent, status, body, row.lists, row.modseq, row.chain, row.client_id, row.at)

"""One owner's records and mutations in the database, as the merge knows them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, Select, bindparam, insert, select, update

from service.accounts.model import Owner, State
from service.holdings.sync.apply import MutationAnswer
from service.holdings.sync.field_names import flattened, unflattened, value_conflict_as_json, value_conflict_from_json
from service.holdings.sync.merge import OPS, Mutation, Record, WrittenBy
from service.holdings.sync.replay import LogEntry
from service.holdings.tables import holding, mutation


@dataclass(frozen=True, slots=True)
class StoredRecord:
    """A record as it is kept. `created_modseq` is the state at which it was made, `modseq` that of its last change;
    `is_marked` as destroyed agrees with the record, unless the row was tampered with."""

    modseq: int
    created_modseq: int
    record: Record
    created_at: datetime
    updated_at: datetime
    is_marked: bool = False


@dataclass(frozen=True, slots=True)
class LoggedMutation:
    """A mutation in the log; `state` is None where it changed nothing."""

    id: str
    holding: str
    fingerprint: str
    answer: MutationAnswer
    body: Mapping[str, Any]
    lists: Mapping[str, list[str]]


class SyncStore:
    """Within one transaction. Whoever writes holds the owner's account."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection, self._owner = connection, owner

    # -- records

    def records(self, identities: Collection[str]) -> dict[str, Record]:
        """Those of these records that there are, tombstones too."""
        query = self._holdings().where(holding.c.id.in_(identities))
        return {row.id: _record(row) for row in self._connection.execute(query)}

    def some(self, identities: Sequence[str]) -> list[StoredRecord]:
        """The same, in the order of their states."""
        query = self._holdings().where(holding.c.id.in_(identities)).order_by(holding.c.modseq)
        return [_stored(row) for row in self._connection.execute(query)]

    def since(self, modseq: int, limit: int) -> list[StoredRecord]:
        """Up to `limit` records that changed after this state, in the order of their states, tombstones too."""
        query = self._holdings().where(holding.c.modseq > modseq).order_by(holding.c.modseq).limit(limit)
        return [_stored(row) for row in self._connection.execute(query)]

    def all(self) -> list[StoredRecord]:
        """Every record, tombstones too."""
        return [_stored(row) for row in self._connection.execute(self._holdings())]

    def add_records(self, made: Sequence[StoredRecord]) -> None:
        if made:
            self._connection.execute(insert(holding), [{**self._created(one), **_row(one)} for one in made])

    def change_records(self, changed: Sequence[StoredRecord]) -> None:
        if changed:
            which = (holding.c.owner_id == self._owner.id, holding.c.id == bindparam("this"))
            rows = [{"this": one.record.id, **_row(one)} for one in changed]
            self._connection.execute(update(holding).where(*which), rows)

    # -- the log

    def mutations(self, identities: Collection[str]) -> dict[str, LoggedMutation]:
        """Those of these mutations that the log has."""
        query = self._mutations().where(mutation.c.mutation_id.in_(identities))
        return {row.mutation_id: _logged(row) for row in self._connection.execute(query)}

    def add_mutations(self, entered: Sequence[tuple[LoggedMutation, State | None]], client: str, now: datetime) -> None:
        """Puts these into the log, each with the state that it led to (None: it changed nothing)."""
        if entered:
            about = {"owner_id": self._owner.id, "client_id": client, "at": now}
            self._connection.execute(insert(mutation), [{**about, **_entered(*entry)} for entry in entered])

    def chain_at(self, modseq: int) -> str | None:
        """The chain of hashes at this state; None where the log does not have it."""
        query = select(mutation.c.chain).where(mutation.c.owner_id == self._owner.id, mutation.c.modseq == modseq)
        return self._connection.execute(query).scalar()

    def log(self) -> tuple[list[LogEntry], list[str]]:
        """The whole log in the order in which it came about, and the ids of mutations whose entry cannot be read."""
        entries: list[LogEntry] = []
        unreadable: list[str] = []
        for row in self._connection.execute(self._mutations()):
            entry = _entry(row)
            if entry is None:
                unreadable.append(row.mutation_id)
            else:
                entries.append(entry)
        return sorted(entries, key=lambda entry: entry.order), unreadable

    def _created(self, stored: StoredRecord) -> dict[str, Any]:
        about = {"owner_id": self._owner.id, "id": stored.record.id}
        return {**about, "created_modseq": stored.created_modseq, "created_at": stored.created_at}

    def _holdings(self) -> Select[Any]:
        return select(holding).where(holding.c.owner_id == self._owner.id)

    def _mutations(self) -> Select[Any]:
        return select(mutation).where(mutation.c.owner_id == self._owner.id)


def _record(row: Row[Any]) -> Record:
    written = {name: WrittenBy(by, datetime.fromisoformat(at)) for name, (by, at) in row.writers.items()}
    conflicts = tuple(value_conflict_from_json(entry) for entry in row.conflicts)
    return Record(row.id, flattened(row.data), written, conflicts, row.destroyed_by)


def _stored(row: Row[Any]) -> StoredRecord:
    return StoredRecord(row.modseq, row.created_modseq, _record(row), row.created_at, row.updated_at, row.destroyed)


def _row(stored: StoredRecord) -> dict[str, Any]:
    record = stored.record
    return {
        "modseq": stored.modseq,
        "destroyed": record.is_destroyed,
        "destroyed_by": record.destroyed_by,
        "data": unflattened(record.values),
        "writers": {name: [written.by, written.at.isoformat()] for name, written in record.written.items()},
        "conflicts": [value_conflict_as_json(conflict) for conflict in record.conflicts],
        "updated_at": stored.updated_at,
    }


def _logged(row: Row[Any]) -> LoggedMutation:
    answer = msgspec.convert(row.answer, MutationAnswer)
    return LoggedMutation(row.mutation_id, row.holding_id, row.fingerprint, answer, row.body, row.lists)


def _entered(logged: LoggedMutation, state: State | None) -> dict[str, Any]:
    return {
        "mutation_id": logged.id,
        "holding_id": logged.holding,
        "modseq": None if state is None else state.number,
        "chain": None if state is None else state.chain,
        "fingerprint": logged.fingerprint,
        "answer": msgspec.to_builtins(logged.answer),
        "body": dict(logged.body),
        "lists": dict(logged.lists),
    }


def _entry(row: Row[Any]) -> LogEntry | None:
    """None where the log does not say any more what was done, or what the answer was."""
    body: Mapping[str, Any] = row.body
    try:
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
    return LogEntry(sent, status, body, row.lists, row.modseq, row.chain)

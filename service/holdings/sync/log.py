"""One owner's records and the log of mutations in the database, within one transaction.

The owner's account row is counter and lock (sync.md): it is held from the first look to the commit, so that states become
visible in order. Without it a poller misses changes whose transaction began earlier and committed later.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, insert, select, update

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.database.ids import read_id
from service.holdings.sync.apply import Logged, SentMutation
from service.holdings.sync.field_names import flattened, unflattened, value_conflict_as_json, value_conflict_from_json
from service.holdings.sync.merge import REJECTED, Record, WrittenBy, mutation_of, outcome_of
from service.holdings.sync.replay import AT_STATE, LEFT_APART
from service.holdings.tables import holding, mutation


@dataclass(frozen=True, slots=True)
class RecordChange:
    """A record as clients take it: `created_modseq` is the state at which it was made."""

    modseq: int
    created_modseq: int
    record: Record
    created_at: datetime
    updated_at: datetime


class StoredLog:
    """The ledger of an owner whose account this transaction holds. What is entered is written by `write_down`, all at once:
    a batch of hundreds otherwise takes longer than another device of the owner waits for its turn."""

    def __init__(self, connection: Connection, owner: Owner, client: str, now: datetime) -> None:
        self._connection, self._owner, self._client, self._now = connection, owner, client, now
        self._accounts = AccountStore(connection)
        self._state = self._accounts.lock(owner)
        # None: looked for, and not there.
        self._mutations: dict[str, Mapping[str, Any] | None] = {}
        self._records: dict[str, Record | None] = {}
        self._entered: list[dict[str, Any]] = []
        self._changed: dict[str, dict[str, Any]] = {}
        self._made: dict[str, int] = {}

    def look_up(self, batch: Sequence[SentMutation]) -> None:
        """Reads what the batch will ask for in two queries instead of two for each mutation."""
        asked, held = ({sent.mutation.id for sent in batch}, {sent.mutation.holding for sent in batch})
        self._mutations |= dict.fromkeys(asked) | self._find(asked)
        self._records |= dict.fromkeys(held) | self._find_records(held)

    def logged(self, mutation_id: str) -> Logged | None:
        known = self._mutation(mutation_id)
        return None if known is None else Logged(known["fingerprint"], known["answer"])

    def record(self, holding_id: str) -> Record | None:
        if holding_id not in self._records:
            self._records[holding_id] = self._find_records({holding_id}).get(holding_id)
        return self._records[holding_id]

    def list_at(self, holding_id: str, name: str, writer: str) -> list[str] | None:
        made_by, found = read_id(mutation_of(writer)), None
        known = self._mutation(made_by) if made_by is not None else None
        if known is not None and known["holding_id"] == holding_id:
            if known["answer"]["status"] == REJECTED:
                # Nobody but its author ever had that list.
                return None
            if writer == mutation_of(writer):
                found = known["body"].get("patch", {}).get(name)
            elif name in known["lists"] and outcome_of(mutation_of(writer), known["lists"][name]) == writer:
                found = known["lists"][name]
        if found is None:
            # A copy brought it along: then the log does not have it, and the record may.
            record = self.record(holding_id)
            if record is not None and name in record.written and record.written[name].by == writer:
                found = record.values.get(name)
        return found if isinstance(found, list) else None

    def enter(
        self, sent: SentMutation, answer: Mapping[str, Any], record: Record | None, lists: Mapping[str, list[str]]
    ) -> None:
        if record is not None:
            self._state = self._state.after(sent.mutation.id)
        row = {
            "owner_id": self._owner.id,
            "mutation_id": sent.mutation.id,
            "client_id": self._client,
            "holding_id": sent.mutation.holding,
            "modseq": None if record is None else self._state.number,
            "chain": None if record is None else self._state.chain,
            "fingerprint": sent.fingerprint,
            "answer": dict(answer),
            "body": _for_the_log(sent, record) | ({} if record else {AT_STATE: self._state.number}),
            "lists": dict(lists),
            "at": self._now,
        }
        self._entered.append(row)
        self._mutations[sent.mutation.id] = row
        if record is not None:
            if self.record(record.id) is None:
                self._made[record.id] = self._state.number
            # As it will be read: an own field at its default is not kept.
            self._records[record.id] = replace(record, values=flattened(unflattened(record.values)))
            # At the end of the changes, in the order of their states.
            self._changed.pop(record.id, None)
            self._changed[record.id] = _row_of(record, self._state.number, self._now)

    def write_down(self) -> None:
        """Puts everything that was entered into the transaction."""
        owner = self._owner.id
        if self._entered:
            self._connection.execute(insert(mutation), self._entered)
        made = {name: {"created_modseq": modseq, "created_at": self._now} for name, modseq in self._made.items()}
        new = [{"owner_id": owner, "id": n, **made[n], **row} for n, row in self._changed.items() if n in made]
        changed = [{"this": name, **row} for name, row in self._changed.items() if name not in made]
        if new:
            self._connection.execute(insert(holding), new)
        if changed:
            which = (holding.c.owner_id == owner, holding.c.id == bindparam("this"))
            self._connection.execute(update(holding).where(*which), changed)
        if self._changed:
            self._accounts.put_state(self._owner, self._state)
        self._entered, self._changed, self._made = [], {}, {}

    def _mutation(self, mutation_id: str) -> Mapping[str, Any] | None:
        if mutation_id not in self._mutations:
            self._mutations[mutation_id] = self._find({mutation_id}).get(mutation_id)
        return self._mutations[mutation_id]

    def _find(self, identities: Collection[str]) -> dict[str, Mapping[str, Any]]:
        columns = (c for c in mutation.c if c.name not in ("owner_id", "modseq", "chain", "client_id", "at"))
        query = select(*columns).where(mutation.c.owner_id == self._owner.id, mutation.c.mutation_id.in_(identities))
        return {row.mutation_id: dict(row._mapping) for row in self._connection.execute(query)}

    def _find_records(self, identities: Collection[str]) -> dict[str, Record]:
        query = select(holding).where(holding.c.owner_id == self._owner.id, holding.c.id.in_(identities))
        return {row.id: record_of(row) for row in self._connection.execute(query)}


def _row_of(record: Record, modseq: int, now: datetime) -> dict[str, Any]:
    return {
        "modseq": modseq,
        "destroyed": record.is_destroyed,
        "destroyed_by": record.destroyed_by,
        "data": unflattened(record.values),
        "writers": {name: [written.by, written.at.isoformat()] for name, written in record.written.items()},
        "conflicts": [value_conflict_as_json(conflict) for conflict in record.conflicts],
        "updated_at": now,
    }


def record_of(row: Row[Any]) -> Record:
    """A row of the table as the merge knows it."""
    written = {name: WrittenBy(by, datetime.fromisoformat(at)) for name, (by, at) in row.writers.items()}
    conflicts = tuple(value_conflict_from_json(entry) for entry in row.conflicts)
    return Record(row.id, flattened(row.data), written, conflicts, row.destroyed_by)


def _for_the_log(sent: SentMutation, record: Record | None) -> dict[str, Any]:
    """What rebuilds the record: the mutation as it was taken, its clock clamped; whether it did not go together with what was
    here is no matter of the log alone, so it says that."""
    kept = {**sent.body, "edited_at": sent.mutation.edited_at.isoformat()}
    conflicts = record.conflicts if record is not None else ()
    if any(conflict.kind == "invalid_merge" and conflict.mutation == sent.mutation.id for conflict in conflicts):
        kept["invalid_merge"] = True
    if sent.mutation.writers is not None and record is not None:
        kept[LEFT_APART] = sorted(sent.mutation.patch.keys() - record.written.keys())
    return kept


class ChangeLog:
    """What changed since a state; reads only, in one snapshot."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection, self._owner = connection, owner

    def knows(self, state: State, current: State) -> bool:
        """Whether the owner's history went through this state."""
        if state in (ORIGIN, current):
            return True
        if state.number > current.number:
            return False
        query = select(mutation.c.chain).where(mutation.c.owner_id == self._owner.id, mutation.c.modseq == state.number)
        return self._connection.execute(query).scalar() == state.chain

    def state_at(self, modseq: int) -> State:
        query = select(mutation.c.chain).where(mutation.c.owner_id == self._owner.id, mutation.c.modseq == modseq)
        return State(modseq, self._connection.execute(query).scalar_one())

    def since(self, modseq: int, limit: int) -> list[RecordChange]:
        """Up to `limit` records that changed after this state, in the order of their states, tombstones too."""
        query = (
            select(holding)
            .where(holding.c.owner_id == self._owner.id, holding.c.modseq > modseq)
            .order_by(holding.c.modseq)
            .limit(limit)
        )
        return [_change(row) for row in self._connection.execute(query)]

    def some(self, identities: Sequence[str]) -> list[RecordChange]:
        """These records, in the order of their states."""
        query = (
            select(holding)
            .where(holding.c.owner_id == self._owner.id, holding.c.id.in_(identities))
            .order_by(holding.c.modseq)
        )
        return [_change(row) for row in self._connection.execute(query)]


def _change(row: Row[Any]) -> RecordChange:
    return RecordChange(row.modseq, row.created_modseq, record_of(row), row.created_at, row.updated_at)

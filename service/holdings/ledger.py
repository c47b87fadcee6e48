"""One owner's records and the log of mutations in the database, within one transaction.

The owner's account row is counter and lock (sync.md): it is held from the first look to the commit, so that states become
visible in order. Without it a poller misses changes whose transaction began earlier and committed later.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from service.accounts.model import ORIGIN, Owner, State
from service.accounts.store import AccountStore
from service.database.identities import read_identity
from service.holdings.flat import conflict_as_json, conflict_from_json, flattened, unflattened
from service.holdings.merge import REJECTED, Record, Written, mutation_of, outcome_of
from service.holdings.rebuilding import AT_STATE, LEFT_APART
from service.holdings.syncing import Logged, Sent
from service.holdings.tables import holding, mutation


@dataclass(frozen=True, slots=True)
class Change:
    """A record as clients take it: `created_modseq` is the state at which it was made."""

    modseq: int
    created_modseq: int
    record: Record
    created_at: datetime
    updated_at: datetime


class StoredLedger:
    """The ledger of an owner whose account this transaction holds."""

    def __init__(self, connection: Connection, owner: Owner, client: str, now: datetime) -> None:
        self._connection, self._owner, self._client, self._now = connection, owner, client, now
        self._accounts = AccountStore(connection)
        self._accounts.lock(owner)

    def logged(self, mutation_id: str) -> Logged | None:
        query = select(mutation.c.fingerprint, mutation.c.answer).where(*self._logged(mutation_id))
        row = self._connection.execute(query).first()
        return None if row is None else Logged(row.fingerprint, row.answer)

    def record(self, holding_id: str) -> Record | None:
        row = self._connection.execute(select(holding).where(*self._held(holding_id))).first()
        return None if row is None else record_of(row)

    def list_at(self, holding_id: str, name: str, writer: str) -> list[str] | None:
        made_by = read_identity(mutation_of(writer))
        found = None
        if made_by is not None:
            query = select(mutation.c.body, mutation.c.lists, mutation.c.answer).where(
                *self._logged(made_by), mutation.c.holding_id == holding_id
            )
            row = self._connection.execute(query).first()
            if row is not None and row.answer["status"] == REJECTED:
                # Nobody but its author ever had that list.
                return None
            if row is not None and writer == mutation_of(writer):
                found = row.body.get("patch", {}).get(name)
            elif row is not None and name in row.lists and outcome_of(mutation_of(writer), row.lists[name]) == writer:
                found = row.lists[name]
        if found is None:
            # A copy brought it along: then the log does not have it, and the record may.
            record = self.record(holding_id)
            if record is not None and name in record.written and record.written[name].by == writer:
                found = record.values.get(name)
        return found if isinstance(found, list) else None

    def enter(
        self, sent: Sent, answer: Mapping[str, Any], record: Record | None, lists: Mapping[str, list[str]]
    ) -> None:
        state = None if record is None else self._accounts.advance(self._owner, sent.mutation.id)
        self._connection.execute(
            insert(mutation).values(
                owner_id=self._owner.id,
                mutation_id=sent.mutation.id,
                client_id=self._client,
                holding_id=sent.mutation.holding,
                modseq=None if state is None else state.number,
                chain=None if state is None else state.chain,
                fingerprint=sent.fingerprint,
                answer=dict(answer),
                body=_for_the_log(sent, record)
                | ({} if state else {AT_STATE: self._accounts.state(self._owner).number}),
                lists=dict(lists),
                at=self._now,
            )
        )
        if record is not None and state is not None:
            self._put(record, state.number)

    def _put(self, record: Record, modseq: int) -> None:
        row: dict[str, Any] = {
            "modseq": modseq,
            "destroyed": record.is_destroyed,
            "destroyed_by": record.destroyed_by,
            "data": unflattened(record.values),
            "writers": {name: [written.by, written.at.isoformat()] for name, written in record.written.items()},
            "conflicts": [conflict_as_json(conflict) for conflict in record.conflicts],
            "updated_at": self._now,
        }
        found = self._connection.execute(update(holding).where(*self._held(record.id)).values(**row))
        if found.rowcount == 0:
            made = {"owner_id": self._owner.id, "id": record.id, "created_modseq": modseq, "created_at": self._now}
            self._connection.execute(insert(holding).values(**made, **row))

    def _logged(self, mutation_id: str) -> tuple[Any, Any]:
        return mutation.c.owner_id == self._owner.id, mutation.c.mutation_id == mutation_id

    def _held(self, holding_id: str) -> tuple[Any, Any]:
        return holding.c.owner_id == self._owner.id, holding.c.id == holding_id


def record_of(row: Row[Any]) -> Record:
    """A row of the table as the merge knows it."""
    written = {name: Written(by, datetime.fromisoformat(at)) for name, (by, at) in row.writers.items()}
    conflicts = tuple(conflict_from_json(entry) for entry in row.conflicts)
    return Record(row.id, flattened(row.data), written, conflicts, row.destroyed_by)


def _for_the_log(sent: Sent, record: Record | None) -> dict[str, Any]:
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

    def since(self, modseq: int, limit: int) -> list[Change]:
        """Up to `limit` records that changed after this state, in the order of their states, tombstones too."""
        query = (
            select(holding)
            .where(holding.c.owner_id == self._owner.id, holding.c.modseq > modseq)
            .order_by(holding.c.modseq)
            .limit(limit)
        )
        return [_change(row) for row in self._connection.execute(query)]

    def some(self, identities: Sequence[str]) -> list[Change]:
        """These records, in the order of their states."""
        query = (
            select(holding)
            .where(holding.c.owner_id == self._owner.id, holding.c.id.in_(identities))
            .order_by(holding.c.modseq)
        )
        return [_change(row) for row in self._connection.execute(query)]


def _change(row: Row[Any]) -> Change:
    return Change(row.modseq, row.created_modseq, record_of(row), row.created_at, row.updated_at)

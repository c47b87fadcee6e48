"""One owner's imports in the database: what each did, so that it can be undone."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from service.accounts.model import Owner
from service.errors import NotFound
from service.holdings.imports.plan import Trace
from service.holdings.tables import holding, holding_import


@dataclass(frozen=True, slots=True)
class StoredImport:
    """An import that was carried out. `name` is that of the file, if it was said; `undone` is what undoing it did."""

    id: str
    at: datetime
    name: str | None
    format: str
    counts: Mapping[str, int]
    undone_at: datetime | None = None
    undone: Mapping[str, Any] | None = None


_COUNTS = ("created", "updated", "unchanged", "refused")
# The trace may be long, and is needed for undoing only.
_COLUMNS = tuple(column for column in holding_import.c if column.name != "trace")


class ImportStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, made: StoredImport, trace: Trace) -> None:
        row = {"id": made.id, "at": made.at, "name": made.name, "format": made.format, **made.counts}
        self._connection.execute(insert(holding_import).values(owner_id=self._owner.id, trace=trace.as_json(), **row))

    def get(self, identity: str) -> StoredImport:
        row = self._connection.execute(select(*_COLUMNS).where(*self._this(identity))).first()
        if row is None:
            raise NotFound("import", identity)
        return _import(row)

    def trace(self, identity: str) -> Trace:
        found = self._connection.execute(select(holding_import.c.trace).where(*self._this(identity))).scalar_one()
        return Trace(found["created"], found["changed"])

    def note_undone(self, identity: str, at: datetime, undone: Mapping[str, Any]) -> None:
        changed = update(holding_import).where(*self._this(identity))
        self._connection.execute(changed.values(undone_at=at, undone=dict(undone)))

    def page(self, before: str | None, limit: int) -> tuple[StoredImport, ...]:
        """Up to `limit` imports, the newest first (ids are made in the order of time), from behind the id `before`."""
        query = select(*_COLUMNS).where(holding_import.c.owner_id == self._owner.id)
        if before is not None:
            query = query.where(holding_import.c.id < before)
        return tuple(map(_import, self._connection.execute(query.order_by(holding_import.c.id.desc()).limit(limit))))

    def deleted(self, identities: Collection[str]) -> frozenset[str]:
        """Those of these ids that belonged to holdings which were deleted."""
        if not identities:
            return frozenset()
        query = select(holding.c.id).where(holding.c.owner_id == self._owner.id, holding.c.destroyed)
        return frozenset(self._connection.execute(query).scalars()) & frozenset(identities)

    def _this(self, identity: str) -> tuple[Any, Any]:
        return holding_import.c.owner_id == self._owner.id, holding_import.c.id == identity


def _import(row: Row[Any]) -> StoredImport:
    counts = {name: getattr(row, name) for name in _COUNTS}
    return StoredImport(row.id, row.at, row.name, row.format, counts, row.undone_at, row.undone)

"""One owner's imports in the database: what each did, so that it can be undone."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

import msgspec
from sqlalchemy import Connection, Row, bindparam, insert, select, update

from service.accounts.model import Owner
from service.errors import NotFound
from service.holdings.imports.plan import HoldingImport, Trace, UndoneImport
from service.holdings.tables import holding, holding_import

# The trace may be long, and is needed for undoing only.
_COLUMNS = tuple(column for column in holding_import.c if column.name not in ("owner_id", "trace"))

# Made once: making a statement anew takes as long as running it.
_PAGE = (
    select(*_COLUMNS)
    .where(holding_import.c.owner_id == bindparam("owner"))
    .order_by(holding_import.c.id.desc())
    .limit(bindparam("most"))
)
_NEXT_PAGE = _PAGE.where(holding_import.c.id < bindparam("before"))


class ImportStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, made: HoldingImport, trace: Trace) -> None:
        row = {name: getattr(made, name) for name in made.__struct_fields__ if name not in ("undone_at", "undone")}
        self._connection.execute(insert(holding_import).values(owner_id=self._owner.id, trace=trace.as_json(), **row))

    def get(self, identity: str) -> HoldingImport:
        row = self._connection.execute(select(*_COLUMNS).where(*self._this(identity))).first()
        if row is None:
            raise NotFound("import", identity)
        return _import(row)

    def trace(self, identity: str) -> Trace:
        found = self._connection.execute(select(holding_import.c.trace).where(*self._this(identity))).scalar_one()
        return Trace(found["created"], found["changed"])

    def note_undone(self, identity: str, at: datetime, undone: UndoneImport) -> None:
        changed = update(holding_import).where(*self._this(identity))
        self._connection.execute(changed.values(undone_at=at, undone=msgspec.to_builtins(undone)))

    def page(self, before: str | None, limit: int) -> tuple[HoldingImport, ...]:
        """Up to `limit` imports, the newest first (ids are made in the order of time), from behind the id `before`."""
        values = {"owner": self._owner.id, "before": before, "most": limit}
        return tuple(map(_import, self._connection.execute(_PAGE if before is None else _NEXT_PAGE, values)))

    def deleted(self, identities: Collection[str]) -> frozenset[str]:
        """Those of these ids that belonged to holdings which were deleted."""
        if not identities:
            return frozenset()
        query = select(holding.c.id).where(holding.c.owner_id == self._owner.id, holding.c.destroyed)
        return frozenset(self._connection.execute(query).scalars()) & frozenset(identities)

    def _this(self, identity: str) -> tuple[Any, Any]:
        return holding_import.c.owner_id == self._owner.id, holding_import.c.id == identity


def _import(row: Row[Any]) -> HoldingImport:
    fields = {column.name: getattr(row, column.name) for column in _COLUMNS}
    undone = None if row.undone is None else msgspec.convert(row.undone, UndoneImport)
    return HoldingImport(**{**fields, "undone": undone})

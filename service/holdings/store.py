"""One owner's holdings in the database."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, Row, Select, bindparam, func, select

from service.accounts.model import Owner
from service.errors import Conflict, NotFound
from service.holdings.model import StoredHolding
from service.holdings.sync.field_names import value_conflict_from_json
from service.holdings.tables import holding

_COLUMNS = (
    holding.c.id,
    holding.c.modseq,
    holding.c.created_modseq,
    holding.c.data,
    holding.c.created_at,
    holding.c.updated_at,
    holding.c.conflicts,
)
# Made once: making a statement anew takes as long as running it.
_ONE: Select[Any] = select(*_COLUMNS).where(
    holding.c.owner_id == bindparam("owner"), holding.c.id == bindparam("holding"), holding.c.destroyed.is_(False)
)
_PAGE: Select[Any] = (
    select(*_COLUMNS)
    .where(holding.c.owner_id == bindparam("owner"), holding.c.destroyed.is_(False))
    .order_by(holding.c.id)
    .limit(bindparam("most"))
)
_NEXT_PAGE = _PAGE.where(holding.c.id > bindparam("after"))


class HoldingStore:
    """Reads within one transaction. What changes goes through the log, see `service.holdings.sync.log`."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def get(self, identity: str) -> StoredHolding:
        row = self._connection.execute(_ONE, {"owner": self._owner.id, "holding": identity}).first()
        if row is None:
            raise NotFound("holding", identity)
        return _stored(row)

    def page(self, after: str | None, limit: int) -> tuple[StoredHolding, ...]:
        """Up to `limit` holdings in the order of their ids, from behind `after`."""
        query = _PAGE if after is None else _NEXT_PAGE
        values = {"owner": self._owner.id, "after": after, "most": limit}
        return tuple(_stored(row) for row in self._connection.execute(query, values))

    def all(self) -> tuple[StoredHolding, ...]:
        """Every holding, in the order of ids."""
        return tuple(_stored(row) for row in self._connection.execute(self._living().order_by(holding.c.id)))

    def number(self) -> int:
        """How many holdings there are."""
        query = select(func.count()).where(holding.c.owner_id == self._owner.id, holding.c.destroyed.is_(False))
        return int(self._connection.execute(query).scalar_one())

    def some(self, identities: Collection[str]) -> tuple[StoredHolding, ...]:
        """Those of these holdings that there are, in the order of ids."""
        query = self._living().where(holding.c.id.in_(identities)).order_by(holding.c.id)
        return tuple(_stored(row) for row in self._connection.execute(query))

    def ensure_new(self, identity: str) -> None:
        """Raises Conflict when there is, or was, a holding of this id."""
        query = select(holding.c.destroyed).where(holding.c.owner_id == self._owner.id, holding.c.id == identity)
        row = self._connection.execute(query).first()
        if row is not None:
            # A delete is never undone by a mere copy (sync.md, invariant 4).
            if row.destroyed:
                raise Conflict("the holding '{id}' was deleted; a new one needs a new id", id=identity)
            raise Conflict("there is a holding '{id}' already", id=identity)

    def _living(self) -> Select[Any]:
        return select(*_COLUMNS).where(holding.c.owner_id == self._owner.id, holding.c.destroyed.is_(False))


def _stored(row: Row[Any]) -> StoredHolding:
    conflicts = tuple(map(value_conflict_from_json, row.conflicts))
    return StoredHolding(row.id, row.modseq, row.created_modseq, row.data, row.created_at, row.updated_at, conflicts)

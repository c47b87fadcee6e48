"""One owner's holdings as columns: read whole once, and from then on only what changed since.

The rows are taken from the driver as they come, without the types of the tables: JSON stays text until a value is met for
the first time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Select, Text, cast, select, type_coerce

from service.accounts.model import Owner, State
from service.accounts.store import AccountStore
from service.database.engine import warm_of
from service.holdings.columns.blocks import BLOCK_ROWS, HeldRow
from service.holdings.columns.held import HoldingColumns, columns_of
from service.holdings.sync.log import ChangeLog
from service.holdings.tables import holding


def held_by(connection: Connection, owner: Owner) -> HoldingColumns:
    """The owner's living holdings, in the order of ids, as this transaction reads them."""
    state = AccountStore(connection).state(owner)
    store = _Rows(connection, owner)
    warm = warm_of(connection)
    if warm is None:
        # A transaction that writes: what it reads may never come to be.
        return store.all(state)

    def patched(columns: HoldingColumns) -> HoldingColumns | None:
        # As many changes as there are holdings: then reading all of them is no dearer.
        if state.number - columns.state.number > max(len(columns), BLOCK_ROWS):
            return None
        if columns.dictionary.is_outgrown:
            return None
        if not ChangeLog(connection, owner).knows(columns.state, state):
            return None
        return columns.patched(state, store.since(columns.state))

    found: HoldingColumns = warm.value(owner.id, state, lambda: store.all(state), patched)
    return found


class _Rows:
    """The owner's rows, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection, self._owner = connection, owner
        self._is_sqlite = connection.dialect.name == "sqlite"

    def all(self, state: State) -> HoldingColumns:
        """The living holdings, which are those of this state."""
        query = self._rows().where(holding.c.destroyed.is_(False)).order_by(holding.c.id)
        return columns_of(state, self._portions(query), _moment)

    def since(self, state: State) -> list[HeldRow]:
        """Those that changed after the state, deleted ones too."""
        query = self._rows().where(holding.c.modseq > state.number)
        return [row for portion in self._portions(query) for row in portion]

    def _rows(self) -> Select[Any]:
        # The engine's own form of an id: text where it has no type for them.
        identity = type_coerce(holding.c.id, Text) if self._is_sqlite else cast(holding.c.id, Text)
        columns = (holding.c.modseq, holding.c.created_modseq, holding.c.destroyed, holding.c.data)
        more = (holding.c.created_at, holding.c.updated_at, holding.c.conflicts)
        return select(identity, *columns, *more).where(holding.c.owner_id == self._owner.id)

    def _portions(self, query: Select[Any]) -> Iterator[Sequence[HeldRow]]:
        cursor = self._connection.execute(query).cursor
        assert cursor is not None, "a query has rows"
        try:
            while rows := cursor.fetchmany(BLOCK_ROWS):
                yield rows
        finally:
            cursor.close()


def _moment(raw: Any) -> datetime:
    moment = datetime.fromisoformat(raw) if isinstance(raw, str) else raw
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)

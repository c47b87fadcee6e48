"""Exhibitions of one owner's definitions in the database. They are added and taken down, never changed."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, insert, select

from service.accounts.model import Owner
from service.definitions.history.model import Exhibition
from service.definitions.tables import exhibition
from service.errors import NotFound

_COLUMNS = (exhibition.c.id, exhibition.c.title, exhibition.c.day, exhibition.c.summary, exhibition.c.created_at)


class ExhibitionStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def get(self, definition: str, identity: str) -> Exhibition:
        """The exhibition with its content."""
        query = select(*_COLUMNS, exhibition.c.content).where(*self._of(definition), exhibition.c.id == identity)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("exhibition", identity)
        return Exhibition(*row)

    def page(self, definition: str, after: str | None, limit: int) -> tuple[Exhibition, ...]:
        """Up to `limit` exhibitions in the order of their ids, from behind `after`, without their content."""
        query = select(*_COLUMNS).where(*self._of(definition)).order_by(exhibition.c.id).limit(limit)
        if after is not None:
            query = query.where(exhibition.c.id > after)
        return tuple(Exhibition(*row) for row in self._connection.execute(query))

    def add(self, definition: str, made: Exhibition) -> None:
        row: dict[str, Any] = {"id": made.id, "title": made.title, "day": made.day, "created_at": made.created_at}
        documents = {"summary": dict(made.summary), "content": dict(made.content or {})}
        self._connection.execute(
            insert(exhibition).values(owner_id=self._owner.id, definition_id=definition, **row, **documents)
        )

    def delete(self, definition: str, identity: str) -> None:
        self._connection.execute(delete(exhibition).where(*self._of(definition), exhibition.c.id == identity))

    def _of(self, definition: str) -> tuple[ColumnElement[bool], ...]:
        return exhibition.c.owner_id == self._owner.id, exhibition.c.definition_id == definition

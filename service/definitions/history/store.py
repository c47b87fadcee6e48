"""Fillings, noted days and exhibitions of one owner's definitions in the database."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, delete, func, insert, or_, select, update

from service.accounts.model import Owner
from service.definitions.history.model import (
    Filling,
    HistoryChange,
    RecordedDay,
    RecordedPlacement,
    RecordedPlacements,
    StoredExhibition,
)
from service.definitions.tables import exhibition, filling, noted_day
from service.errors import NotFound

_SUMMARY = (exhibition.c.id, exhibition.c.title, exhibition.c.day, exhibition.c.summary, exhibition.c.created_at)


class HistoryStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def noted(self, identity: str, day: date | None = None) -> RecordedDay | None:
        """The last note, or the last one up to a day."""
        query = select(noted_day).where(*self._days(identity)).order_by(noted_day.c.day.desc()).limit(1)
        if day is not None:
            query = query.where(noted_day.c.day <= day)
        row = self._connection.execute(query).first()
        if row is None:
            return None
        return RecordedDay(row.day, row.revision, row.digest, row.holdings_state, row.summary, row.at)

    def standing(self, identity: str) -> RecordedPlacements:
        """How the set stood at the last note."""
        noted = self.noted(identity)
        if noted is None:
            return RecordedPlacements()
        query = select(filling).where(
            *self._fillings(identity), or_(filling.c.until.is_(None), filling.c.until == noted.day)
        )
        rows = self._connection.execute(query.order_by(filling.c.number))
        last = self._connection.execute(select(func.max(filling.c.number)).where(*self._fillings(identity))).scalar()
        return RecordedPlacements(tuple(map(_filling, rows)), noted, last or 0)

    def page(
        self,
        identity: str,
        before: int | None,
        limit: int,
        *,
        place: str | None = None,
        holding: str | None = None,
        on: date | None = None,
    ) -> tuple[Filling, ...]:
        """Up to `limit` fillings, the newest first, from behind the number `before`; with `on` those of that day."""
        query = select(filling).where(*self._fillings(identity)).order_by(filling.c.number.desc()).limit(limit)
        if before is not None:
            query = query.where(filling.c.number < before)
        if place is not None:
            query = query.where(filling.c.place == place)
        if holding is not None:
            query = query.where(filling.c.holding_id == holding)
        if on is not None:
            query = query.where(filling.c.since <= on, or_(filling.c.until.is_(None), filling.c.until > on))
        return tuple(map(_filling, self._connection.execute(query)))

    def apply(self, identity: str, plan: HistoryChange, day: date) -> None:
        """Ends, resumes, takes back and opens fillings on a day."""
        mine = self._fillings(identity)
        if plan.undone:
            self._connection.execute(delete(filling).where(*mine, filling.c.number.in_(plan.undone)))
        for numbers, until in ((plan.ended, day), (plan.resumed, None)):
            if numbers:
                changed = update(filling).where(*mine, filling.c.number.in_(numbers))
                self._connection.execute(changed.values(until=until))
        if plan.opened:
            rows = [
                {
                    "owner_id": self._owner.id,
                    "definition_id": identity,
                    "number": opened.number,
                    "place": opened.placement.place,
                    "label": opened.placement.label,
                    "holding_id": opened.placement.holding,
                    "basis": opened.placement.basis,
                    "since": opened.since,
                    "until": opened.until,
                }
                for opened in plan.opened
            ]
            self._connection.execute(insert(filling), rows)

    def put(self, identity: str, noted: RecordedDay) -> None:
        """The note of a day, in the place of an earlier one of the same day."""
        self._connection.execute(delete(noted_day).where(*self._days(identity), noted_day.c.day == noted.day))
        row = {"revision": noted.revision, "digest": noted.digest, "holdings_state": noted.holdings_state}
        self._connection.execute(
            insert(noted_day).values(
                owner_id=self._owner.id,
                definition_id=identity,
                day=noted.day,
                summary=dict(noted.summary),
                at=noted.at,
                **row,
            )
        )

    def _fillings(self, identity: str) -> tuple[ColumnElement[bool], ...]:
        return filling.c.owner_id == self._owner.id, filling.c.definition_id == identity

    def _days(self, identity: str) -> tuple[ColumnElement[bool], ...]:
        return noted_day.c.owner_id == self._owner.id, noted_day.c.definition_id == identity


class ExhibitionStore:
    """Exhibitions, within one transaction: added and deleted, never changed."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def get(self, definition: str, identity: str) -> StoredExhibition:
        """The exhibition with its content."""
        query = select(*_SUMMARY, exhibition.c.content).where(*self._of(definition), exhibition.c.id == identity)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("exhibition", identity)
        return StoredExhibition(*row)

    def page(self, definition: str, after: str | None, limit: int) -> tuple[StoredExhibition, ...]:
        """Up to `limit` exhibitions in the order of their ids, from behind `after`, without their content."""
        query = select(*_SUMMARY).where(*self._of(definition)).order_by(exhibition.c.id).limit(limit)
        if after is not None:
            query = query.where(exhibition.c.id > after)
        return tuple(StoredExhibition(*row) for row in self._connection.execute(query))

    def add(self, definition: str, made: StoredExhibition) -> None:
        row: dict[str, Any] = {"id": made.id, "title": made.title, "day": made.day, "created_at": made.created_at}
        documents = {"summary": dict(made.summary), "content": dict(made.content or {})}
        self._connection.execute(
            insert(exhibition).values(owner_id=self._owner.id, definition_id=definition, **row, **documents)
        )

    def delete(self, definition: str, identity: str) -> None:
        self._connection.execute(delete(exhibition).where(*self._of(definition), exhibition.c.id == identity))

    def _of(self, definition: str) -> tuple[ColumnElement[bool], ...]:
        return exhibition.c.owner_id == self._owner.id, exhibition.c.definition_id == definition


def _filling(row: Row[Any]) -> Filling:
    return Filling(row.number, RecordedPlacement(row.place, row.label, row.holding_id, row.basis), row.since, row.until)

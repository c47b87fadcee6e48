"""One owner's origins, what is offered there, and imports that wait, in the database."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, delete, func, insert, or_, select, update

from service.accounts.model import Owner
from service.errors import NotFound
from service.sharing.origins import CLAIM, MOST_OFFERED, OWN, SHARE, Brought, Origin, OriginRevision
from service.sharing.tables import definition_import, definition_origin, origin_pull, origin_revision

_LONG = ("document", "findings")
_IN_A_LIST = tuple(column for column in definition_import.c if column.name not in _LONG)


class BroughtStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, made: Brought) -> None:
        row = {"id": made.id, "kind": made.kind, "address": made.address, "title": made.title, "digest": made.digest}
        more = {"revision": made.revision, "etag": made.etag, "counts": made.counts, "findings": made.findings}
        times = {"created_at": made.created_at, "expires_at": made.expires_at}
        self._connection.execute(
            insert(definition_import).values(owner_id=self._owner.id, document=made.document, **row, **more, **times)
        )

    def get(self, identity: str, now: datetime) -> Brought:
        """Raises NotFound when there is none, or its time is over."""
        alive = (*self._is(identity), definition_import.c.expires_at > now)
        row = self._connection.execute(select(definition_import).where(*alive)).first()
        if row is None:
            raise NotFound("import", identity)
        return _brought(row)

    def page(self, after: str | None, limit: int, now: datetime) -> tuple[Brought, ...]:
        """Up to `limit` imports in the order of their ids, from behind `after`, without their documents."""
        table = definition_import
        query = select(*_IN_A_LIST).where(table.c.owner_id == self._owner.id, table.c.expires_at > now)
        if after is not None:
            query = query.where(table.c.id > after)
        return tuple(_brought(row) for row in self._connection.execute(query.order_by(table.c.id).limit(limit)))

    def waiting(self, now: datetime) -> int:
        """How many wait for a yes."""
        table = definition_import
        waiting = (table.c.owner_id == self._owner.id, table.c.expires_at > now, table.c.definition_id.is_(None))
        return self._connection.execute(select(func.count()).select_from(table).where(*waiting)).scalar_one()

    def prune(self, now: datetime) -> None:
        """Deletes those whose time is over."""
        over = (definition_import.c.owner_id == self._owner.id, definition_import.c.expires_at <= now)
        self._connection.execute(delete(definition_import).where(*over))

    def note_confirmed(self, identity: str, definition: str) -> None:
        self._connection.execute(update(definition_import).where(*self._is(identity)).values(definition_id=definition))

    def delete(self, identity: str) -> None:
        self._connection.execute(delete(definition_import).where(*self._is(identity)))

    def _is(self, identity: str) -> tuple[Any, Any]:
        return definition_import.c.owner_id == self._owner.id, definition_import.c.id == identity


class OriginStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, definition: str, made: Origin) -> None:
        self._connection.execute(
            insert(definition_origin).values(
                owner_id=self._owner.id,
                definition_id=definition,
                kind=made.kind,
                address=made.address,
                source_id=made.source,
                title=made.title,
                revision=made.revision,
                digest=made.digest,
                recorded_at=made.recorded_at,
                **_state(made),
            )
        )

    def get(self, definition: str) -> Origin:
        row = self._connection.execute(select(definition_origin).where(*self._of(definition))).first()
        if row is None:
            raise NotFound("origin of the definition", definition)
        return _origin(row)

    def note(self, definition: str, checked: Origin) -> None:
        """Writes down what a check came to."""
        self._connection.execute(update(definition_origin).where(*self._of(definition)).values(**_state(checked)))

    def forget(self, definition: str) -> None:
        self._connection.execute(delete(definition_origin).where(*self._of(definition)))

    def offered(self, definition: str) -> tuple[OriginRevision, ...]:
        """All that is newer at the origin and was fetched, in the order of the numbers, without the documents."""
        listed = tuple(column for column in origin_revision.c if column.name != "document")
        query = select(*listed).where(*self._offered(definition)).order_by(origin_revision.c.number)
        return tuple(_offered(row) for row in self._connection.execute(query))

    def available(self, definition: str) -> tuple[OriginRevision, ...]:
        """What is offered and newer than what was taken in so far."""
        pulls = (origin_pull.c.owner_id == self._owner.id, origin_pull.c.definition_id == definition)
        taken = self._connection.execute(select(func.max(origin_pull.c.revision)).where(*pulls)).scalar() or 0
        return tuple(offered for offered in self.offered(definition) if offered.number > taken)

    def one_offered(self, definition: str, number: int) -> OriginRevision:
        query = select(origin_revision).where(*self._offered(definition), origin_revision.c.number == number)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("revision of the origin", str(number))
        return _offered(row)

    def offer(self, definition: str, made: OriginRevision) -> None:
        """Keeps a newer revision, unless it is there already; of many the newest."""
        known = [offered.number for offered in self.offered(definition)]
        if made.number in known:
            return
        row = {"number": made.number, "digest": made.digest, "title": made.title, "document": made.document}
        self._connection.execute(
            insert(origin_revision).values(
                owner_id=self._owner.id, definition_id=definition, fetched_at=made.fetched_at, **row
            )
        )
        oldest = sorted([*known, made.number])[:-MOST_OFFERED]
        self._connection.execute(
            delete(origin_revision).where(*self._offered(definition), origin_revision.c.number.in_(oldest))
        )

    def _of(self, definition: str) -> tuple[Any, Any]:
        return definition_origin.c.owner_id == self._owner.id, definition_origin.c.definition_id == definition

    def _offered(self, definition: str) -> tuple[Any, Any]:
        return origin_revision.c.owner_id == self._owner.id, origin_revision.c.definition_id == definition


_LAST_SEEN = func.coalesce(definition_origin.c.checked_at, definition_origin.c.recorded_at)


class DueStore:
    """Origins that are due to be asked, whoever they belong to, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def due(self, before: datetime, now: datetime, limit: int) -> tuple[tuple[Owner, str], ...]:
        """Up to `limit` that can be asked, may be asked now, and were not asked since `before`; those first that were not
        asked for longest."""
        table = definition_origin
        query = select(table.c.owner_id, table.c.definition_id).where(self._is_due(before, now)).limit(limit)
        rows = self._connection.execute(query.order_by(_LAST_SEEN))
        return tuple((Owner(row.owner_id), row.definition_id) for row in rows)

    def claim(self, owner: Owner, definition: str, before: datetime, now: datetime) -> bool:
        """Whether it is due still, and the caller's to ask."""
        this = (definition_origin.c.owner_id == owner.id, definition_origin.c.definition_id == definition)
        claimed = update(definition_origin).where(*this, self._is_due(before, now)).values(next_check_at=now + CLAIM)
        return self._connection.execute(claimed).rowcount == 1

    def _is_due(self, before: datetime, now: datetime) -> ColumnElement[bool]:
        table = definition_origin
        may_be = or_(table.c.next_check_at.is_(None), table.c.next_check_at <= now)
        return and_(table.c.kind.in_((SHARE, OWN)), before >= _LAST_SEEN, may_be)


def _state(origin: Origin) -> dict[str, Any]:
    """What a check may change."""
    return {
        "newest": origin.newest,
        "etag": origin.etag,
        "checked_at": origin.checked_at,
        "next_check_at": origin.next_check_at,
        "failures": origin.failures,
        "problem": origin.problem,
    }


def _brought(row: Row[Any]) -> Brought:
    return Brought(
        row.id,
        row.kind,
        row.address,
        row.title,
        row.revision,
        row.digest,
        row.etag,
        row.counts,
        row.created_at,
        row.expires_at,
        row.definition_id,
        *(row._mapping.get(name) for name in _LONG),
    )


def _origin(row: Row[Any]) -> Origin:
    return Origin(
        row.kind,
        row.title,
        row.revision,
        row.digest,
        row.recorded_at,
        row.address,
        row.source_id,
        row.newest,
        row.etag,
        row.checked_at,
        row.next_check_at,
        row.failures,
        row.problem,
    )


def _offered(row: Row[Any]) -> OriginRevision:
    return OriginRevision(row.number, row.digest, row.title, row.fetched_at, row._mapping.get("document"))

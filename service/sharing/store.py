"""Shares, imports of definitions, origins and pulls in the database. Whoever changes something of an owner's locks the account
first."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from msgspec import Struct, convert
from sqlalchemy import ColumnElement, Connection, Row, and_, delete, func, insert, or_, select, update

from service.accounts.model import LAST_USED_EVERY, Owner
from service.analysis.findings import Finding, FindingCounts
from service.database.partitions import found_by
from service.errors import NotFound
from service.sharing.model import (
    CLAIM_LIFETIME,
    MOST_OFFERED,
    OPEN,
    OWN,
    SHARE,
    DefinitionImport,
    Origin,
    OriginRevision,
    PulledRevision,
    Share,
)
from service.sharing.tables import definition_import, definition_origin, origin_pull, origin_revision, share

_LONG = ("document", "findings")
_IN_A_LIST = tuple(column for column in definition_import.c if column.name not in _LONG)
_LAST_SEEN = func.coalesce(definition_origin.c.checked_at, definition_origin.c.recorded_at)


class ShareStore:
    """One owner's shares, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, digest: str, made: Share) -> None:
        row = {"id": made.id, "definition_id": made.definition, "revision": made.revision, "name": made.name}
        more = {"follows": made.follows, "created_at": made.created_at, "expires_at": made.expires_at}
        self._connection.execute(
            insert(share).values(owner_id=self._owner.id, digest=digest, uses_left=made.uses_left, **row, **more)
        )

    def get(self, identity: str) -> Share:
        row = self._connection.execute(select(share).where(*self._is(identity))).first()
        if row is None:
            raise NotFound("share", identity)
        return _share(row)

    def page(self, after: str | None, limit: int) -> tuple[Share, ...]:
        """Up to `limit` shares in the order of their ids, after `after`, revoked and expired ones included."""
        query = select(share).where(share.c.owner_id == self._owner.id).order_by(share.c.id).limit(limit)
        if after is not None:
            query = query.where(share.c.id > after)
        return tuple(_share(row) for row in self._connection.execute(query))

    def revoke(self, identity: str, now: datetime) -> None:
        """Ends the link, unless it is revoked already. Raises NotFound."""
        self.get(identity)
        unrevoked = (*self._is(identity), share.c.revoked_at.is_(None))
        self._connection.execute(update(share).where(*unrevoked).values(revoked_at=now))

    def _is(self, identity: str) -> tuple[Any, Any]:
        return share.c.owner_id == self._owner.id, share.c.id == identity


class LinkStore:
    """The shares of all owners, found by their links' secrets, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def open(self, digest: str, now: datetime) -> tuple[Owner, Share]:
        """The share whose secret has this digest, and its owner. Raises NotFound with one message whether it never existed, or
        is revoked, expired or used up."""
        row = self._connection.execute(select(share).where(*self._of(digest))).first()
        found = None if row is None else _share(row)
        if row is None or found is None or found.status(now) != OPEN:
            raise _no_such_link()
        return Owner(row.owner_id), found

    def spend(self, digest: str, now: datetime) -> None:
        """Takes one use from a share that counts them. Raises NotFound if none is left, or it was revoked meanwhile."""
        usable = (*self._of(digest), share.c.revoked_at.is_(None), share.c.uses_left > 0)
        spent = update(share).where(*usable).values(uses_left=share.c.uses_left - 1, last_used_at=now)
        if self._connection.execute(spent).rowcount == 0:
            raise _no_such_link()

    def note_use(self, digest: str, now: datetime) -> None:
        """Records that the link was used, unless that was done lately."""
        dated = or_(share.c.last_used_at.is_(None), share.c.last_used_at <= now - LAST_USED_EVERY)
        self._connection.execute(update(share).where(*self._of(digest), dated).values(last_used_at=now))

    def _of(self, digest: str) -> tuple[ColumnElement[bool], ...]:
        return found_by(self._connection, share.c.digest, digest)


class DefinitionImportStore:
    """One owner's imports of definitions, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, made: DefinitionImport) -> None:
        row = {"id": made.id, "kind": made.kind, "address": made.address, "title": made.title, "digest": made.digest}
        findings = {"findings": made.findings, "in_words": made.in_words}
        more = {"revision": made.revision, "etag": made.etag, "counts": made.counts, "findings": findings}
        times = {"created_at": made.created_at, "expires_at": made.expires_at}
        self._connection.execute(
            insert(definition_import).values(owner_id=self._owner.id, document=made.document, **row, **more, **times)
        )

    def get(self, identity: str, now: datetime) -> DefinitionImport:
        """Raises NotFound if there is none, or it is expired."""
        alive = (*self._is(identity), definition_import.c.expires_at > now)
        row = self._connection.execute(select(definition_import).where(*alive)).first()
        if row is None:
            raise NotFound("import", identity)
        return _import(row)

    def page(self, after: str | None, limit: int, now: datetime) -> tuple[DefinitionImport, ...]:
        """Up to `limit` imports in the order of their ids, after `after`, without their documents."""
        table = definition_import
        query = select(*_IN_A_LIST).where(table.c.owner_id == self._owner.id, table.c.expires_at > now)
        if after is not None:
            query = query.where(table.c.id > after)
        return tuple(_import(row) for row in self._connection.execute(query.order_by(table.c.id).limit(limit)))

    def pending(self, now: datetime) -> int:
        """How many are not confirmed yet."""
        table = definition_import
        pending = (table.c.owner_id == self._owner.id, table.c.expires_at > now, table.c.definition_id.is_(None))
        return self._connection.execute(select(func.count()).select_from(table).where(*pending)).scalar_one()

    def prune(self, now: datetime) -> None:
        """Deletes those that are expired."""
        over = (definition_import.c.owner_id == self._owner.id, definition_import.c.expires_at <= now)
        self._connection.execute(delete(definition_import).where(*over))

    def set_definition(self, identity: str, definition: str) -> None:
        self._connection.execute(update(definition_import).where(*self._is(identity)).values(definition_id=definition))

    def delete(self, identity: str) -> None:
        self._connection.execute(delete(definition_import).where(*self._is(identity)))

    def _is(self, identity: str) -> tuple[Any, Any]:
        return definition_import.c.owner_id == self._owner.id, definition_import.c.id == identity


class OriginStore:
    """One owner's origins and their newer revisions, within one transaction."""

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

    def record(self, definition: str, checked: Origin) -> None:
        """Stores the outcome of a check."""
        self._connection.execute(update(definition_origin).where(*self._of(definition)).values(**_state(checked)))

    def delete(self, definition: str) -> None:
        self._connection.execute(delete(definition_origin).where(*self._of(definition)))

    def offered(self, definition: str) -> tuple[OriginRevision, ...]:
        """All newer revisions that were fetched, in the order of their numbers, without their documents."""
        listed = tuple(column for column in origin_revision.c if column.name != "document")
        query = select(*listed).where(*self._offered(definition)).order_by(origin_revision.c.number)
        return tuple(_offered(row) for row in self._connection.execute(query))

    def available(self, definition: str) -> tuple[OriginRevision, ...]:
        """Those that are newer than what was pulled so far."""
        pulls = (origin_pull.c.owner_id == self._owner.id, origin_pull.c.definition_id == definition)
        pulled = self._connection.execute(select(func.max(origin_pull.c.revision)).where(*pulls)).scalar() or 0
        return tuple(offered for offered in self.offered(definition) if offered.number > pulled)

    def one_offered(self, definition: str, number: int) -> OriginRevision:
        query = select(origin_revision).where(*self._offered(definition), origin_revision.c.number == number)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("revision of the origin", str(number))
        return _offered(row)

    def offer(self, definition: str, made: OriginRevision) -> None:
        """Stores a newer revision, unless it is stored already, and deletes the oldest past MOST_OFFERED."""
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


class DueOriginStore:
    """Origins of all owners that are due for a check, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def due(self, before: datetime, now: datetime, limit: int) -> tuple[tuple[Owner, str], ...]:
        """Up to `limit` that can be asked, may be asked now, and were not asked since `before`; those that were not asked for
        longest first."""
        table = definition_origin
        query = select(table.c.owner_id, table.c.definition_id).where(self._is_due(before, now)).limit(limit)
        rows = self._connection.execute(query.order_by(_LAST_SEEN))
        return tuple((Owner(row.owner_id), row.definition_id) for row in rows)

    def claim(self, owner: Owner, definition: str, before: datetime, now: datetime) -> bool:
        """Claims it; whether it was still due."""
        this = (definition_origin.c.owner_id == owner.id, definition_origin.c.definition_id == definition)
        claimed = (
            update(definition_origin).where(*this, self._is_due(before, now)).values(next_check_at=now + CLAIM_LIFETIME)
        )
        return self._connection.execute(claimed).rowcount == 1

    def _is_due(self, before: datetime, now: datetime) -> ColumnElement[bool]:
        table = definition_origin
        may_be = or_(table.c.next_check_at.is_(None), table.c.next_check_at <= now)
        return and_(table.c.kind.in_((SHARE, OWN)), before >= _LAST_SEEN, may_be)


class PullStore:
    """What one owner's definitions pulled from their origins, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def latest(self, definition: str, number: int) -> PulledRevision | None:
        """What was merged last into the revision of this number or an earlier one."""
        query = select(origin_pull).where(*self._of(definition), origin_pull.c.number <= number)
        row = self._connection.execute(query.order_by(origin_pull.c.number.desc()).limit(1)).first()
        return None if row is None else PulledRevision(row.revision, row.digest, row.document)

    def put(self, definition: str, number: int, pulled: PulledRevision) -> None:
        """Records what was merged into the draft with this number, in place of what was merged into an earlier draft of it."""
        self._connection.execute(delete(origin_pull).where(*self._of(definition), origin_pull.c.number == number))
        row = {"revision": pulled.number, "digest": pulled.digest, "document": dict(pulled.document)}
        self._connection.execute(
            insert(origin_pull).values(owner_id=self._owner.id, definition_id=definition, number=number, **row)
        )

    def _of(self, definition: str) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
        return origin_pull.c.owner_id == self._owner.id, origin_pull.c.definition_id == definition


def _no_such_link() -> NotFound:
    """For every link that does not open, whatever the reason. The secret is not repeated."""
    return NotFound("share", "...")


def _share(row: Row[Any]) -> Share:
    return Share(
        row.id,
        row.definition_id,
        row.revision,
        row.name,
        row.follows,
        row.created_at,
        row.expires_at,
        row.uses_left,
        row.revoked_at,
        row.last_used_at,
    )


def _state(origin: Origin) -> dict[str, Any]:
    """The columns that a check may change."""
    return {
        "newest": origin.newest,
        "etag": origin.etag,
        "checked_at": origin.checked_at,
        "next_check_at": origin.next_check_at,
        "failures": origin.failures,
        "problem": origin.problem,
    }


class _Findings(Struct):
    """The column `findings`."""

    findings: tuple[Finding, ...] = ()
    in_words: tuple[str, ...] = ()


def _import(row: Row[Any]) -> DefinitionImport:
    found = convert(row._mapping.get("findings", {}), _Findings)
    return DefinitionImport(
        row.id,
        row.kind,
        row.address,
        row.title,
        row.revision,
        row.digest,
        row.etag,
        convert(row.counts, FindingCounts),
        row.created_at,
        row.expires_at,
        row.definition_id,
        row._mapping.get("document"),
        found.findings,
        found.in_words,
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

"""Shares in the database: an owner's own, and whatever a link leads to."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, or_, select, update

from service.accounts.model import LAST_USED_EVERY, Owner
from service.errors import NotFound
from service.sharing.shares import OPEN, Share
from service.sharing.tables import share


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
        """Up to `limit` shares in the order of their ids, from behind `after`; revoked and expired ones, too."""
        query = select(share).where(share.c.owner_id == self._owner.id).order_by(share.c.id).limit(limit)
        if after is not None:
            query = query.where(share.c.id > after)
        return tuple(_share(row) for row in self._connection.execute(query))

    def revoke(self, identity: str, now: datetime) -> None:
        """Ends the link. One that is revoked already stays so."""
        self.get(identity)
        unrevoked = (*self._is(identity), share.c.revoked_at.is_(None))
        self._connection.execute(update(share).where(*unrevoked).values(revoked_at=now))

    def _is(self, identity: str) -> tuple[Any, Any]:
        return share.c.owner_id == self._owner.id, share.c.id == identity


class SharedStore:
    """What links lead to, whoever made them, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def open(self, digest: str, now: datetime) -> tuple[Owner, Share]:
        """The share whose secret has this digest, and its owner. Raises NotFound, in the same words whether it never was,
        is revoked, expired or used up."""
        row = self._connection.execute(select(share).where(share.c.digest == digest)).first()
        found = None if row is None else _share(row)
        if row is None or found is None or found.status(now) != OPEN:
            raise no_such_link()
        return Owner(row.owner_id), found

    def spend(self, digest: str, now: datetime) -> None:
        """Takes one use from a share that counts them. Raises NotFound when none is left by now, or it was revoked."""
        usable = (share.c.digest == digest, share.c.revoked_at.is_(None), share.c.uses_left > 0)
        spent = update(share).where(*usable).values(uses_left=share.c.uses_left - 1, last_used_at=now)
        if self._connection.execute(spent).rowcount == 0:
            raise no_such_link()

    def note_use(self, digest: str, now: datetime) -> None:
        """Writes down that the link was used, unless that was done lately."""
        dated = or_(share.c.last_used_at.is_(None), share.c.last_used_at <= now - LAST_USED_EVERY)
        self._connection.execute(update(share).where(share.c.digest == digest, dated).values(last_used_at=now))


def no_such_link() -> NotFound:
    """The one answer to every link that leads nowhere, or nowhere any more. The secret is not repeated."""
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

"""Invitations, pairings and counted attempts in the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.accounts.model import Invitation, Owner
from service.accounts.pairing import Pairing
from service.accounts.tables import attempt, device_pairing, invitation
from service.accounts.throttle import LONGEST_MEMORY, Attempts, Watched
from service.errors import NotFound

# So long the answer to a device that asks too late is still that its code is expired.
_KEPT_AFTERWARDS = timedelta(hours=1)


class InvitationStore:
    """Invitations, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, owner: Owner, digest: str, made: Invitation) -> None:
        row = {"id": made.id, "note": made.note, "created_at": made.created_at, "expires_at": made.expires_at}
        self._connection.execute(insert(invitation).values(owner_id=owner.id, digest=digest, **row))

    def open(self, digest: str, now: datetime, *, lock: bool = False) -> tuple[Owner, Invitation] | None:
        """The invitation with this digest and who invited, unless it is used, revoked or expired. With `lock` nobody else
        can use it until the transaction ends."""
        query = select(invitation).where(invitation.c.digest == digest)
        row = self._connection.execute(query.with_for_update() if lock else query).first()
        found = None if row is None else (Owner(row.owner_id), _invitation(row))
        return found if found is not None and found[1].status(now) == "open" else None

    def use(self, owner: Owner, identity: str, now: datetime) -> None:
        self._connection.execute(update(invitation).where(*self._is(owner, identity)).values(used_at=now))

    def page(self, owner: Owner, after: str | None, limit: int) -> tuple[Invitation, ...]:
        """Up to `limit` invitations in the order of their ids."""
        query = select(invitation).where(invitation.c.owner_id == owner.id).order_by(invitation.c.id).limit(limit)
        if after is not None:
            query = query.where(invitation.c.id > after)
        return tuple(_invitation(row) for row in self._connection.execute(query))

    def revoke(self, owner: Owner, identity: str, now: datetime) -> None:
        """Raises NotFound when the owner made no such invitation, or it is used or revoked already."""
        unused = (invitation.c.used_at.is_(None), invitation.c.revoked_at.is_(None))
        done = self._connection.execute(
            update(invitation).where(*self._is(owner, identity), *unused).values(revoked_at=now)
        )
        if done.rowcount == 0:
            raise NotFound("open invitation", identity)

    def _is(self, owner: Owner, identity: str) -> Sequence[Any]:
        return invitation.c.owner_id == owner.id, invitation.c.id == identity


class PairingStore:
    """Pairings under way, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, pairing: Pairing) -> None:
        self._connection.execute(insert(device_pairing).values(device_digest=pairing.device_digest, **_row(pairing)))

    def prune(self, now: datetime) -> None:
        self._connection.execute(delete(device_pairing).where(device_pairing.c.expires_at < now - _KEPT_AFTERWARDS))

    def by_device(self, digest: str) -> Pairing | None:
        """The pairing with this device code, held until the transaction ends."""
        return self._one(device_pairing.c.device_digest == digest)

    def by_user(self, digest: str) -> Pairing | None:
        """The pairing with this user code, held until the transaction ends."""
        return self._one(device_pairing.c.user_digest == digest)

    def replace(self, pairing: Pairing) -> None:
        this = device_pairing.c.device_digest == pairing.device_digest
        self._connection.execute(update(device_pairing).where(this).values(**_row(pairing)))

    def deny_all(self, owner: Owner) -> None:
        """Takes back what the owner approved and no device has fetched yet."""
        waiting = (device_pairing.c.owner_id == owner.id, device_pairing.c.status == "approved")
        self._connection.execute(update(device_pairing).where(*waiting).values(status="denied"))

    def _one(self, which: Any) -> Pairing | None:
        row = self._connection.execute(select(device_pairing).where(which).with_for_update()).first()
        if row is None:
            return None
        times = (row.expires_at, row.interval_seconds, row.polled_at)
        owner = None if row.owner_id is None else Owner(row.owner_id)
        return Pairing(
            row.device_digest, row.user_digest, *times, row.status, owner, row.name, tuple(row.scopes.split())
        )


class AttemptStore:
    """Counted attempts, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def hold(self, watched: Watched, now: datetime) -> Attempts | None:
        """The count, held until the transaction ends; None when nothing was counted yet."""
        # The update that changes nothing takes hold of the row, also where another transaction has just made it.
        dialect = sqlite if self._connection.dialect.name == "sqlite" else postgresql
        adding = dialect.insert(attempt).values(key=watched.key, tries=0, last_at=now)
        held = adding.on_conflict_do_update(index_elements=["key"], set_={"key": adding.excluded.key})
        row = self._connection.execute(held.returning(attempt.c.tries, attempt.c.last_at)).one()
        return Attempts(row.tries, row.last_at) if row.tries else None

    def put(self, watched: Watched, attempts: Attempts) -> None:
        values = {"tries": attempts.count, "last_at": attempts.last_at}
        self._connection.execute(update(attempt).where(attempt.c.key == watched.key).values(**values))

    def forget(self, watched: Watched) -> None:
        self._connection.execute(delete(attempt).where(attempt.c.key == watched.key))

    def take_back(self, watched: Watched) -> None:
        """One attempt less."""
        some = (attempt.c.key == watched.key, attempt.c.tries > 0)
        self._connection.execute(update(attempt).where(*some).values(tries=attempt.c.tries - 1))

    def prune(self, now: datetime) -> None:
        self._connection.execute(delete(attempt).where(attempt.c.last_at < now - LONGEST_MEMORY))


def _invitation(row: Row[Any]) -> Invitation:
    return Invitation(row.id, row.note, row.created_at, row.expires_at, row.used_at, row.revoked_at)


def _row(pairing: Pairing) -> dict[str, Any]:
    return {
        "user_digest": pairing.user_digest,
        "expires_at": pairing.expires_at,
        "interval_seconds": pairing.interval_seconds,
        "polled_at": pairing.polled_at,
        "status": pairing.status,
        "owner_id": None if pairing.owner is None else pairing.owner.id,
        "name": pairing.name,
        "scopes": " ".join(pairing.scopes),
    }

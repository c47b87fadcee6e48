"""Accounts, tokens, invitations, pairings, counted attempts and remembered answers in the database."""

from __future__ import annotations

import hmac
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import Connection, Row, Select, bindparam, delete, func, insert, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.accounts.model import (
    LAST_USED_EVERY,
    ORIGIN,
    SCOPES,
    Account,
    Caller,
    Invitation,
    Owner,
    Remembered,
    State,
    Token,
    folded,
    ordered,
)
from service.accounts.pairing import Pairing
from service.accounts.tables import (
    account,
    attempt,
    device_pairing,
    invitation,
    password_reset,
    remembered_answer,
    token,
)
from service.accounts.throttle import LONGEST_MEMORY, AttemptCount, Throttle
from service.database.ids import new_id
from service.database.lookup import Lookup
from service.database.partitions import found_by
from service.errors import Conflict, NotFound

# So long a device that polls too late is still told that its code expired.
_KEPT_AFTER_EXPIRY = timedelta(hours=1)

# Made once: making a statement anew takes as long as running it.
_LIVE = select(token).where(
    token.c.owner_id == bindparam("owner"),
    token.c.revoked_at.is_(None),
    or_(token.c.expires_at.is_(None), token.c.expires_at > bindparam("now")),
)


@cache
def _page_of_tokens(devices_only: bool, continued: bool) -> Select[Any]:
    query = _LIVE.order_by(token.c.id).limit(bindparam("most"))
    if devices_only:
        query = query.where(token.c.is_device)
    return query.where(token.c.id > bindparam("after")) if continued else query


class AccountStore:
    """All owners' accounts, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def owners(self) -> list[Owner]:
        """The owners of all accounts."""
        return [Owner(identity) for identity in self._connection.execute(select(account.c.id)).scalars()]

    def count(self) -> int:
        return self._connection.execute(select(func.count()).select_from(account)).scalar_one()

    def add(
        self, owner: Owner, name: str, now: datetime, *, is_admin: bool = False, password_hash: str | None = None
    ) -> None:
        """Raises Conflict if another account's name counts as the same."""
        row = {"id": owner.id, "name": name, "state": ORIGIN.number, "chain": ORIGIN.chain, "min_state": 0}
        more = {"folded_name": folded(name), "is_admin": is_admin, "password_hash": password_hash}
        dialect = sqlite if self._connection.dialect.name == "sqlite" else postgresql
        adding = dialect.insert(account).values(**row, **more, created_at=now)
        # Decided by the database, so that of two at the same time one is refused; RETURNING, since drivers differ in counting
        # rows that were left out.
        added = adding.on_conflict_do_nothing(index_elements=["folded_name"]).returning(account.c.id)
        if self._connection.execute(added).first() is None:
            raise Conflict("there is an account with this name already")

    def named(self, name: str) -> Account | None:
        """The account whose name counts as the same."""
        row = self._connection.execute(select(account).where(account.c.folded_name == folded(name))).first()
        return None if row is None else _account(row, row.id)

    def get(self, owner: Owner) -> Account:
        row = self._connection.execute(select(account).where(account.c.id == owner.id)).first()
        if row is None:
            raise NotFound("account", owner.id)
        return _account(row, row.id)

    def set_password(self, owner: Owner, password_hash: str) -> None:
        self._connection.execute(update(account).where(account.c.id == owner.id).values(password_hash=password_hash))

    def add_token(
        self,
        owner: Owner,
        digest: str,
        name: str,
        now: datetime,
        expires_at: datetime | None = None,
        *,
        scopes: Iterable[str] = SCOPES,
        is_device: bool = False,
    ) -> Token:
        made = Token(new_id(), name, ordered(scopes), is_device, now, expires_at, None)
        row = {"id": made.id, "scopes": " ".join(made.scopes), "is_device": is_device, "name": name}
        self._connection.execute(
            insert(token).values(owner_id=owner.id, digest=digest, created_at=now, expires_at=expires_at, **row)
        )
        return made

    def caller(self, digest: str, now: datetime) -> Caller | None:
        """The owner and the token with this digest, unless it is revoked or expired."""
        statement = CALLER.statement_on(self._connection)
        return caller_of(self._connection.execute(statement, {"digest": digest}).first(), digest, now)

    def caller_by_id(self, owner: Owner, token_id: str, now: datetime) -> Caller | None:
        """The owner and the token with this id, unless it is revoked or expired."""
        digest = self._connection.execute(
            select(token.c.digest).where(token.c.owner_id == owner.id, token.c.id == token_id)
        ).scalar()
        return None if digest is None else self.caller(digest, now)

    def note_use(self, owner: Owner, token_id: str, now: datetime) -> None:
        """Records that the token was used, unless that was done within the last minute."""
        dated = or_(token.c.last_used_at.is_(None), token.c.last_used_at <= now - LAST_USED_EVERY)
        self._connection.execute(
            update(token).where(token.c.owner_id == owner.id, token.c.id == token_id, dated).values(last_used_at=now)
        )

    def tokens(
        self, owner: Owner, after: str | None, limit: int, now: datetime, *, devices_only: bool = False
    ) -> tuple[Token, ...]:
        """Up to `limit` of the owner's tokens that are neither revoked nor expired, in the order of their ids."""
        values = {"owner": owner.id, "now": now, "after": after, "most": limit}
        query = _page_of_tokens(devices_only, after is not None)
        return tuple(_token(row) for row in self._connection.execute(query, values))

    def device(self, owner: Owner, device_id: str, now: datetime) -> Token:
        query = _LIVE.where(token.c.id == device_id, token.c.is_device)
        row = self._connection.execute(query, {"owner": owner.id, "now": now}).first()
        if row is None:
            raise NotFound("device", device_id)
        return _token(row)

    def rename(self, owner: Owner, token_id: str, name: str) -> None:
        self._connection.execute(
            update(token).where(token.c.owner_id == owner.id, token.c.id == token_id).values(name=name)
        )

    def revoke(self, owner: Owner, digest: str, now: datetime) -> None:
        self._connection.execute(
            update(token).where(token.c.owner_id == owner.id, token.c.digest == digest).values(revoked_at=now)
        )

    def revoke_by_id(self, owner: Owner, token_id: str, now: datetime, *, devices_only: bool = False) -> None:
        """Raises NotFound if the owner has no such token, or it is revoked already."""
        which = [token.c.owner_id == owner.id, token.c.id == token_id, token.c.revoked_at.is_(None)]
        if devices_only:
            which.append(token.c.is_device)
        done = self._connection.execute(update(token).where(*which).values(revoked_at=now))
        if done.rowcount == 0:
            raise NotFound("device" if devices_only else "token", token_id)

    def revoke_all_but(self, owner: Owner, token_id: str, now: datetime) -> None:
        others = (token.c.owner_id == owner.id, token.c.id != token_id, token.c.revoked_at.is_(None))
        self._connection.execute(update(token).where(*others).values(revoked_at=now))

    def revoke_all(self, owner: Owner, now: datetime) -> None:
        live = (token.c.owner_id == owner.id, token.c.revoked_at.is_(None))
        self._connection.execute(update(token).where(*live).values(revoked_at=now))

    def put_reset(self, owner: Owner, digest: str, now: datetime, expires_at: datetime) -> None:
        """The one-time text with this digest lets a new password be set; an earlier one of the account no longer does."""
        self.drop_reset(owner)
        row = {"owner_id": owner.id, "digest": digest, "created_at": now, "expires_at": expires_at}
        self._connection.execute(insert(password_reset).values(**row))

    def is_reset(self, owner: Owner, digest: str, now: datetime) -> bool:
        """Whether the owner's password may be set with the text that has this digest."""
        query = select(password_reset).where(password_reset.c.owner_id == owner.id)
        row = self._connection.execute(query).first()
        return row is not None and hmac.compare_digest(row.digest.encode(), digest.encode()) and now < row.expires_at

    def drop_reset(self, owner: Owner) -> None:
        self._connection.execute(delete(password_reset).where(password_reset.c.owner_id == owner.id))

    def state(self, owner: Owner) -> State:
        """The state of the owner's holdings, without a lock."""
        return self._state(owner, lock=False)

    def oldest(self, owner: Owner) -> int:
        """The number of the state at which the owner's log of mutations begins; 0 when nothing was purged from it."""
        return self._connection.execute(select(account.c.min_state).where(account.c.id == owner.id)).scalar() or 0

    def put_oldest(self, owner: Owner, number: int) -> None:
        """What was before this state can no longer be followed mutation by mutation."""
        self._connection.execute(update(account).where(account.c.id == owner.id).values(min_state=number))

    def lock(self, owner: Owner) -> State:
        """The state, with the account locked until the transaction ends: the owner's changes happen one after another. With a
        plain sequence, or a counter read without the lock, a poller can miss changes."""
        return self._state(owner, lock=True)

    def _state(self, owner: Owner, *, lock: bool) -> State:
        query = select(account.c.state, account.c.chain).where(account.c.id == owner.id)
        row = self._connection.execute(query.with_for_update() if lock else query).first()
        if row is None:
            raise NotFound("account", owner.id)
        return State(row.state, row.chain)

    def administrators(self) -> list[Owner]:
        """The owners who may invite others."""
        query = select(account.c.id).where(account.c.is_admin).order_by(account.c.id)
        return [Owner(identity) for identity in self._connection.execute(query).scalars()]

    def make_administrator(self, owner: Owner) -> None:
        self._connection.execute(update(account).where(account.c.id == owner.id).values(is_admin=True))

    def put_state(self, owner: Owner, state: State) -> None:
        """The state after the changes of a transaction that has locked the account."""
        self._connection.execute(
            update(account).where(account.c.id == owner.id).values(state=state.number, chain=state.chain)
        )


# Whose token has the digest `digest`.
CALLER = Lookup(
    select(
        token,
        account.c.is_admin,
        account.c.password_hash,
        account.c.name.label("account_name"),
        account.c.created_at.label("account_created_at"),
    ).join_from(token, account),
    by=token.c.digest,
)


def caller_of(row: Any | None, digest: str, now: datetime) -> Caller | None:
    """The caller in a row of CALLER; None where there is no row, or the token is revoked or expired."""
    if row is None or not is_live(row, digest, now):
        return None
    kept = Account(Owner(row.owner_id), row.account_name, row.is_admin, row.account_created_at, row.password_hash)
    return Caller(kept, _token(row))


def is_live(row: Any, digest: str, now: datetime) -> bool:
    """Whether a row has the token with this digest, and that is neither revoked nor expired."""
    if not hmac.compare_digest(row.digest.encode(), digest.encode()) or row.revoked_at is not None:
        return False
    return row.expires_at is None or row.expires_at > now


class RememberedStore:
    """One owner's remembered answers, within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def find(self, key: str) -> Remembered | None:
        table = remembered_answer
        row = self._connection.execute(
            select(table.c.fingerprint, table.c.status, table.c.headers, table.c.body).where(
                table.c.owner_id == self._owner.id, table.c.key == key
            )
        ).first()
        return None if row is None else Remembered(row.fingerprint, row.status, row.headers, row.body)

    def add(self, key: str, answer: Remembered, now: datetime) -> None:
        row = {"fingerprint": answer.fingerprint, "status": answer.status, "headers": answer.headers}
        self._connection.execute(
            insert(remembered_answer).values(owner_id=self._owner.id, key=key, body=answer.body, at=now, **row)
        )


class InvitationStore:
    """Invitations, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, owner: Owner, digest: str, made: Invitation) -> None:
        row = {"id": made.id, "note": made.note, "created_at": made.created_at, "expires_at": made.expires_at}
        self._connection.execute(insert(invitation).values(owner_id=owner.id, digest=digest, **row))

    def open(self, digest: str, now: datetime, *, lock: bool = False) -> tuple[Owner, Invitation] | None:
        """The invitation with this digest and its inviter, unless it is used, revoked or expired. `lock` locks it until the
        transaction ends."""
        query = select(invitation).where(*found_by(self._connection, invitation.c.digest, digest))
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
        """Raises NotFound if the owner made no such invitation, or it is used or revoked already."""
        unused = (invitation.c.used_at.is_(None), invitation.c.revoked_at.is_(None))
        done = self._connection.execute(
            update(invitation).where(*self._is(owner, identity), *unused).values(revoked_at=now)
        )
        if done.rowcount == 0:
            raise NotFound("open invitation", identity)

    def _is(self, owner: Owner, identity: str) -> Sequence[Any]:
        return invitation.c.owner_id == owner.id, invitation.c.id == identity


class PairingStore:
    """Pairings in progress, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, pairing: Pairing) -> None:
        self._connection.execute(
            insert(device_pairing).values(device_digest=pairing.device_digest, **_pairing_row(pairing))
        )

    def prune(self, now: datetime) -> None:
        self._connection.execute(delete(device_pairing).where(device_pairing.c.expires_at < now - _KEPT_AFTER_EXPIRY))

    def by_device(self, digest: str) -> Pairing | None:
        """The pairing with this device code, locked until the transaction ends."""
        return self._one(device_pairing.c.device_digest == digest)

    def by_user(self, digest: str) -> Pairing | None:
        """The pairing with this user code, locked until the transaction ends."""
        return self._one(device_pairing.c.user_digest == digest)

    def replace(self, pairing: Pairing) -> None:
        this = device_pairing.c.device_digest == pairing.device_digest
        self._connection.execute(update(device_pairing).where(this).values(**_pairing_row(pairing)))

    def deny_all(self, owner: Owner) -> None:
        """Denies the pairings that the owner approved and whose token was not fetched yet."""
        unfetched = (device_pairing.c.owner_id == owner.id, device_pairing.c.status == "approved")
        self._connection.execute(update(device_pairing).where(*unfetched).values(status="denied"))

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

    def hold(self, throttle: Throttle, now: datetime) -> AttemptCount | None:
        """The count, locked until the transaction ends; None if nothing was counted yet."""
        # The update changes nothing but locks the row, also one that another transaction has just inserted.
        dialect = sqlite if self._connection.dialect.name == "sqlite" else postgresql
        adding = dialect.insert(attempt).values(key=throttle.key, tries=0, last_at=now)
        held = adding.on_conflict_do_update(index_elements=["key"], set_={"key": adding.excluded.key})
        row = self._connection.execute(held.returning(attempt.c.tries, attempt.c.last_at)).one()
        return AttemptCount(row.tries, row.last_at) if row.tries else None

    def put(self, throttle: Throttle, attempts: AttemptCount) -> None:
        values = {"tries": attempts.count, "last_at": attempts.last_at}
        self._connection.execute(update(attempt).where(attempt.c.key == throttle.key).values(**values))

    def forget(self, throttle: Throttle) -> None:
        self._connection.execute(delete(attempt).where(attempt.c.key == throttle.key))

    def take_back(self, throttle: Throttle) -> None:
        """One attempt less."""
        some = (attempt.c.key == throttle.key, attempt.c.tries > 0)
        self._connection.execute(update(attempt).where(*some).values(tries=attempt.c.tries - 1))

    def prune(self, now: datetime) -> None:
        self._connection.execute(delete(attempt).where(attempt.c.last_at < now - LONGEST_MEMORY))


def forget_answers(connection: Connection, before: datetime) -> int:
    """Deletes the answers that were remembered before then, of all owners; how many."""
    return connection.execute(delete(remembered_answer).where(remembered_answer.c.at < before)).rowcount


def _account(row: Row[Any], identity: str) -> Account:
    return Account(Owner(identity), row.name, row.is_admin, row.created_at, row.password_hash)


def _token(row: Row[Any]) -> Token:
    times = (row.created_at, row.expires_at, row.last_used_at)
    return Token(row.id, row.name, tuple(row.scopes.split()), row.is_device, *times)


def _invitation(row: Row[Any]) -> Invitation:
    return Invitation(row.id, row.note, row.created_at, row.expires_at, row.used_at, row.revoked_at)


def _pairing_row(pairing: Pairing) -> dict[str, Any]:
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

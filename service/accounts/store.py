"""Accounts, tokens, states and remembered answers in the database."""

from __future__ import annotations

import hmac
from datetime import UTC, datetime

from sqlalchemy import Connection, func, insert, select, update

from service.accounts.model import ORIGIN, Owner, Remembered, State
from service.accounts.tables import account, remembered_answer, token
from service.errors import NotFound


class AccountStore:
    """All owners' accounts, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def count(self) -> int:
        return self._connection.execute(select(func.count()).select_from(account)).scalar_one()

    def add(self, owner: Owner, name: str, now: datetime) -> None:
        row = {"id": owner.id, "name": name, "state": ORIGIN.number, "chain": ORIGIN.chain, "min_state": 0}
        self._connection.execute(insert(account).values(**row, created_at=now))

    def add_token(
        self, owner: Owner, digest: str, name: str, now: datetime, expires_at: datetime | None = None
    ) -> None:
        row = {"owner_id": owner.id, "digest": digest, "name": name, "created_at": now, "expires_at": expires_at}
        self._connection.execute(insert(token).values(**row))

    def owner_of(self, digest: str) -> Owner | None:
        """Whose token has this digest, unless it is revoked or expired."""
        row = self._connection.execute(
            select(token.c.owner_id, token.c.digest, token.c.expires_at, token.c.revoked_at).where(
                token.c.digest == digest
            )
        ).first()
        if row is None or not hmac.compare_digest(row.digest.encode(), digest.encode()):
            return None
        if row.revoked_at is not None or (row.expires_at is not None and row.expires_at <= datetime.now(UTC)):
            return None
        return Owner(row.owner_id)

    def revoke(self, owner: Owner, digest: str, now: datetime) -> None:
        self._connection.execute(
            update(token).where(token.c.owner_id == owner.id, token.c.digest == digest).values(revoked_at=now)
        )

    def state(self, owner: Owner) -> State:
        """The state of the owner's holdings, without a lock."""
        return self._state(owner, lock=False)

    def lock(self, owner: Owner) -> State:
        """The state, with the account held until the transaction ends: the owner's changes happen one after another.

        A plain sequence, or a counter read without the lock, lets a poller miss changes (measured: sync.md)."""
        return self._state(owner, lock=True)

    def _state(self, owner: Owner, *, lock: bool) -> State:
        query = select(account.c.state, account.c.chain).where(account.c.id == owner.id)
        row = self._connection.execute(query.with_for_update() if lock else query).first()
        if row is None:
            raise NotFound("account", owner.id)
        return State(row.state, row.chain)

    def advance(self, owner: Owner, change: str) -> State:
        """The owner's next state, stored. `change` is the id of what changes it."""
        state = self.lock(owner).after(change)
        self._connection.execute(
            update(account).where(account.c.id == owner.id).values(state=state.number, chain=state.chain)
        )
        return state


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

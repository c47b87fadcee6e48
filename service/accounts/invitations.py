"""Inviting somebody to open an account, and opening it."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.accounts.model import (
    INVITATION_PREFIX,
    Account,
    Invitation,
    Owner,
    WrongCredentials,
    new_token,
    token_digest,
)
from service.accounts.passwords import hash_password
from service.accounts.store import AccountStore, InvitationStore
from service.database.ids import new_id
from service.errors import Conflict
from service.runtime import Context


def invite(
    connection: Connection, owner: Owner, note: str | None, lifetime: timedelta, now: datetime
) -> tuple[Invitation, str]:
    """An invitation, and the text to hand over, which is not stored."""
    made, secret = Invitation(new_id(), note, now, now + lifetime), new_token(INVITATION_PREFIX)
    InvitationStore(connection).add(owner, token_digest(secret), made)
    return made, secret


async def redeem(context: Context, secret: str, name: str, password: str) -> Account:
    """A new account for an invitation, which is used up. Raises WrongCredentials; Conflict if the name is taken, which leaves
    the invitation open."""
    now = context.now()

    def look(connection: Connection) -> None:
        _open_invitation(connection, secret, now, lock=False)
        if AccountStore(connection).named(name) is not None:
            raise Conflict("there is an account with this name already")

    # Nothing is hashed for an invitation that is not valid, and no transaction is open while hashing.
    await context.read(look)
    password_hash = await context.password_limiter.run(lambda: hash_password(password))

    def open_account(connection: Connection) -> Account:
        host, invitation = _open_invitation(connection, secret, now, lock=True)
        store, owner = AccountStore(connection), Owner(new_id())
        store.add(owner, name, now, password_hash=password_hash)
        InvitationStore(connection).use(host, invitation.id, now)
        return store.get(owner)

    return await context.write(open_account)


def _open_invitation(connection: Connection, secret: str, now: datetime, *, lock: bool) -> tuple[Owner, Invitation]:
    found = InvitationStore(connection).open(token_digest(secret), now, lock=lock)
    if found is None:
        raise WrongCredentials("the invitation is not valid: unknown, used, revoked or expired")
    return found

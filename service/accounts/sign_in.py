"""Ways into the service: inviting, redeeming an invitation, logging in with a password, changing it.

What hashes a password does so between transactions: none is held open meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from math import ceil

from sqlalchemy import Connection

from service.accounts import passwords
from service.accounts.invitations import AttemptStore, InvitationStore, PairingStore
from service.accounts.model import (
    INVITATION_PREFIX,
    Account,
    Caller,
    Invitation,
    Owner,
    Token,
    WrongCredentials,
    new_token,
    token_digest,
)
from service.accounts.store import AccountStore
from service.accounts.throttle import Watched, after_another, of_address, of_name, wait
from service.database.engine import Database
from service.database.ids import new_id
from service.errors import Conflict, RateLimited


def attempt(connection: Connection, watched: Iterable[Watched], now: datetime) -> None:
    """Counts one attempt more. Raises TooMany, and counts nothing, while the delay after earlier ones lasts."""
    store = AttemptStore(connection)
    for entry in watched:
        before = store.hold(entry, now)
        delay = timedelta(0) if before is None else wait(before, entry.patience, now)
        if delay > timedelta(0):
            seconds = ceil(delay.total_seconds())
            raise RateLimited(f"too many attempts: the next one is looked at in {seconds} seconds", seconds)
        store.put(entry, after_another(before, entry.patience, now))
    store.prune(now)


def was_right(connection: Connection, watched: Sequence[Watched]) -> None:
    """The first count begins anew, the others go back by the one attempt: whoever has an account of their own does not
    get more guesses at another's from the same place."""
    store, (own, *shared) = AttemptStore(connection), watched
    store.forget(own)
    for entry in shared:
        store.take_back(entry)


def invite(
    connection: Connection, owner: Owner, note: str | None, lifetime: timedelta, now: datetime
) -> tuple[Invitation, str]:
    """An invitation, and the text to hand over, which is not stored and cannot be had again."""
    made, secret = Invitation(new_id(), note, now, now + lifetime), new_token(INVITATION_PREFIX)
    InvitationStore(connection).add(owner, token_digest(secret), made)
    return made, secret


def redeem(database: Database, secret: str, name: str, password: str, now: datetime) -> Account:
    """A new account for an invitation, which is used up. Raises WrongCredentials, or Clash when the name is taken, which
    leaves the invitation open."""

    def look(connection: Connection) -> None:
        _invited(connection, secret, now, lock=False)
        if AccountStore(connection).named(name) is not None:
            raise Conflict("there is an account with this name already")

    # Nothing is hashed for an invitation that does not hold.
    database.read(look)
    password_hash = passwords.hashed(password)

    def act(connection: Connection) -> Account:
        host, invitation = _invited(connection, secret, now, lock=True)
        store, owner = AccountStore(connection), Owner(new_id())
        store.add(owner, name, now, password_hash=password_hash)
        InvitationStore(connection).use(host, invitation.id, now)
        return store.get(owner)

    return database.write(act)


def log_in(
    database: Database,
    name: str,
    password: str,
    *,
    token_name: str,
    scopes: Iterable[str],
    lifetime: timedelta,
    address: str | None,
    now: datetime,
) -> tuple[Token, str]:
    """A new token for a name and a password, and its text, which is not stored. Raises WrongCredentials, which does not tell
    a wrong name from a wrong password; TooMany after several of them."""
    watched = (of_name(name), of_address(address))
    database.write(lambda connection: attempt(connection, watched, now))
    found = database.read(lambda connection: AccountStore(connection).named(name))
    if not passwords.fits(password, None if found is None else found.password_hash) or found is None:
        raise WrongCredentials("the name or the password is wrong")
    assert found.password_hash is not None
    renewed = passwords.hashed(password) if passwords.is_dated(found.password_hash) else None
    token = new_token()

    def act(connection: Connection) -> Token:
        was_right(connection, watched)
        store = AccountStore(connection)
        if renewed is not None:
            store.set_password(found.owner, renewed)
        return store.add_token(found.owner, token_digest(token), token_name, now, now + lifetime, scopes=scopes)

    return database.write(act), token


def change_password(
    database: Database,
    caller: Caller,
    old: str | None,
    new: str,
    *,
    revoke_others: bool,
    address: str | None,
    now: datetime,
) -> None:
    """Sets the account's password. The old one is needed when there is one; wrong ones count like those of a log-in.
    `revoke_others` ends every token but the caller's, and pairings that no device has fetched its token for."""
    watched = (of_name(caller.account.name), of_address(address))
    kept = caller.account.password_hash
    if kept is not None:
        if old is None:
            raise WrongCredentials("a password was set before: the old one is needed too")
        database.write(lambda connection: attempt(connection, watched, now))
        if not passwords.fits(old, kept):
            raise WrongCredentials("the old password is wrong")
    password_hash = passwords.hashed(new)

    def act(connection: Connection) -> None:
        store = AccountStore(connection)
        store.lock(caller.owner)
        if store.get(caller.owner).password_hash != kept:
            raise Conflict("the password was changed by another request meanwhile")
        if kept is not None:
            was_right(connection, watched)
        store.set_password(caller.owner, password_hash)
        if revoke_others:
            store.revoke_all_but(caller.owner, caller.token.id, now)
            PairingStore(connection).deny_all(caller.owner)

    database.write(act)


def _invited(connection: Connection, secret: str, now: datetime, *, lock: bool) -> tuple[Owner, Invitation]:
    found = InvitationStore(connection).open(token_digest(secret), now, lock=lock)
    if found is None:
        raise WrongCredentials("the invitation is not valid: unknown, used, revoked or expired")
    return found

"""A new password for an account whose owner lost the old one: the operator of the server makes a one-time text and hands it over,
and with it the owner sets a new password."""

from __future__ import annotations

from datetime import datetime, timedelta
from urllib.parse import urlencode

from sqlalchemy import Connection

from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.model import RESET_PREFIX, Owner, WrongCredentials, new_token, token_digest
from service.accounts.passwords import hash_password
from service.accounts.store import AccountStore, PairingStore
from service.accounts.throttle import of_log_in
from service.errors import NotFound
from service.runtime import Context

LIFETIME = timedelta(days=1)


def make_reset(connection: Connection, name: str, now: datetime) -> str:
    """A one-time text for the account of this name, which is not stored; it takes the place of an earlier one. Nothing else
    changes: the old password and all tokens are good until the text is used. Raises NotFound."""
    store, text = AccountStore(connection), new_token(RESET_PREFIX)
    found = store.named(name)
    if found is None:
        raise NotFound("account", name)
    store.lock(found.owner)
    store.put_reset(found.owner, token_digest(text), now, now + LIFETIME)
    return text


def page_address(url: str, name: str, text: str) -> str:
    """Where the web app takes a one-time text. It stands behind #, which no browser sends to a server."""
    return f"{url}/app/password#{urlencode({'name': name, 'text': text})}"


async def reset_password(context: Context, name: str, text: str, password: str, address: str | None) -> None:
    """Sets the account's password, and ends all its tokens if it had another password before: of an account that never had one
    nothing was lost. The text is used up. Raises WrongCredentials, which does not tell a wrong name from a wrong text; such
    attempts count like log-ins, so it may raise RateLimited."""
    now, digest, throttles = context.now(), token_digest(text), of_log_in(name, address, None)

    def owner_of(connection: Connection, *, hold: bool) -> Owner:
        store = AccountStore(connection)
        found = store.named(name)
        if found is not None and hold:
            store.lock(found.owner)
        if found is None or not store.is_reset(found.owner, digest, now):
            raise WrongCredentials("the name or the text is wrong, or the text is used up or more than a day old")
        return found.owner

    await context.write(lambda connection: count_attempt(connection, throttles, now))
    # Nothing is hashed for a text that is not good, and no transaction is open while hashing.
    await context.read(lambda connection: owner_of(connection, hold=False))
    password_hash = await context.password_limiter.run(lambda: hash_password(password))

    def set_password(connection: Connection) -> None:
        owner, store = owner_of(connection, hold=True), AccountStore(connection)
        had_password = store.get(owner).password_hash is not None
        store.drop_reset(owner)
        store.set_password(owner, password_hash)
        if had_password:
            store.revoke_all(owner, now)
            PairingStore(connection).deny_all(owner)
        forgive_attempt(connection, throttles)

    await context.write(set_password)

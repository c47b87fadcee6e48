"""Logging in with a password, and changing it. No transaction is open while a password is hashed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from sqlalchemy import Connection

from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.model import Caller, Token, WrongCredentials, new_token, token_digest
from service.accounts.passwords import hash_password, is_password, needs_rehash
from service.accounts.store import AccountStore, PairingStore
from service.accounts.throttle import by_address, by_name
from service.errors import Conflict
from service.runtime import Context


async def log_in(
    context: Context,
    name: str,
    password: str,
    *,
    token_name: str,
    scopes: Iterable[str],
    lifetime: timedelta,
    address: str | None,
) -> tuple[Token, str]:
    """A new token for a name and a password, and its text, which is not stored. Raises WrongCredentials, which does not tell a
    wrong name from a wrong password; RateLimited after several of them."""
    now, throttles = context.now(), (by_name(name), by_address(address))
    await context.write(lambda connection: count_attempt(connection, throttles, now))
    found = await context.read(lambda connection: AccountStore(connection).named(name))
    stored = None if found is None else found.password_hash
    if not await context.password_limiter.run(lambda: is_password(password, stored)) or found is None:
        raise WrongCredentials("the name or the password is wrong")
    assert stored is not None
    renewed = None
    if needs_rehash(stored):
        renewed = await context.password_limiter.run(lambda: hash_password(password))
    token = new_token()

    def add_token(connection: Connection) -> Token:
        forgive_attempt(connection, throttles)
        store = AccountStore(connection)
        if renewed is not None:
            store.set_password(found.owner, renewed)
        return store.add_token(found.owner, token_digest(token), token_name, now, now + lifetime, scopes=scopes)

    return await context.write(add_token), token


async def change_password(
    context: Context, caller: Caller, old: str | None, new: str, *, revoke_others: bool, address: str | None
) -> None:
    """Sets the account's password. Raises WrongCredentials if there is an old one and `old` is not it; such attempts count
    like log-ins, so it may raise RateLimited. `revoke_others` ends every token but the caller's, and pairings whose token was
    not fetched yet."""
    now, throttles = context.now(), (by_name(caller.account.name), by_address(address))
    stored = caller.account.password_hash
    if stored is not None:
        if old is None:
            raise WrongCredentials("a password was set before: the old one is needed too")
        await context.write(lambda connection: count_attempt(connection, throttles, now))
        if not await context.password_limiter.run(lambda: is_password(old, stored)):
            raise WrongCredentials("the old password is wrong")
    password_hash = await context.password_limiter.run(lambda: hash_password(new))

    def set_password(connection: Connection) -> None:
        store = AccountStore(connection)
        store.lock(caller.owner)
        if store.get(caller.owner).password_hash != stored:
            raise Conflict("the password was changed by another request meanwhile")
        if stored is not None:
            forgive_attempt(connection, throttles)
        store.set_password(caller.owner, password_hash)
        if revoke_others:
            store.revoke_all_but(caller.owner, caller.token.id, now)
            PairingStore(connection).deny_all(caller.owner)

    await context.write(set_password)

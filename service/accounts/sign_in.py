"""Logging in with a password, and changing it. No transaction is open while a password is hashed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import Connection

from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.known_devices import KnownDevice, cookie_name, device_cookie, device_of_cookie
from service.accounts.model import Caller, Token, WrongCredentials, new_token, token_digest
from service.accounts.passwords import hash_password, is_password, needs_rehash
from service.accounts.store import AccountStore, PairingStore
from service.accounts.throttle import by_device, of_log_in
from service.errors import Conflict, NotFound
from service.runtime import Context


@dataclass(frozen=True, slots=True)
class LogIn:
    """What a right log-in gives: a token with its text, which is not stored, and the device cookie with its name."""

    token: Token
    text: str
    cookie_name: str
    cookie: str


async def known_device(
    context: Context, name: str, cookies: Mapping[str, str], bearer: str | None
) -> KnownDevice | None:
    """The device of the account with this name that a request proves to come from, by a live token of the account or by the
    device cookie of an earlier log-in; None for a stranger."""
    now = context.now()

    def look(connection: Connection) -> KnownDevice | None:
        store = AccountStore(connection)
        found = store.named(name)
        if found is None or found.password_hash is None:
            return None
        caller = None if bearer is None else store.caller(token_digest(bearer), now)
        if caller is not None and caller.owner == found.owner:
            return device_of(caller)
        text = cookies.get(cookie_name(found.owner))
        return None if text is None else device_of_cookie(text, found.owner, found.password_hash, now)

    return await context.read(look)


def device_of(caller: Caller) -> KnownDevice:
    """Whoever has a live token of the account, counted together: a stolen one could pair devices, each with guesses of its
    own."""
    return KnownDevice(caller.owner, "token")


async def log_in(
    context: Context,
    name: str,
    password: str,
    *,
    token_name: str,
    scopes: Iterable[str],
    lifetime: timedelta,
    address: str | None,
    device: KnownDevice | None = None,
) -> LogIn:
    """A new token for a name and a password. Raises WrongCredentials, which does not tell a wrong name from a wrong password;
    RateLimited after several of them, of this `device` or of strangers."""
    now, throttles = context.now(), of_log_in(name, address, device)
    limiter = context.password_limiter if device is None else context.known_device_limiter
    await context.write(lambda connection: count_attempt(connection, throttles, now))
    found = await context.read(lambda connection: AccountStore(connection).named(name))
    stored = None if found is None else found.password_hash
    if not await limiter.run(lambda: is_password(password, stored)) or found is None:
        raise WrongCredentials("the name or the password is wrong")
    assert stored is not None
    renewed = None
    if needs_rehash(stored):
        renewed = await limiter.run(lambda: hash_password(password))
    token = new_token()

    def add_token(connection: Connection) -> Token:
        forgive_attempt(connection, throttles)
        store = AccountStore(connection)
        # A password that was set anew since it was checked, or the account of which is gone, opens nothing any more.
        with suppress(NotFound):
            store.lock(found.owner)
        if (now_there := store.named(name)) is None or now_there.password_hash != stored:
            raise WrongCredentials("the name or the password is wrong")
        if renewed is not None:
            store.set_password(found.owner, renewed)
        return store.add_token(found.owner, token_digest(token), token_name, now, now + lifetime, scopes=scopes)

    made = await context.write(add_token)
    return LogIn(made, token, cookie_name(found.owner), device_cookie(found.owner, renewed or stored, now))


async def change_password(context: Context, caller: Caller, old: str | None, new: str, *, revoke_others: bool) -> None:
    """Sets the account's password. Raises WrongCredentials if there is an old one and `old` is not it; such attempts are
    counted with log-ins that bring a token, so it may raise RateLimited. `revoke_others` ends every token but the caller's,
    and pairings whose token was not fetched yet."""
    now, throttles = context.now(), (by_device(device_of(caller)),)
    stored = caller.account.password_hash
    if stored is not None:
        if old is None:
            raise WrongCredentials("a password was set before: the old one is needed too")
        await context.write(lambda connection: count_attempt(connection, throttles, now))
        if not await context.known_device_limiter.run(lambda: is_password(old, stored)):
            raise WrongCredentials("the old password is wrong")
    password_hash = await context.known_device_limiter.run(lambda: hash_password(new))

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

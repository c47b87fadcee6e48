"""Making sure that a request which cannot be undone is meant: whoever sends it types the account's name, and its password."""

from __future__ import annotations

from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.model import Caller, WrongCredentials, folded
from service.accounts.passwords import is_password
from service.accounts.sign_in import device_of
from service.accounts.throttle import by_device
from service.runtime import Context


async def confirm(context: Context, caller: Caller, name: str, password: str | None) -> None:
    """Raises WrongCredentials unless this is the name of the caller's account, and its password if it has one; such attempts
    are counted with log-ins that bring a token, so it may raise RateLimited."""
    now, throttles = context.now(), (by_device(device_of(caller)),)
    if folded(name) != folded(caller.account.name):
        raise WrongCredentials("this is not the name of your account: type it to confirm")
    stored = caller.account.password_hash
    if stored is None:
        return
    if password is None:
        raise WrongCredentials("the account has a password: it is needed too")
    await context.write(lambda connection: count_attempt(connection, throttles, now))
    if not await context.known_device_limiter.run(lambda: is_password(password, stored)):
        raise WrongCredentials("the password is wrong")
    await context.write(lambda connection: forgive_attempt(connection, throttles))

"""Opening accounts, identifying callers by their tokens, throttling attempts, answering a repeated request once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from math import ceil

from sqlalchemy import Connection

from service.accounts.model import Caller, Owner, Remembered, new_token, token_digest
from service.accounts.store import AccountStore, AttemptStore, RememberedStore
from service.accounts.throttle import Throttle, one_more, remaining_delay
from service.database.ids import new_id
from service.errors import Conflict, NotAuthenticated, RateLimited

# Of the account that the first start makes.
FIRST_NAME = "local"


class KeyReused(Conflict):
    """An Idempotency-Key came again with another request."""

    code = "idempotency-key-reused"


def open_account(connection: Connection, name: str, now: datetime, *, is_admin: bool = False) -> tuple[Owner, str]:
    """A new account and its first token, which has every scope. The token itself is not stored. Raises Conflict if the name
    is taken."""
    owner, token = Owner(new_id()), new_token()
    store = AccountStore(connection)
    store.add(owner, name, now, is_admin=is_admin)
    store.add_token(owner, token_digest(token), "first", now)
    return owner, token


def open_first_account(
    connection: Connection, now: datetime, keep: Callable[[str], None] = lambda _: None
) -> str | None:
    """The token of a new account if there is none yet, else None. This account may invite others. `keep` puts the token down
    before the account is committed: where it cannot, there is no account that nobody could use."""
    if AccountStore(connection).count():
        return None
    _, token = open_account(connection, FIRST_NAME, now, is_admin=True)
    keep(token)
    return token


def identify(connection: Connection, token: str, now: datetime) -> Caller:
    """Whose token this is, and what it allows. Raises NotAuthenticated if it is unknown, expired or revoked, without saying
    which."""
    return known(AccountStore(connection).caller(token_digest(token), now))


def known(caller: Caller | None) -> Caller:
    """The caller. Raises NotAuthenticated where there is none."""
    if caller is None:
        raise NotAuthenticated("the bearer token is not valid: unknown, expired or revoked")
    return caller


def count_attempt(connection: Connection, throttles: Iterable[Throttle], now: datetime) -> None:
    """Counts one attempt more. Raises RateLimited, and counts nothing, while the delay after earlier ones lasts."""
    store = AttemptStore(connection)
    for throttle in throttles:
        before = store.hold(throttle, now)
        delay = timedelta(0) if before is None else remaining_delay(before, throttle.policy, now)
        if delay > timedelta(0):
            seconds = ceil(delay.total_seconds())
            raise RateLimited("too many attempts: try again in {seconds} seconds", seconds, seconds=seconds)
        store.put(throttle, one_more(before, throttle.policy, now))
    store.prune(now)


def forgive_attempt(connection: Connection, throttles: Sequence[Throttle]) -> None:
    """After a right attempt: the first count is cleared, the others go back by one. Somebody with an account of their own
    does not get more guesses at another's from the same address."""
    store, (own, *shared) = AttemptStore(connection), throttles
    store.forget(own)
    for throttle in shared:
        store.take_back(throttle)


def once(
    connection: Connection,
    owner: Owner,
    key: str | None,
    fingerprint: str,
    act: Callable[[], Remembered],
    now: datetime,
) -> Remembered:
    """The answer of `act`, which is run once for each key; the key is stored in the same transaction as its effect.

    Raises KeyReused if the key came before with another request. A refusal is not remembered: it changed nothing.
    """
    # The account row is the lock: two requests with one key come one after the other.
    AccountStore(connection).lock(owner)
    if key is None:
        return act()
    store = RememberedStore(connection, owner)
    earlier = store.find(key)
    if earlier is not None:
        if earlier.fingerprint != fingerprint:
            raise KeyReused("this Idempotency-Key came before with another request: every request has its own key")
        return earlier
    answer = act()
    store.add(key, answer, now)
    return answer

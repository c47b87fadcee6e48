"""Opening accounts, knowing owners by their tokens, answering a retried request once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import Caller, Owner, Remembered, new_token, token_digest
from service.accounts.store import AccountStore, RememberedStore
from service.database.ids import new_id
from service.errors import Conflict, NotAuthenticated


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


def open_first_account(connection: Connection, now: datetime) -> str | None:
    """The token of a new account if there is none yet, else None. This account may invite others."""
    if AccountStore(connection).count():
        return None
    return open_account(connection, "local", now, is_admin=True)[1]


def identify(connection: Connection, token: str, now: datetime) -> Caller:
    """Whose token this is, and what it allows. Raises NotAuthenticated if it is unknown, expired or revoked, without saying
    which."""
    caller = AccountStore(connection).caller(token_digest(token), now)
    if caller is None:
        raise NotAuthenticated("the bearer token is not valid: unknown, expired or revoked")
    return caller


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

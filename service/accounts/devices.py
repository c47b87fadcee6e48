"""Pairing devices: begun by the device, approved by the owner, fetched by the device once (RFC 8628)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.invitations import PairingStore
from service.accounts.model import (
    DEVICE_CODE_PREFIX,
    Caller,
    Owner,
    ScopeMissing,
    Token,
    new_token,
    ordered,
    token_digest,
)
from service.accounts.pairing import LIFETIME, Outcome, Pairing, new_user_code, polled
from service.accounts.sign_in import attempt, was_right
from service.accounts.store import AccountStore
from service.accounts.throttle import of_address, of_codes, of_pairings


@dataclass(frozen=True, slots=True)
class Begun:
    """A pairing that was just begun: both codes as texts, which are not stored."""

    device_code: str
    user_code: str
    pairing: Pairing


def begin(connection: Connection, address: str | None, now: datetime) -> Begun:
    """A new pairing. Raises TooMany when many were begun from this address lately."""
    attempt(connection, [of_pairings(address)], now)
    store = PairingStore(connection)
    store.prune(now)
    device_code, user_code = new_token(DEVICE_CODE_PREFIX), new_user_code()
    while store.by_user(token_digest(user_code)) is not None:
        user_code = new_user_code()
    pairing = Pairing(token_digest(device_code), token_digest(user_code), now + LIFETIME)
    store.add(pairing)
    return Begun(device_code, user_code, pairing)


def decide(
    connection: Connection,
    caller: Caller,
    user_code: str,
    *,
    approve: bool,
    name: str,
    scopes: Iterable[str],
    address: str | None,
    now: datetime,
) -> bool:
    """Approves or denies the pairing with this user code. False when none waits under it, which counts as a wrong attempt.
    Raises ScopeMissing when the device would get a scope that the caller's token does not have."""
    scopes = ordered(scopes)
    beyond = [scope for scope in scopes if scope not in caller.token.scopes]
    if approve and beyond:
        raise ScopeMissing(beyond, f"a device gets no scope that your own token does not have: {', '.join(beyond)}")
    watched = (of_codes(caller.owner), of_address(address))
    attempt(connection, watched, now)
    store = PairingStore(connection)
    pairing = store.by_user(token_digest(user_code))
    if pairing is None or not pairing.waits(now):
        return False
    was_right(connection, watched)
    status = "approved" if approve else "denied"
    store.replace(replace(pairing, status=status, owner=caller.owner, name=name, scopes=scopes))
    return True


def poll(connection: Connection, device_code: str, now: datetime) -> tuple[Outcome, tuple[Token, str] | None]:
    """What the device is told, and once, when its pairing was approved, its token with the token's text."""
    store = PairingStore(connection)
    before = store.by_device(token_digest(device_code))
    outcome, after = polled(before, now)
    if after is not None and after != before:
        store.replace(after)
    if outcome is not Outcome.GRANTED:
        return outcome, None
    assert after is not None
    assert after.owner is not None
    text = new_token()
    made = AccountStore(connection).add_token(
        after.owner, token_digest(text), after.name, now, scopes=after.scopes, is_device=True
    )
    return outcome, (made, text)


def rename(
    connection: Connection, owner: Owner, device_id: str, name: str, now: datetime, *, expect: Callable[[Token], None]
) -> Token:
    """The device with another name. `expect` raises Stale when it changed."""
    store = AccountStore(connection)
    store.lock(owner)
    device = store.device(owner, device_id, now)
    expect(device)
    store.rename(owner, device_id, name)
    return replace(device, name=name)

"""Pairing devices: begun by the device, approved by the owner, the token fetched by the device once (RFC 8628)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Connection

from service.accounts import pairing as pairings
from service.accounts.actions import count_attempt, forgive_attempt
from service.accounts.model import DEVICE_CODE_PREFIX, Caller, Owner, ScopeMissing, Token, new_token, token_digest
from service.accounts.pairing import LIFETIME, Pairing, PollOutcome, new_user_code
from service.accounts.store import AccountStore, PairingStore
from service.accounts.throttle import by_owner, pairings_by_address


@dataclass(frozen=True, slots=True)
class NewPairing:
    """A pairing that was just begun: both codes as texts, which are not stored."""

    device_code: str
    user_code: str
    pairing: Pairing


@dataclass(frozen=True, slots=True)
class Decision:
    """An owner's answer to the device that shows this user code; `name` and `scopes` are those that the device gets."""

    user_code: str
    approve: bool
    name: str
    scopes: tuple[str, ...]


def begin_pairing(connection: Connection, address: str | None, now: datetime) -> NewPairing:
    """A new pairing. Raises RateLimited if many were begun from this address lately."""
    count_attempt(connection, [pairings_by_address(address)], now)
    store = PairingStore(connection)
    store.prune(now)
    device_code, user_code = new_token(DEVICE_CODE_PREFIX), new_user_code()
    while store.by_user(token_digest(user_code)) is not None:
        user_code = new_user_code()
    pairing = Pairing(token_digest(device_code), token_digest(user_code), now + LIFETIME)
    store.add(pairing)
    return NewPairing(device_code, user_code, pairing)


def decide_pairing(connection: Connection, caller: Caller, decision: Decision, now: datetime) -> bool:
    """Approves or denies the pairing with this user code. False if none is pending under it, which counts as a wrong attempt.
    Raises ScopeMissing if the device would get a scope that the caller's token does not have; RateLimited."""
    beyond = [scope for scope in decision.scopes if scope not in caller.token.scopes]
    if decision.approve and beyond:
        raise ScopeMissing(beyond, f"a device gets no scope that your own token does not have: {', '.join(beyond)}")
    throttles = (by_owner(caller.owner),)
    count_attempt(connection, throttles, now)
    store = PairingStore(connection)
    pairing = store.by_user(token_digest(decision.user_code))
    if pairing is None or not pairing.is_pending(now):
        return False
    forgive_attempt(connection, throttles)
    status = "approved" if decision.approve else "denied"
    store.replace(replace(pairing, status=status, owner=caller.owner, name=decision.name, scopes=decision.scopes))
    return True


def poll_pairing(
    connection: Connection, device_code: str, now: datetime
) -> tuple[PollOutcome, tuple[Token, str] | None]:
    """The outcome of a device's poll, and when its pairing was approved, once, its token with the token's text."""
    store = PairingStore(connection)
    before = store.by_device(token_digest(device_code))
    outcome, after = pairings.poll(before, now)
    if after is not None and after != before:
        store.replace(after)
    if outcome is not PollOutcome.GRANTED:
        return outcome, None
    assert after is not None
    assert after.owner is not None
    text = new_token()
    made = AccountStore(connection).add_token(
        after.owner, token_digest(text), after.name, now, scopes=after.scopes, is_device=True
    )
    return outcome, (made, text)


def rename_device(
    connection: Connection, owner: Owner, device_id: str, name: str, now: datetime, *, expect: Callable[[Token], None]
) -> Token:
    """The device with another name. `expect` raises Stale if it changed."""
    store = AccountStore(connection)
    store.lock(owner)
    device = store.device(owner, device_id, now)
    expect(device)
    store.rename(owner, device_id, name)
    return replace(device, name=name)

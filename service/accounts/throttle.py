"""How long somebody waits who was wrong too often. Pure: the time is an argument.

A count is kept for each name, each client address and each owner. An attempt is counted before it is looked at, so that
many at once cannot pass together; one that was right takes its count back.
"""

from __future__ import annotations

import hashlib
import ipaddress
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.accounts.model import Owner, folded


@dataclass(frozen=True, slots=True)
class Patience:
    """`free` attempts cost nothing; from then on each costs a delay that doubles, from `first` to `longest`. The count is
    forgotten `memory` after the last attempt."""

    free: int
    first: timedelta
    longest: timedelta
    memory: timedelta


@dataclass(frozen=True, slots=True)
class Attempts:
    """How many attempts were counted, and when the last was."""

    count: int
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Watched:
    """One count: what it is kept for, as a hash, so that no name or address is stored; and how patient it is."""

    key: str
    patience: Patience


# Common practice; no source for the very numbers. The memory outlasts the longest delay, or waiting would reset it.
_OF_A_NAME = Patience(5, timedelta(seconds=2), timedelta(minutes=15), timedelta(days=1))
_OF_AN_ADDRESS = Patience(20, timedelta(seconds=2), timedelta(minutes=15), timedelta(days=1))
_OF_PAIRINGS = Patience(30, timedelta(seconds=1), timedelta(minutes=1), timedelta(minutes=10))
LONGEST_MEMORY = timedelta(days=1)


def wait(attempts: Attempts, patience: Patience, now: datetime) -> timedelta:
    """How long from now no attempt is looked at; zero or less when one may be made."""
    over = attempts.count - patience.free
    if over < 0 or now - attempts.last_at >= patience.memory:
        return timedelta(0)
    # Past 2^20 the longest delay is reached whatever the first one is.
    delay: timedelta = min(patience.first * 2 ** min(over, 20), patience.longest)
    return attempts.last_at + delay - now


def after_another(attempts: Attempts | None, patience: Patience, now: datetime) -> Attempts:
    """The count with one attempt more."""
    if attempts is None or now - attempts.last_at >= patience.memory:
        return Attempts(1, now)
    return Attempts(attempts.count + 1, now)


def of_name(name: str) -> Watched:
    """Whether or not there is such an account: a lock tells nothing about that."""
    return Watched(_key("name", folded(name)), _OF_A_NAME)


def of_codes(owner: Owner) -> Watched:
    """User codes that an owner types in."""
    return Watched(_key("codes", owner.id), _OF_A_NAME)


def of_address(address: str | None) -> Watched:
    """Passwords and codes from one place."""
    return Watched(_key("address", _place(address)), _OF_AN_ADDRESS)


def of_pairings(address: str | None) -> Watched:
    """Pairings begun from one place: each is a row."""
    return Watched(_key("pairings", _place(address)), _OF_PAIRINGS)


def _place(address: str | None) -> str:
    """The address; of IPv6 the first 64 bits, since one subscriber has all the rest (RFC 6177)."""
    try:
        found = ipaddress.ip_address(address or "")
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        return str(found.ipv4_mapped or ipaddress.IPv6Network((found, 64), strict=False))
    return str(found)


def _key(kind: str, of: str) -> str:
    return hashlib.sha256(f"{kind}\n{of}".encode("utf-8", "surrogatepass")).hexdigest()

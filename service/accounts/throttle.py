"""How long somebody has to wait after too many wrong attempts. Pure: the time is an argument.

An attempt is counted before it is checked, so that many at the same time cannot pass together; a right one is taken off the
counts again. Whoever could lock a name or an address for everybody could keep its owner out. So a device that proves an earlier
log-in of the account has a count of its own, and strangers are counted three times:

- by name and network: this is what stops guessing, and it stops nobody who comes from elsewhere;
- by network: many names from one place, such as a list of leaked passwords. The delay stays short, for others may live there;
- by name: many networks under one name. The delay is a slow-down of seconds, which somebody new can outwait.
"""

from __future__ import annotations

import hashlib
import ipaddress
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.accounts.known_devices import KnownDevice
from service.accounts.model import Owner, folded


@dataclass(frozen=True, slots=True)
class ThrottlePolicy:
    """The first `free` attempts cost nothing; from then on each costs a delay that doubles, from `first` to `longest`. The
    count is forgotten `memory` after the last attempt."""

    free: int
    first: timedelta
    longest: timedelta
    memory: timedelta


@dataclass(frozen=True, slots=True)
class AttemptCount:
    """How many attempts were counted, and when the last was."""

    count: int
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Throttle:
    """One count: the hash of what it is kept for, so that no name or address is stored, and its policy."""

    key: str
    policy: ThrottlePolicy


# Common practice; no source for the numbers. The memory outlasts the longest delay, or waiting would reset the count.
_GUESSES = ThrottlePolicy(5, timedelta(seconds=2), timedelta(minutes=15), timedelta(days=1))
_BY_ADDRESS = ThrottlePolicy(30, timedelta(seconds=1), timedelta(seconds=30), timedelta(days=1))
_BY_NAME = ThrottlePolicy(30, timedelta(seconds=1), timedelta(seconds=10), timedelta(days=1))
_PAIRINGS = ThrottlePolicy(30, timedelta(seconds=1), timedelta(minutes=1), timedelta(minutes=10))
LONGEST_MEMORY = timedelta(days=1)


def remaining_delay(attempts: AttemptCount, policy: ThrottlePolicy, now: datetime) -> timedelta:
    """How long from now no attempt is checked; zero or less if one may be made."""
    over = attempts.count - policy.free
    if over < 0 or now - attempts.last_at >= policy.memory:
        return timedelta(0)
    # Past 2^20 the longest delay is reached whatever the first one is.
    delay: timedelta = min(policy.first * 2 ** min(over, 20), policy.longest)
    return attempts.last_at + delay - now


def one_more(attempts: AttemptCount | None, policy: ThrottlePolicy, now: datetime) -> AttemptCount:
    """The count with one attempt more."""
    if attempts is None or now - attempts.last_at >= policy.memory:
        return AttemptCount(1, now)
    return AttemptCount(attempts.count + 1, now)


def of_log_in(name: str, address: str | None, device: KnownDevice | None) -> tuple[Throttle, ...]:
    """The counts of passwords for an account name: of a known device its own alone, else those of strangers. The first is the
    one that a right attempt clears. A name is counted whether or not there is such an account: being delayed says nothing
    about that."""
    if device is not None:
        return (by_device(device),)
    return by_name_from(name, address), by_address(address), by_name(name)


def by_device(device: KnownDevice) -> Throttle:
    """Passwords that one known device tries for its account."""
    return Throttle(_key("device", f"{device.owner.id}\n{device.key}"), _GUESSES)


def by_name_from(name: str, address: str | None) -> Throttle:
    """Passwords that strangers of one network try for an account name."""
    return Throttle(_key("name from", f"{network_of(address)}\n{folded(name)}"), _GUESSES)


def by_address(address: str | None) -> Throttle:
    """Passwords that strangers of one network try for any name."""
    return Throttle(_key("address", network_of(address)), _BY_ADDRESS)


def by_name(name: str) -> Throttle:
    """Passwords that strangers from anywhere try for an account name."""
    return Throttle(_key("name", folded(name)), _BY_NAME)


def by_owner(owner: Owner) -> Throttle:
    """User codes that an owner types in."""
    return Throttle(_key("codes", owner.id), _GUESSES)


def pairings_by_address(address: str | None) -> Throttle:
    """Pairings begun from one client address: each is a row."""
    return Throttle(_key("pairings", network_of(address)), _PAIRINGS)


def network_of(address: str | None) -> str:
    """What callers are told apart by: the address; of IPv6 the first 64 bits, since one subscriber has the rest (RFC 6177)."""
    try:
        found = ipaddress.ip_address(address or "")
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        return str(found.ipv4_mapped or ipaddress.IPv6Network((found, 64), strict=False))
    return str(found)


def _key(kind: str, of: str) -> str:
    return hashlib.sha256(f"{kind}\n{of}".encode("utf-8", "surrogatepass")).hexdigest()

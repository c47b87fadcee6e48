"""Pairing a device that has no keyboard worth the name: the device authorization grant (RFC 8628). Pure.

The device shows a short user code; its owner, on a device that is signed in already, types it in or scans it and says
yes; the device, asking every few seconds with its long device code, gets a token once.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import Enum

from service.accounts.model import Owner

LIFETIME = timedelta(minutes=10)
INTERVAL_SECONDS = 5

# No vowels, so no words, and no digits that look like letters (RFC 8628, section 6.1): 20^8 codes, 34 bits. They are few
# enough to be tried, so five wrong ones cost a delay, and a code alone gives nothing: it takes the owner's token to use it.
LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
_LENGTH = 8


class Outcome(Enum):
    """What a poll comes to. The values are the error codes of RFC 8628, section 3.5, and RFC 6749, section 5.2."""

    GRANTED = ""
    PENDING = "authorization_pending"
    SLOW_DOWN = "slow_down"
    DENIED = "access_denied"
    EXPIRED = "expired_token"
    UNKNOWN = "invalid_grant"


@dataclass(frozen=True, slots=True)
class Pairing:
    """A pairing under way. `status` is pending, approved, denied or used; `owner` and the rest are the approver's."""

    device_digest: str
    user_digest: str
    expires_at: datetime
    interval_seconds: int = INTERVAL_SECONDS
    polled_at: datetime | None = None
    status: str = "pending"
    owner: Owner | None = None
    name: str = ""
    scopes: tuple[str, ...] = ()

    def waits(self, now: datetime) -> bool:
        """Whether somebody may still approve or deny it."""
        return self.status == "pending" and now < self.expires_at


def polled(pairing: Pairing | None, now: datetime) -> tuple[Outcome, Pairing | None]:
    """What a poll comes to at this moment, and the pairing after it."""
    if pairing is None or pairing.status == "used":
        return Outcome.UNKNOWN, pairing
    if now >= pairing.expires_at:
        return Outcome.EXPIRED, pairing
    if pairing.status == "denied":
        return Outcome.DENIED, pairing
    if pairing.status == "approved":
        return Outcome.GRANTED, replace(pairing, status="used")
    due = None if pairing.polled_at is None else pairing.polled_at + timedelta(seconds=pairing.interval_seconds)
    if due is not None and now < due:
        # "the interval MUST be increased by 5 seconds for this and all subsequent requests" (section 3.5).
        slower = pairing.interval_seconds + 5
        return Outcome.SLOW_DOWN, replace(pairing, polled_at=now, interval_seconds=slower)
    return Outcome.PENDING, replace(pairing, polled_at=now)


def new_user_code() -> str:
    """Eight letters in two groups of four, such as WDJB-MJHT."""
    letters = "".join(secrets.choice(LETTERS) for _ in range(_LENGTH))
    return f"{letters[:4]}-{letters[4:]}"


def read_user_code(text: str) -> str | None:
    """The code in its one written form, whatever case, spaces and hyphens it was typed with; None when it is none."""
    letters = "".join(letter for letter in text.upper() if letter not in " -")
    if len(letters) != _LENGTH or set(letters) - set(LETTERS):
        return None
    return f"{letters[:4]}-{letters[4:]}"

"""Pairing a device that is awkward to type on: the device authorization grant (RFC 8628). Pure.

The device shows a short user code. Its owner, logged in on another device, types it in or scans it, and approves. The device
polls with its long device code and is given a token once.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import Enum

from service.accounts.model import Owner

LIFETIME = timedelta(minutes=10)
INTERVAL_SECONDS = 5

# No vowels, so no words, and no digits that look like letters (RFC 8628, section 6.1): 20^8 codes, 34 bits. That is few enough
# for guessing, so attempts are throttled, and a code by itself gives nothing: approving it takes the owner's token.
LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
_LENGTH = 8


class PollOutcome(Enum):
    """The outcome of a poll; the values are the error codes of RFC 8628, section 3.5, and RFC 6749, section 5.2."""

    GRANTED = ""
    PENDING = "authorization_pending"
    SLOW_DOWN = "slow_down"
    DENIED = "access_denied"
    EXPIRED = "expired_token"
    UNKNOWN = "invalid_grant"


@dataclass(frozen=True, slots=True)
class Pairing:
    """A pairing in progress. `status` is pending, approved, denied or used; `owner`, `name` and `scopes` are set when
    it is decided."""

    device_digest: str
    user_digest: str
    expires_at: datetime
    interval_seconds: int = INTERVAL_SECONDS
    polled_at: datetime | None = None
    status: str = "pending"
    owner: Owner | None = None
    name: str = ""
    scopes: tuple[str, ...] = ()

    def is_pending(self, now: datetime) -> bool:
        """Whether it can still be approved or denied."""
        return self.status == "pending" and now < self.expires_at


def poll(pairing: Pairing | None, now: datetime) -> tuple[PollOutcome, Pairing | None]:
    """The outcome of a poll at this moment, and the pairing after it. None: the device code is unknown."""
    if pairing is None or pairing.status == "used":
        return PollOutcome.UNKNOWN, pairing
    if now >= pairing.expires_at:
        return PollOutcome.EXPIRED, pairing
    if pairing.status == "denied":
        return PollOutcome.DENIED, pairing
    if pairing.status == "approved":
        return PollOutcome.GRANTED, replace(pairing, status="used")
    due = None if pairing.polled_at is None else pairing.polled_at + timedelta(seconds=pairing.interval_seconds)
    if due is not None and now < due:
        # "the interval MUST be increased by 5 seconds for this and all subsequent requests" (section 3.5).
        slower = pairing.interval_seconds + 5
        return PollOutcome.SLOW_DOWN, replace(pairing, polled_at=now, interval_seconds=slower)
    return PollOutcome.PENDING, replace(pairing, polled_at=now)


def new_user_code() -> str:
    """Eight letters in two groups of four, such as WDJB-MJHT."""
    letters = "".join(secrets.choice(LETTERS) for _ in range(_LENGTH))
    return f"{letters[:4]}-{letters[4:]}"


def read_user_code(text: str) -> str | None:
    """The code as `new_user_code` writes it, in whatever case and with whatever spaces and hyphens it was typed; None if it is
    no code."""
    letters = "".join(letter for letter in text.upper() if letter not in " -")
    if len(letters) != _LENGTH or set(letters) - set(LETTERS):
        return None
    return f"{letters[:4]}-{letters[4:]}"

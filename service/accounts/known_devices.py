"""Telling a device that logged in before from a stranger, so that strangers' wrong attempts cannot lock it out. Pure.

Source: OWASP, "Slow Down Online Guessing Attacks with Device Cookies". A device cookie is a text that a right log-in leaves with
the device: when it ends, random bits by which its attempts are counted, and a signature (HMAC-SHA256, RFC 2104) over these
and the account. The key is the stored hash of the account's password: nothing more needs to be kept, one cookie serves one
account, and setting another password ends all of them. It authenticates nobody: whoever has it may try passwords, by a small
count of its own.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.accounts.model import DEVICE_COOKIE_PREFIX, Owner

LIFETIME = timedelta(days=180)
# Together a multiple of three, so that base64 has no filling.
_END_BYTES, _RANDOM_BYTES, _SIGNATURE_BYTES = 5, 17, 32


@dataclass(frozen=True, slots=True)
class KnownDevice:
    """A device that proved an earlier log-in of an account; `key` is what its attempts are counted by."""

    owner: Owner
    key: str


def cookie_name(owner: Owner) -> str:
    """The name of the account's device cookie: a browser that several people log in with has one of each. Whoever sees it
    learns nothing of the account."""
    return f"setwright_device_{hashlib.sha256(owner.id.encode()).hexdigest()[:12]}"


def device_cookie(owner: Owner, password_hash: str, now: datetime) -> str:
    """The text that a device gets at a right log-in."""
    end = int((now + LIFETIME).timestamp()).to_bytes(_END_BYTES, "big")
    told = end + secrets.token_bytes(_RANDOM_BYTES)
    return DEVICE_COOKIE_PREFIX + base64.urlsafe_b64encode(told + _signature(owner, password_hash, told)).decode()


def device_of_cookie(text: str, owner: Owner, password_hash: str, now: datetime) -> KnownDevice | None:
    """The device with this cookie; None if it is another account's, was signed under another password, or is over."""
    try:
        raw = base64.b64decode(text.removeprefix(DEVICE_COOKIE_PREFIX).encode("ascii"), b"-_", validate=True)
    except ValueError:
        return None
    told, signature = raw[:-_SIGNATURE_BYTES], raw[-_SIGNATURE_BYTES:]
    if len(told) != _END_BYTES + _RANDOM_BYTES or not text.startswith(DEVICE_COOKIE_PREFIX):
        return None
    if not hmac.compare_digest(signature, _signature(owner, password_hash, told)):
        return None
    if now.timestamp() >= int.from_bytes(told[:_END_BYTES], "big"):
        return None
    return KnownDevice(owner, told[_END_BYTES:].hex())


def _signature(owner: Owner, password_hash: str, told: bytes) -> bytes:
    return hmac.digest(password_hash.encode(), b"device cookie\n" + owner.id.encode() + b"\n" + told, "sha256")

"""Ids of stored things: UUIDv7 (RFC 9562, section 5.7), made here or by the client."""

from __future__ import annotations

import secrets
import time
import uuid


def new_id() -> str:
    """A fresh UUIDv7: 48 bits of Unix time in milliseconds, then 74 random bits."""
    milliseconds = time.time_ns() // 1_000_000
    bits = (milliseconds & (1 << 48) - 1) << 80 | 0x7 << 76 | secrets.randbits(12) << 64 | 0b10 << 62
    return str(uuid.UUID(int=bits | secrets.randbits(62)))


def read_id(text: str) -> str | None:
    """The id in its one written form (lower case, with hyphens), or None when it is no UUID in that form."""
    try:
        identity = uuid.UUID(text)
    except ValueError:
        return None
    return str(identity) if len(text) == 36 and text.lower() == str(identity) else None


def is_version_7(identity: str) -> bool:
    """Whether a UUID in its written form is of version 7 and of the RFC's variant."""
    return identity[14] == "7" and identity[19] in "89ab"

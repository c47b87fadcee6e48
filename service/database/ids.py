"""Ids of stored things: UUIDv7 (RFC 9562, section 5.7), made here or by the client."""

from __future__ import annotations

import re
import secrets
import time

_WRITTEN = re.compile("[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


def new_id() -> str:
    """A fresh UUIDv7: 48 bits of Unix time in milliseconds, then 74 random bits."""
    milliseconds = time.time_ns() // 1_000_000
    chance = secrets.randbits(74)
    bits = (milliseconds & (1 << 48) - 1) << 80 | 0x7 << 76 | (chance >> 62) << 64 | 0b10 << 62 | chance & (1 << 62) - 1
    text = f"{bits:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def read_id(text: str) -> str | None:
    """The id in its one written form (lower case, with hyphens), or None when it is no UUID in that form."""
    lower = text.lower()
    return lower if _WRITTEN.fullmatch(lower) else None


def is_version_7(identity: str) -> bool:
    """Whether a UUID in its written form is of version 7 and of the RFC's variant."""
    return identity[14] == "7" and identity[19] in "89ab"

"""Ids of stored things: UUIDv7 (RFC 9562, section 5.7), made here or by the client."""

from __future__ import annotations

import re
import secrets
import time
from datetime import UTC, datetime

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


def made_at(identity: str) -> datetime:
    """When a UUID of version 7 was made, to the millisecond.

    >>> made_at("019ad3b5-8e00-7000-8000-000000000000").isoformat()
    '2025-11-30T07:41:22.304000+00:00'
    """
    return datetime.fromtimestamp(int(identity[:8] + identity[9:13], 16) / 1_000, UTC)

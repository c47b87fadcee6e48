"""Passwords, hashed with Argon2id (RFC 9106): 19 MiB, two passes, one lane.

Hashing takes memory and some 60 ms of a core, so callers run it in `Context.password_limiter`, a few at a time.
"""

from __future__ import annotations

import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

SHORTEST, LONGEST = 12, 200

_HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1, hash_len=32, salt_len=16)

# The hash of 32 random bytes that were not kept: for an account that does not exist or has no password the check takes as long
# as for a wrong password.
_DUMMY_HASH = "$argon2id$v=19$m=19456,t=2,p=1$0CGU8VM0ZWAjO0Dan33q8A$7yB8dQ1XYO2xHjpZkHmq5EcRRhkYFST7n6YrycKumck"


def hash_password(password: str) -> str:
    """What is stored of a password: parameters, salt and hash as one text."""
    return _HASHER.hash(_bytes(password))


def is_password(password: str, stored: str | None) -> bool:
    """Whether it is the password whose hash is stored. Takes as long if none is stored, and is false then."""
    try:
        _HASHER.verify(_DUMMY_HASH if stored is None else stored, _bytes(password))
    except (VerificationError, InvalidHashError):
        return False
    return stored is not None


def needs_rehash(stored: str) -> bool:
    """Whether it was hashed with other parameters than today's."""
    return _HASHER.check_needs_rehash(stored)


def _bytes(password: str) -> bytes:
    """In composed form (NFC; RFC 8265, section 4.2), since keyboards differ in how they make an accent."""
    return unicodedata.normalize("NFC", password).encode("utf-8", "surrogatepass")

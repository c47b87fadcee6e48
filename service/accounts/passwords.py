"""Passwords: hashed with Argon2id (RFC 9106), two at a time, so that many log-ins at once take no more memory than two.

19 MiB, two passes, one lane: the defaults of the library let 40 log-ins take 2.4 GB (promises.md).
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from service.errors import Busy

SHORTEST, LONGEST = 12, 200

_HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1, hash_len=32, salt_len=16)
_TURNS = threading.BoundedSemaphore(2)
_PATIENCE_SECONDS = 10.0

# Of 32 random bytes that nobody kept: whoever names an account that is not there, or has no password, waits as long as for
# a wrong one.
_OF_NOBODY = "$argon2id$v=19$m=19456,t=2,p=1$0CGU8VM0ZWAjO0Dan33q8A$7yB8dQ1XYO2xHjpZkHmq5EcRRhkYFST7n6YrycKumck"


def hashed(password: str) -> str:
    """What is kept of a password: parameters, salt and hash as one text."""
    with _turn():
        return _HASHER.hash(_bytes(password))


def fits(password: str, kept: str | None) -> bool:
    """Whether it is the password. Takes as long when there is none to compare with, and then says no."""
    with _turn():
        try:
            _HASHER.verify(_OF_NOBODY if kept is None else kept, _bytes(password))
        except (VerificationError, InvalidHashError):
            return False
    return kept is not None


def is_dated(kept: str) -> bool:
    """Whether it was hashed with other parameters than today's, and should be hashed again."""
    return _HASHER.check_needs_rehash(kept)


def _bytes(password: str) -> bytes:
    """In composed form (NFC; RFC 8265, section 4.2), since keyboards differ in how they make an accent."""
    return unicodedata.normalize("NFC", password).encode("utf-8", "surrogatepass")


@contextmanager
def _turn() -> Iterator[None]:
    if not _TURNS.acquire(timeout=_PATIENCE_SECONDS):
        raise Busy("the service is checking as many passwords as it can; try again shortly", 2)
    try:
        yield
    finally:
        _TURNS.release()

"""Owners, their tokens, and the state of what they own. Pure."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass

TOKEN_PREFIX = "swt_"  # noqa: S105 - what every token begins with, and no secret
_TOKEN_BYTES = 32


@dataclass(frozen=True, slots=True)
class Owner:
    """Whoever a request acts for."""

    id: str


@dataclass(frozen=True, slots=True)
class State:
    """The state of an owner's holdings: a counter, and a chain of hashes over all changes up to it.

    Two histories that share the number but not the changes (a database restored from a backup) differ in the chain.
    """

    number: int
    chain: str

    def after(self, change: str) -> State:
        """The state after one more change, named by its id: chain[n] = hash(chain[n-1] + id), 128 bits of SHA-256."""
        return State(self.number + 1, hashlib.sha256((self.chain + change).encode()).hexdigest()[:32])

    def __str__(self) -> str:
        return f"{self.number}.{self.chain}"


ORIGIN = State(0, "0" * 32)


@dataclass(frozen=True, slots=True)
class Remembered:
    """The answer to a request that carried an Idempotency-Key. `fingerprint` is the SHA-256 of the request."""

    fingerprint: str
    status: int
    headers: dict[str, str]
    body: str


def new_token() -> str:
    """A fresh bearer token: 256 random bits behind a prefix by which a leaked one is recognised."""
    return TOKEN_PREFIX + secrets.token_urlsafe(_TOKEN_BYTES)


def token_digest(token: str) -> str:
    """What is stored of a token: its SHA-256. A slow hash would add nothing to 256 random bits."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()

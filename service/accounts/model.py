"""Owners, their tokens and what these allow, and the state of what they own. Pure."""

from __future__ import annotations

import hashlib
import re
import secrets
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.errors import Forbidden

# Prefixes of the secrets that are made here, by which a leaked one is recognised.
TOKEN_PREFIX = "swt_"  # noqa: S105
INVITATION_PREFIX = "swi_"
DEVICE_CODE_PREFIX = "swd_"
RESET_PREFIX = "swr_"
CLUB_INVITATION_PREFIX = "swc_"
SHARE_PREFIX = "sws_"
DEVICE_COOKIE_PREFIX = "swk_"
_TOKEN_BYTES = 32
PREFIXES = (
    TOKEN_PREFIX,
    INVITATION_PREFIX,
    DEVICE_CODE_PREFIX,
    CLUB_INVITATION_PREFIX,
    SHARE_PREFIX,
    DEVICE_COOKIE_PREFIX,
    RESET_PREFIX,
)
_SECRET = re.compile(f"({'|'.join(PREFIXES)})[A-Za-z0-9_-]+")

READ, WRITE, EVALUATE, ADMIN = "read", "write", "evaluate", "admin"
SCOPES = (READ, WRITE, EVALUATE, ADMIN)

# The last use of a token or a link is recorded at most this often.
LAST_USED_EVERY = timedelta(minutes=1)


class ScopeMissing(Forbidden):
    """The token does not allow this; `needed` are scopes of which any one would do."""

    code = "forbidden-scope"

    def __init__(self, needed: Iterable[str], message: str = "") -> None:
        self.needed = tuple(needed)
        if message:
            super().__init__(message)
        else:
            super().__init__("this needs a token with the scope {scopes}", scopes=" or ".join(self.needed))


class WrongCredentials(Forbidden):
    """A wrong name or password, or an invitation that is not valid. The message never says which."""

    code = "wrong-credentials"


@dataclass(frozen=True, slots=True)
class Owner:
    """The owner that a request acts for."""

    id: str


@dataclass(frozen=True, slots=True)
class Account:
    """An account. `password_hash` is None as long as no password was set."""

    owner: Owner
    name: str
    is_admin: bool
    created_at: datetime
    password_hash: str | None = None


@dataclass(frozen=True, slots=True)
class Token:
    """A token, without its text, which is not stored. A device is a token that was made by pairing."""

    id: str
    name: str
    scopes: tuple[str, ...]
    is_device: bool
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None

    def is_worth_noting(self, now: datetime) -> bool:
        """Whether the recorded last use is old enough to be recorded again."""
        return is_worth_noting(self.last_used_at, now)


@dataclass(frozen=True, slots=True)
class Caller:
    """The sender of a request: the token, and its account."""

    account: Account
    token: Token

    @property
    def owner(self) -> Owner:
        return self.account.owner

    def ensure(self, scopes: Iterable[str]) -> None:
        """Raises ScopeMissing unless the token has one of these scopes."""
        if not set(self.token.scopes) & set(scopes):
            raise ScopeMissing(scopes)


@dataclass(frozen=True, slots=True)
class Invitation:
    """An invitation to open one account, without its text, which is not stored."""

    id: str
    note: str | None
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None = None
    revoked_at: datetime | None = None

    def status(self, now: datetime) -> str:
        """open, used, revoked or expired."""
        if self.used_at is not None:
            return "used"
        if self.revoked_at is not None:
            return "revoked"
        return "open" if now < self.expires_at else "expired"


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
_STATE = re.compile(r"(0|[1-9][0-9]{0,17})\.([0-9a-f]{32})")


def read_state(text: str) -> State | None:
    """The state that is written so; None when none is."""
    found = _STATE.fullmatch(text)
    return None if found is None else State(int(found[1]), found[2])


@dataclass(frozen=True, slots=True)
class Remembered:
    """The answer to a request that carried an Idempotency-Key. `fingerprint` is the SHA-256 of the request."""

    fingerprint: str
    status: int
    headers: dict[str, str]
    body: str


def new_token(prefix: str = TOKEN_PREFIX) -> str:
    """A new secret, by default a bearer token: a prefix and 256 random bits."""
    return prefix + secrets.token_urlsafe(_TOKEN_BYTES)


def token_digest(token: str) -> str:
    """The SHA-256 of a token, which is stored instead of it. A slow hash would add nothing to 256 random bits."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def is_worth_noting(last_used_at: datetime | None, now: datetime) -> bool:
    """Whether a recorded last use is old enough to be recorded again."""
    return last_used_at is None or now - last_used_at >= LAST_USED_EVERY


def masked(text: str) -> str:
    """The text with every secret that has one of the prefixes replaced by the prefix and `...`."""
    return _SECRET.sub(r"\1...", text)


def folded(name: str) -> str:
    """The form in which account names are compared: composed (NFC), case folded."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def ordered(scopes: Iterable[str]) -> tuple[str, ...]:
    """The scopes, each once, in their usual order."""
    given = set(scopes)
    return tuple(scope for scope in SCOPES if scope in given)

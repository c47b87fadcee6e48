"""Links to revisions, definitions that are imported, and where definitions came from. Pure.

The secret of a link is made like a token, and only its hash is stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from service.accounts.model import is_worth_noting
from service.analysis.findings import Finding, FindingCounts

OPEN, REVOKED, EXPIRED, USED_UP = "open", "revoked", "expired", "used up"

# Where a definition came from: a link, a file, another definition of the same owner, a club.
SHARE, FILE, OWN, CLUB = "share", "file", "own", "club"

# An import that is not confirmed is deleted after this time.
IMPORT_LIFETIME = timedelta(hours=24)
MOST_PENDING_IMPORTS = 50
# Of the newer revisions of an origin so many are kept, the newest: what an origin sends is not limited otherwise.
MOST_OFFERED = 10

# A server that checks an origin claims it first; the claim ends after this time if the check never does.
CLAIM_LIFETIME = timedelta(minutes=15)

_FIRST_PAUSE, _LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Share:
    """A link to the revision `revision` of `definition`, and if it `follows` to those published later. `name` is shown to the
    owner only. `uses_left` None: without limit."""

    id: str
    definition: str
    revision: int
    name: str | None
    follows: bool
    created_at: datetime
    expires_at: datetime | None = None
    uses_left: int | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None

    def status(self, now: datetime) -> str:
        """open, revoked, expired or used up."""
        if self.revoked_at is not None:
            return REVOKED
        if self.expires_at is not None and self.expires_at <= now:
            return EXPIRED
        return USED_UP if self.uses_left is not None and self.uses_left <= 0 else OPEN

    def shows(self, number: int) -> bool:
        """Whether the revision of this number, if there is one, may be seen through the link."""
        return number == self.revision or (self.follows and number > self.revision)

    def is_worth_noting(self, now: datetime) -> bool:
        """Whether the recorded last use is old enough to be recorded again."""
        return is_worth_noting(self.last_used_at, now)


@dataclass(frozen=True, slots=True)
class DefinitionImport:
    """A definition that was fetched or sent, and checked; it becomes the owner's when confirmed, and `definition` is its id
    then. `address` may contain a link's secret. `counts` are the findings of the check by severity. In a list `document` is
    None, `findings` and `in_words` are empty."""

    id: str
    kind: str
    address: str | None
    title: str
    revision: int | None
    digest: str
    etag: str | None
    counts: FindingCounts
    created_at: datetime
    expires_at: datetime
    definition: str | None = None
    document: Mapping[str, Any] | None = None
    findings: tuple[Finding, ...] = ()
    in_words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a definition came from; title, revision and digest are those of the origin at that time. `source` is a definition
    of the same owner, `newest` the newest revision known at the origin. `problem` is the code of the last failure; before
    `next_check_at` the origin is not asked again."""

    kind: str
    title: str
    revision: int | None
    digest: str
    recorded_at: datetime
    address: str | None = None
    source: str | None = None
    newest: int | None = None
    etag: str | None = None
    checked_at: datetime | None = None
    next_check_at: datetime | None = None
    failures: int = 0
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class OriginRevision:
    """A newer revision of the origin, which the owner may pull. `document` is None in a list."""

    number: int
    digest: str
    title: str
    fetched_at: datetime
    document: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class PulledRevision:
    """A revision of the origin as it was merged into the owner's definition."""

    number: int
    digest: str
    document: Mapping[str, Any]


def pause_after(failures: int, chance: float) -> timedelta:
    """How long to wait after so many failures in a row: 1, 2, 4 ... minutes up to a day, less up to half by `chance` (0 to 1),
    so that followers do not all come back at the same time (common practice, no source).

    >>> [pause_after(n, 0).total_seconds() / 60 for n in (1, 2, 3, 11, 12, 1000)]
    [1.0, 2.0, 4.0, 1024.0, 1440.0, 1440.0]
    """
    whole = min(_FIRST_PAUSE * (1 << min(failures - 1, 20)), _LONGEST_PAUSE)
    return whole * (1 - chance / 2)

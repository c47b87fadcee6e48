"""Where a definition came from, what is newer there, and imports that wait for a yes. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

# A link on some server, a file, another definition of the same owner, a club's.
SHARE, FILE, OWN, CLUB = "share", "file", "own", "club"

# So long an import waits.
WAITS = timedelta(hours=24)
MOST_WAITING = 50
# So many newer revisions of an origin are kept, the newest: an origin may say what it likes.
MOST_OFFERED = 10

# Whoever asks an origin that is due claims it first, so that nobody else does; if nothing comes of it, for so long.
CLAIM = timedelta(minutes=15)

_FIRST_PAUSE, _LONGEST_PAUSE = timedelta(minutes=1), timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Brought:
    """A definition that was brought and checked, and becomes the owner's when they say so; `definition` is what became of
    it. `address` may have a link's secret in it. `counts` are the check's findings by severity; `findings` is what it said, in
    plain values, None in a list, like the document."""

    id: str
    kind: str
    address: str | None
    title: str
    revision: int | None
    digest: str
    etag: str | None
    counts: Mapping[str, int]
    created_at: datetime
    expires_at: datetime
    definition: str | None = None
    document: Mapping[str, Any] | None = None
    findings: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a definition came from: title, revision and digest are those of the origin when it was taken. `source` is a
    definition of the same owner, `newest` the newest revision known there. `problem` is the kind of the last failure;
    before `next_check_at` the origin is not asked again."""

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
    """A revision of the origin that is newer than what was taken. It is offered, and adopted by nobody but the owner. Its
    document is None in a list."""

    number: int
    digest: str
    title: str
    fetched_at: datetime
    document: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class TakenRevision:
    """A revision of the origin as it was taken into the owner's definition."""

    number: int
    digest: str
    document: Mapping[str, Any]


def pause_after(failures: int, chance: float) -> timedelta:
    """How long to wait after so many failures in a row: 1, 2, 4 ... minutes up to a day, of which by `chance` (0 to 1) up to
    half is left out, so that followers do not all come back together (common practice, no source).

    >>> [pause_after(n, 0).total_seconds() / 60 for n in (1, 2, 3, 11, 12, 1000)]
    [1.0, 2.0, 4.0, 1024.0, 1440.0, 1440.0]
    """
    whole = min(_FIRST_PAUSE * (1 << min(failures - 1, 20)), _LONGEST_PAUSE)
    return whole * (1 - chance / 2)

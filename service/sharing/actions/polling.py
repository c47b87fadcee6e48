"""Asking an origin for a newer revision, and storing the outcome. A failure is an outcome too: it says why, and until when the
origin is left alone."""

from __future__ import annotations

import math
import secrets
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import structlog
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.errors import AskedTooSoon, Busy, Conflict, DigestMismatch, FetchUnreadable, SetwrightError
from service.fetch.client import Fetched
from service.formats.strict_json import JSON
from service.runtime import Context
from service.sharing.actions.origins import newer_original, record_check, record_failure
from service.sharing.documents import definition_of, is_read_quickly, read_fetched
from service.sharing.model import OWN, SHARE, Origin, OriginRevision
from service.sharing.store import DueOriginStore, OriginStore

log = structlog.get_logger(part="polling")

# So many origins that are due are asked in one run.
MOST_IN_A_RUN = 50


@dataclass(frozen=True, slots=True)
class OriginCheck:
    """The outcome of a check: the origin after it, and the newer revisions that are available. `error` is why it failed."""

    outcome: Literal["unchanged", "newer", "failed"]
    origin: Origin
    available: tuple[OriginRevision, ...]
    error: SetwrightError | None = None


@dataclass(frozen=True, slots=True)
class OriginAnswer:
    """What an origin answered: a newer revision or None, and the entity tag of the answer."""

    newer: OriginRevision | None
    etag: str | None = None


async def check_origin(context: Context, owner: Owner, definition: str, *, claimed: bool = False) -> OriginCheck:
    """The outcome of one check. Raises NotFound without an origin, Conflict if it cannot be asked, Busy, and unless the check
    was claimed before, AskedTooSoon."""
    now = context.now()
    origin = await context.read(lambda connection: OriginStore(connection, owner).get(definition))
    _ensure_due(origin, 0 if claimed or origin.next_check_at is None else (origin.next_check_at - now).total_seconds())
    try:
        found = await _ask(context, owner, origin, now)
    except Busy:
        raise
    except SetwrightError as error:
        return await _failed(context, owner, definition, error)

    def record(connection: Connection) -> OriginCheck:
        checked = record_check(connection, owner, definition, now, offered=found.newer, etag=found.etag)
        available = OriginStore(connection, owner).available(definition)
        return OriginCheck("newer" if found.newer else "unchanged", checked, available)

    return await context.write(record)


async def check_due(context: Context, hours: int) -> Counter[str]:
    """Asks the origins that were not asked for so many hours, one after another; how many had which outcome, or were not asked
    for which error. Each is claimed first, so that of several servers of one database one asks."""
    now = context.now()
    before = now - timedelta(hours=hours)
    due = await context.read(lambda connection: DueOriginStore(connection).due(before, now, MOST_IN_A_RUN))
    outcomes: Counter[str] = Counter()
    for owner, definition in due:

        def claim(connection: Connection, owner: Owner = owner, definition: str = definition) -> bool:
            return DueOriginStore(connection).claim(owner, definition, before, now)

        if await context.write(claim):
            try:
                outcomes[(await check_origin(context, owner, definition, claimed=True)).outcome] += 1
            except SetwrightError as error:
                # It was deleted meanwhile, or there is too much to do; its time comes again.
                outcomes[error.code] += 1
    if outcomes:
        log.info("asked origins", origins=outcomes.total(), outcomes=dict(outcomes))
    return outcomes


async def _ask(context: Context, owner: Owner, origin: Origin, now: datetime) -> OriginAnswer:
    if origin.kind == OWN:
        return OriginAnswer(await context.read(lambda connection: newer_original(connection, owner, origin, now)))
    return await _ask_link(context, origin, now)


async def _ask_link(context: Context, origin: Origin, now: datetime) -> OriginAnswer:
    """What is newer at a link than what is known of it. Raises FetchError; Invalid if the newer document cannot be used here."""
    assert origin.address is not None
    fetched = await context.fetcher.fetch(origin.address, etag=origin.etag, kinds=(JSON,))
    if fetched.content is None:
        return OriginAnswer(None, origin.etag)
    told = await context.compute(lambda: read_fetched(fetched))
    if told.revision == origin.revision and told.digest != origin.digest:
        raise DigestMismatch("the revision that was taken from there has another document now")
    if told.newest is None or told.newest <= (origin.newest or 0):
        return OriginAnswer(None, fetched.etag)
    number = told.newest
    further = await context.fetcher.fetch(_address_of_revision(origin.address, number), kinds=(JSON,))

    if is_read_quickly(further):
        newer = await context.compute(lambda: read_newer(further, number, now))
    else:
        newer = await context.in_process(
            "service.sharing.actions.polling:read_newer", further, number, now, doing="reading the newer revision"
        )
    return OriginAnswer(newer, fetched.etag)


def read_newer(fetched: Fetched, number: int, now: datetime) -> OriginRevision:
    """The newer revision that was fetched. Raises FetchUnreadable, Invalid, DigestMismatch."""
    newer = read_fetched(fetched)
    if newer.revision != number:
        raise FetchUnreadable("it is not revision {revision}, which the link named as its newest", revision=number)
    definition = definition_of(newer)
    return OriginRevision(number, definition.digest, definition.title, now, newer.document)


async def _failed(context: Context, owner: Owner, definition: str, error: SetwrightError) -> OriginCheck:
    now, chance = context.now(), secrets.randbelow(1 << 20) / (1 << 20)

    def record(connection: Connection) -> OriginCheck:
        checked = record_failure(connection, owner, definition, error.code, now, chance)
        return OriginCheck("failed", checked, OriginStore(connection, owner).available(definition), error)

    return await context.write(record)


def _address_of_revision(address: str, number: int) -> str:
    return f"{address.partition('?')[0].partition('#')[0].rstrip('/')}/revisions/{number}"


def _ensure_due(origin: Origin, seconds_left: float) -> None:
    if origin.kind not in (SHARE, OWN):
        raise Conflict(
            "this definition came from a {kind}, which cannot be asked for newer revisions", kind=origin.kind
        )
    if seconds_left > 0:
        wait = math.ceil(seconds_left)
        raise AskedTooSoon(
            "the last check of the origin failed; it can be asked again in {wait} seconds", wait, wait=wait
        )

"""Asking an origin whether there is something newer, and writing down what that came to. A failure is an answer, too: it says
why, and until when the origin is left alone."""

from __future__ import annotations

import logging
import math
import secrets
from collections import Counter
from datetime import timedelta
from typing import Any

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service import runtime
from service.accounts.model import Owner
from service.errors import AskedTooSoon, Busy, Conflict, SetwrightError
from service.http.problems import Problem, problem_of
from service.http.schemas.definition_imports import shown_origin
from service.sharing.actions import origins as actions
from service.sharing.actions.imports import Newer, ask_origin
from service.sharing.origin_store import DueStore, OriginStore
from service.sharing.origins import OWN, SHARE, Origin

log = logging.getLogger("setwright.following")

# So many origins that are due are asked in one run.
MOST_AT_A_LOOK = 50

UNCHANGED, NEWER, FAILED = "unchanged", "newer", "failed"


async def check_origin(
    parts: runtime.Context, owner: Owner, definition: str, *, claimed: bool = False
) -> dict[str, Any]:
    """The outcome of one check, in plain values. Raises NotFound without an origin, Clash where there is nobody to ask, Busy,
    and asked-too-soon, unless the check was claimed before."""
    now = parts.clock()
    origin = await run_in_threadpool(parts.database.read, lambda c: OriginStore(c, owner).get(definition))
    _ensure_due(origin, 0 if claimed or origin.next_check_at is None else (origin.next_check_at - now).total_seconds())
    try:
        if origin.kind == OWN:
            found = await run_in_threadpool(
                parts.database.read, lambda c: Newer(actions.newer_of_own(c, owner, origin, now), None)
            )
        else:
            found = await ask_origin(parts, origin, now)
    except Busy:
        raise
    except SetwrightError as error:
        return await _failed(parts, owner, definition, problem_of(error))

    def act(connection: Connection) -> dict[str, Any]:
        checked = actions.note_check(connection, owner, definition, now, offered=found.offered, etag=found.etag)
        return shown_origin(checked, OriginStore(connection, owner).available(definition))

    shown = await run_in_threadpool(parts.database.write, act)
    return {"outcome": NEWER if found.offered else UNCHANGED, "problem": None, "origin": shown}


async def _failed(parts: runtime.Context, owner: Owner, definition: str, why: Problem) -> dict[str, Any]:
    now, chance = parts.clock(), secrets.randbelow(1 << 20) / (1 << 20)

    def act(connection: Connection) -> dict[str, Any]:
        checked = actions.note_failure(connection, owner, definition, why.kind.name, now, chance)
        return shown_origin(checked, OriginStore(connection, owner).available(definition))

    shown = await run_in_threadpool(parts.database.write, act)
    problem = {
        "type": f"{parts.settings.public_url}/problems/{why.kind.name}",
        "title": why.kind.title,
        "detail": why.detail,
    }
    return {"outcome": FAILED, "problem": problem, "origin": shown}


async def check_due(parts: runtime.Context, hours: int) -> Counter[str]:
    """Asks the origins that were not asked for so many hours, one after another, and counts the outcomes. Each is claimed
    before it is asked, so that of several servers of one database one asks."""
    now = parts.clock()
    before = now - timedelta(hours=hours)
    due = await run_in_threadpool(parts.database.read, lambda c: DueStore(c).due(before, now, MOST_AT_A_LOOK))
    outcomes: Counter[str] = Counter()
    for owner, definition in due:

        def claim(connection: Connection, owner: Owner = owner, definition: str = definition) -> bool:
            return DueStore(connection).claim(owner, definition, before, now)

        if await run_in_threadpool(parts.database.write, claim):
            try:
                outcomes[(await check_origin(parts, owner, definition, claimed=True))["outcome"]] += 1
            except SetwrightError as error:
                # It was deleted meanwhile, or there is too much to do; its time comes again.
                outcomes[problem_of(error).kind.name] += 1
    if outcomes:
        log.info("asked %s origins: %s", outcomes.total(), dict(outcomes))
    return outcomes


def _ensure_due(origin: Origin, seconds_left: float) -> None:
    if origin.kind not in (SHARE, OWN):
        raise Conflict(f"there is nobody to ask: this definition came from a {origin.kind}")
    if seconds_left > 0:
        wait = math.ceil(seconds_left)
        message = f"the origin did not answer as it should lately; it is asked again in {wait} seconds"
        raise AskedTooSoon(message, wait)

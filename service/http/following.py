"""Asking an origin whether there is something newer, and writing down what that came to. A failure is an answer, too: it says
why, and until when the origin is left alone."""

from __future__ import annotations

import math
import secrets
from typing import Any

from fastapi import Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service.accounts.model import Owner
from service.clubs import origin_actions as actions
from service.clubs.origin_store import OriginStore
from service.clubs.origins import OWN, SHARE, Origin
from service.errors import Busy, Clash, SetwrightError
from service.http.bringing import Newer, ask_origin
from service.http.needs import Service
from service.http.problems import Problem, base_url, problem_of
from service.http.schemas.definition_imports import shown_origin

UNCHANGED, NEWER, FAILED = "unchanged", "newer", "failed"


async def check_origin(request: Request, parts: Service, owner: Owner, definition: str) -> dict[str, Any]:
    """The outcome of one check, in plain values. Raises NotFound without an origin, Clash where there is nobody to ask, Busy,
    and asked-too-soon."""
    now = parts.clock()
    origin = await run_in_threadpool(parts.database.read, lambda c: OriginStore(c, owner).get(definition))
    _ensure_due(origin, (origin.next_check_at - now).total_seconds() if origin.next_check_at else 0)
    try:
        if origin.kind == OWN:
            found = await run_in_threadpool(
                parts.database.read, lambda c: Newer(actions.newer_of_own(c, owner, origin, now), None)
            )
        else:
            found = await ask_origin(parts, origin, now)
    except Busy:
        raise
    except (Problem, SetwrightError) as error:
        return await _failed(request, parts, owner, definition, problem_of(error))

    def act(connection: Connection) -> dict[str, Any]:
        checked = actions.note_check(connection, owner, definition, now, offered=found.offered, etag=found.etag)
        return shown_origin(checked, OriginStore(connection, owner).offered(definition))

    shown = await run_in_threadpool(parts.database.write, act)
    return {"outcome": NEWER if found.offered else UNCHANGED, "problem": None, "origin": shown}


async def _failed(request: Request, parts: Service, owner: Owner, definition: str, why: Problem) -> dict[str, Any]:
    now, chance = parts.clock(), secrets.randbelow(1 << 20) / (1 << 20)

    def act(connection: Connection) -> dict[str, Any]:
        checked = actions.note_failure(connection, owner, definition, why.kind.name, now, chance)
        return shown_origin(checked, OriginStore(connection, owner).offered(definition))

    shown = await run_in_threadpool(parts.database.write, act)
    problem = {"type": f"{base_url(request)}/problems/{why.kind.name}", "title": why.kind.title, "detail": why.detail}
    return {"outcome": FAILED, "problem": problem, "origin": shown}


def _ensure_due(origin: Origin, seconds_left: float) -> None:
    if origin.kind not in (SHARE, OWN):
        raise Clash(f"there is nobody to ask: this definition came from a {origin.kind}")
    if seconds_left > 0:
        wait = math.ceil(seconds_left)
        message = f"the origin did not answer as it should lately; it is asked again in {wait} seconds"
        raise Problem("asked-too-soon", message, headers={"Retry-After": str(wait)})

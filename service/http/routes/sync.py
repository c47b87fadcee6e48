"""Sync: what a device did while it was offline, what changed meanwhile, and a bell that rings when something changes."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response, StreamingResponse

from service import runtime
from service.accounts.store import AccountStore
from service.holdings.sync.actions import changes, session, synchronise
from service.http.declared import OWNER, JsonBody, operation
from service.http.dependencies import Context, CurrentOwner, still_authenticated
from service.http.examples import SYNC
from service.http.responses import Answer
from service.http.schemas.sync import ChangesOut, ChangesQuery, SessionOut, SessionQuery, SyncIn, SyncOut
from service.http.wire import read

router = APIRouter(prefix="/v1/holdings")
_TAG = "Sync"
_LOOKS, _PAUSE_SECONDS = 900, 1.0


@router.get(
    "/sync",
    **operation(
        "get_sync_state",
        "Where my holdings stand",
        tag=_TAG,
        access=OWNER,
        answer=SessionOut,
        problems=["invalid-query", "cannot-calculate-changes"],
    ),
)
def get_state(parts: Context, owner: CurrentOwner, query: Annotated[SessionQuery, Query()]) -> Response:
    return Answer(parts.database.read(lambda connection: session(connection, owner, query.known_state))).response()


@router.get(
    "/changes",
    **operation(
        "list_changes",
        "What changed since a state, page by page",
        tag=_TAG,
        access=OWNER,
        answer=ChangesOut,
        problems=["invalid-query", "cannot-calculate-changes"],
    ),
)
def list_changes(parts: Context, owner: CurrentOwner, query: Annotated[ChangesQuery, Query()]) -> Response:
    return Answer(parts.database.read(lambda connection: changes(connection, owner, query))).response()


@router.post(
    "/sync",
    **operation(
        "sync_holdings",
        "Send what a device did while it was offline",
        tag=_TAG,
        access=OWNER,
        body=SyncIn,
        example=SYNC,
        answer=SyncOut,
        problems=["cannot-calculate-changes", "state-mismatch"],
    ),
)
def sync(parts: Context, owner: CurrentOwner, body: JsonBody) -> Response:
    asked = read(SyncIn, body.value)
    raw = body.value.get("mutations", [])
    return Answer(parts.database.write(lambda connection: synchronise(connection, owner, asked, raw))).response()


@router.get(
    "/events",
    **operation(
        "watch_holdings",
        "A `state` event for each change (server-sent events); ends after a quarter of an hour",
        tag=_TAG,
        access=OWNER,
        answer="text/event-stream",
    ),
)
async def events(request: Request, parts: Context, _: CurrentOwner) -> Response:
    return StreamingResponse(
        _states(request, parts),
        media_type="text/event-stream",
        headers={"Cache-Control": "private, no-store", "X-Accel-Buffering": "no"},
    )


async def _states(request: Request, parts: runtime.Context) -> AsyncIterator[str]:
    """The state at once, then whenever it differs. The token is looked at again each time: a revoked one hears no more."""
    told = None
    for look in range(_LOOKS):
        owner = await run_in_threadpool(still_authenticated, request)
        if owner is None or await request.is_disconnected():
            return
        state = str(await run_in_threadpool(parts.database.read, lambda c, o=owner: AccountStore(c).state(o)))
        if state != told:
            told = state
            yield f"event: state\nid: {state}\ndata: {json.dumps({'state': state})}\n\n"
        elif look % 20 == 19:
            yield ": still here\n\n"
        await asyncio.sleep(_PAUSE_SECONDS)

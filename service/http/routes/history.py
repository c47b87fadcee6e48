"""The history of a set: which coin sat where, and until when."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.definitions.store import DefinitionStore
from service.http.declared import IDEMPOTENCY_KEY, OWNER, JsonBody, operation, with_headers
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import NOTE
from service.http.responses import Answer
from service.http.schemas.history import HistoryOut, HistoryQuery, NoteIn, NoteOut
from service.http.wire import read
from service.progress.actions.history import history_page, note

router = APIRouter(prefix="/v1/definitions")
_TAG = "History"


@router.post(
    "/{id}/history",
    **with_headers(
        operation(
            "note_history",
            "Note how the set stands: coins that came, left or were replaced since the last note",
            tag=_TAG,
            access=OWNER,
            body=NoteIn,
            example=NOTE,
            answer=NoteOut,
            problems=["not-found", "bad-request", "clash", "over-limit", "idempotency-key-reused"],
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def note_history(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody
) -> Response:
    # Whether it is there comes before what is wrong with the body.
    await run_in_threadpool(parts.database.read, lambda connection: DefinitionStore(connection, owner).line(id))
    return await note(request, parts, owner, id, body, read(NoteIn, body.value))


@router.get(
    "/{id}/history",
    **operation(
        "get_history",
        "Which coin sat in which place, and until when",
        tag=_TAG,
        access=OWNER,
        answer=HistoryOut,
        problems=["not-found", "invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def get_history(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[HistoryQuery, Query()]
) -> Response:
    found, headers = parts.database.read(lambda connection: history_page(connection, request, owner, id, query))
    return Answer(found, 200, headers).response()

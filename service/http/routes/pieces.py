"""What was measured on one piece, against its issue and the issues that look like it."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.http.declared import PERHAPS, JsonBody, operation
from service.http.dependencies import Context, OptionalOwner
from service.http.examples import PIECE_CHECK
from service.http.responses import Answer
from service.http.schemas.pieces import PieceCheckIn, PieceCheckOut
from service.measurements.actions import check_piece as weigh

router = APIRouter(prefix="/v1")


@router.post(
    "/piece-checks",
    **operation(
        "check_piece",
        "Check a piece's weight, size and magnetism against its issue and look-alikes",
        tag="Reference",
        access=PERHAPS,
        body=PieceCheckIn,
        example=PIECE_CHECK,
        answer=PieceCheckOut,
        problems=["not-found"],
    ),
)
async def check_piece(parts: Context, owner: OptionalOwner, body: JsonBody) -> Response:
    return Answer(await run_in_threadpool(weigh, parts.database, owner, body.value)).response()

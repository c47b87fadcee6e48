"""Several sets of one owner at once: one coin sits in one of them."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from service.http.declared import PERHAPS, EvaluationBody, operation
from service.http.dependencies import Context, OptionalOwner
from service.http.examples import ALLOCATIONS
from service.http.responses import Answer
from service.http.schemas.allocations import AllocationsIn, AllocationsOut
from service.http.wire import read
from service.progress.actions.allocations import allocate_sets

router = APIRouter(prefix="/v1")


@router.post(
    "/allocations",
    **operation(
        "allocate_holdings",
        "Share my coins out among several sets, each coin to one of them",
        tag="Evaluations",
        access=PERHAPS,
        body=AllocationsIn,
        also_yaml="The same body as YAML, up to 1 MiB.",
        example=ALLOCATIONS,
        answer=AllocationsOut,
        problems=["not-found", "over-limit"],
    ),
)
async def allocate_holdings(parts: Context, owner: OptionalOwner, body: EvaluationBody) -> Response:
    asked = read(AllocationsIn, body.value)
    return Answer(
        await parts.limiter.run(lambda: allocate_sets(parts.database, owner, asked, parts.today()))
    ).response()

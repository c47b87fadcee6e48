"""The check of a definition kept here (rules.md section 7); the stateless one stands with the evaluations."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.responses import Response

from service.http.declared import OWNER, operation
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.responses import Answer
from service.http.routes.stored_evaluations import CheckQuery
from service.http.schemas.evaluations import CheckIn, CheckOut
from service.progress.actions.evaluate import check_report

router = APIRouter(prefix="/v1/definitions")


@router.get(
    "/{id}/check",
    **operation(
        "check_mine",
        "Check a definition kept here: its draft, or one of its revisions",
        tag="Definitions",
        access=OWNER,
        answer=CheckOut,
        problems=["not-found", "invalid-query", "over-limit"],
    ),
)
async def check_mine(
    parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[CheckQuery, Query()]
) -> Response:
    where: dict[str, Any] = {"id": str(id)} | ({} if query.revision is None else {"revision": query.revision})
    asked = CheckIn(definition=where, today=query.today)
    return Answer(await parts.limiter.run(lambda: check_report(parts.database, owner, asked))).response()

"""Definitions: drafted, changed, published as immutable revisions, evaluated against the owner's holdings."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.accounts.store import AccountStore
from service.definitions.store import DefinitionStore
from service.http.conditional import is_known
from service.http.declared import (
    IF_NONE_MATCH,
    OWNER,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.responses import Answer
from service.http.routes.evaluations import evaluated
from service.http.schemas.evaluations import EvaluationOut
from service.http.wire import Day
from service.progress.actions.evaluate import evaluation_tag, find_revision, load_stored_set, today
from service.reference.store import IssueStore

router = APIRouter(prefix="/v1/definitions")
_TAG = "Definitions"
_ETAG = {"ETag": "The version, for If-Match."}


class CheckQuery(BaseModel):
    """Which revision to check, and for which day."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the draft, or else the newest revision."
    )
    today: Day | None = Field(None, description="The day to check for; left out: today in UTC.")


class MineQuery(BaseModel):
    """Which revision, and for which day."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


@router.get(
    "/{id}/evaluation",
    **with_headers(
        operation(
            "evaluate_mine",
            "A definition kept here against the holdings kept here",
            tag="Evaluations",
            access=OWNER,
            answer=EvaluationOut,
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of the definition, the holdings, the editions and the day."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def evaluation(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[MineQuery, Query()]
) -> Response:
    day = query.today or today()

    def look(connection: Connection) -> str:
        revision = find_revision(connection, owner, id, query.revision)
        decisions = DefinitionStore(connection, owner).decisions(id)
        own_version = IssueStore(connection, owner).version()
        return evaluation_tag(revision, str(AccountStore(connection).state(owner)), day, decisions, own_version)

    tag = await run_in_threadpool(parts.database.read, look)
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))
    # Read again with holdings and issues, in one snapshot: the answer and its tag then speak of the same state.
    mine = await run_in_threadpool(parts.database.read, lambda c: load_stored_set(c, owner, id, query.revision))
    answer = await parts.limiter.run(lambda: evaluated(mine.ask(day)))
    tag = evaluation_tag(mine.revision, mine.state, day, mine.decisions, mine.own.version)
    return Answer(answer, 200, {"ETag": tag}).response()

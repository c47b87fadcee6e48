"""Revisions: what changed between two, withdrawing one, and which of them the owner's set follows."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.analysis.diff_wording import text_lines
from service.definitions import actions
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.http.api.definitions import definition_tag
from service.http.conditional import accepted, if_match, is_known
from service.http.declared import IF_MATCH, IF_NONE_MATCH, OWNER, JsonBody, not_modified_or, operation, with_headers
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import ADOPTION, WITHDRAWAL
from service.http.responses import Answer
from service.http.schemas.definitions import DefinitionSummaryOut, summary
from service.http.schemas.revisions import (
    AdoptedOut,
    AdoptionIn,
    FollowedOut,
    ImpactOut,
    ImpactQuery,
    RevisionChangesOut,
    RevisionChangesQuery,
    WithdrawalIn,
    stamp,
)
from service.http.wire import RevisionNumber, read
from service.progress.actions.adoption import adopt as adopt_revision
from service.progress.actions.adoption import load_step, two_revisions
from service.progress.actions.evaluate import today

router = APIRouter(prefix="/v1/definitions")
_TAG = "Definitions"
_ETAG = {"ETag": "The version of the definition, for If-Match."}
_FORMS = {"json": "application/json", "text": "text/plain"}
_PRIVATE = {"Cache-Control": "private, no-cache", "X-Content-Type-Options": "nosniff"}


@router.get(
    "/{id}/changes",
    **with_headers(
        operation(
            "compare_revisions",
            "What changed from one revision to another, by its meaning",
            tag=_TAG,
            access=OWNER,
            answer=RevisionChangesOut,
            also_as=["text/plain"],
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of both revisions, the editions, the day and the form."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def compare_revisions(
    request: Request,
    parts: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[RevisionChangesQuery, Query()],
) -> Response:
    day, form = query.today or today(), query.format or accepted(request, _FORMS)
    two = await run_in_threadpool(parts.database.read, lambda c: two_revisions(c, owner, id, query.from_, query.to))
    tag = two.tag(day, form)
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))
    found = await parts.limiter.run(lambda: two.changes(day))
    headers = {"ETag": tag, "Vary": "Accept"}
    if form == "json":
        return Answer(found, 200, headers).response()
    text = text_lines(_title(two.old, two.new), [change["words"] for change in found["changes"]])
    return Response("\n".join([*text, ""]), 200, {**headers, **_PRIVATE}, "text/plain; charset=utf-8")


def _title(old: Revision, new: Revision) -> str:
    return f"{new.title}: from revision {old.number} to revision {new.number}"


@router.put(
    "/{id}/revisions/{number}/withdrawal",
    **with_headers(
        operation(
            "withdraw_revision",
            "Withdraw a published revision: it stays readable, and is no longer taken unless asked for",
            tag=_TAG,
            access=OWNER,
            body=WithdrawalIn,
            example=WITHDRAWAL,
            answer=DefinitionSummaryOut,
            problems=[
                "not-found",
                "bad-request",
                "clash",
                "stale",
                "precondition-required",
                "over-limit",
                "invalid-query",
            ],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def withdraw(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, number: RevisionNumber, body: JsonBody
) -> Response:
    expected = if_match(request)
    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    parts.database.read(lambda connection: expected.check(definition_tag(DefinitionStore(connection, owner).line(id))))
    reason = read(WithdrawalIn, body.value).reason
    line, revision = parts.database.write(
        lambda connection: actions.withdraw(
            connection, owner, id, number, reason, expect=lambda line: expected.check(definition_tag(line))
        )
    )
    return Answer(summary(revision), 200, {"ETag": definition_tag(line)}).response()


@router.get(
    "/{id}/impact",
    **with_headers(
        operation(
            "get_impact",
            "What following another revision would do to the set; nothing is stored",
            tag="Evaluations",
            access=OWNER,
            answer=ImpactOut,
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of both revisions, the holdings, the decisions, the editions and the day."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def get_impact(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[ImpactQuery, Query()]
) -> Response:
    day = query.today or today()
    step = await run_in_threadpool(parts.database.read, lambda connection: load_step(connection, owner, id, query.to))
    tag = step.tag(day)
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))
    return Answer(await parts.limiter.run(lambda: step.impact(day)), 200, {"ETag": tag}).response()


@router.get(
    "/{id}/adoption",
    **with_headers(
        operation(
            "get_adoption",
            "Which revision the set follows",
            tag="Evaluations",
            access=OWNER,
            answer=FollowedOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_adoption(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    def look(connection: Connection) -> tuple[StoredDefinition, Revision]:
        store = DefinitionStore(connection, owner)
        return store.line(id), store.followed(id)

    line, followed = parts.database.read(look)
    return not_modified_or(
        request, definition_tag(line), lambda: Answer({"adopted": line.adopted, "follows": stamp(followed)})
    )


@router.put(
    "/{id}/adoption",
    **with_headers(
        operation(
            "adopt_revision",
            "Let the set follow a revision; pins, nevers and notes go along where their places survive",
            tag="Evaluations",
            access=OWNER,
            body=AdoptionIn,
            example=ADOPTION,
            answer=AdoptedOut,
            problems=["not-found", "bad-request", "clash", "stale", "precondition-required", "over-limit"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
async def adopt(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody) -> Response:
    expected = if_match(request)
    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    line = await run_in_threadpool(parts.database.read, lambda c: DefinitionStore(c, owner).line(id))
    expected.check(definition_tag(line))
    line, answer = await adopt_revision(parts, owner, id, read(AdoptionIn, body.value), expected)
    return Answer(answer, 200, {"ETag": definition_tag(line)}).response()

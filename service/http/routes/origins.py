"""Where a definition came from: copies with their origin, and what is newer there."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.clubs.actions.upstream import ClubUpstream
from service.definitions.store import DefinitionStore
from service.http.conditional import if_match
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    JsonBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import COPY, PULL
from service.http.idempotency import idempotent
from service.http.problems import problem_of
from service.http.responses import Answer
from service.http.schemas.definition_imports import (
    CopyIn,
    OfferedOut,
    OriginCheckOut,
    OriginOut,
    PullIn,
    PullOut,
    origin_tag,
    shown_origin,
    summary_of_offered,
)
from service.http.schemas.definitions import DefinitionOut, line_tag, shown_revision
from service.http.wire import RevisionNumber, read
from service.sharing.actions import origins as actions
from service.sharing.actions.polling import check_origin
from service.sharing.actions.pulls import pull as pull_revision
from service.sharing.model import Origin, OriginRevision
from service.sharing.store import OriginStore

router = APIRouter(prefix="/v1/definitions")
_TAG = "Definitions"
_ETAG = {"ETag": "The version, for If-Match."}


@router.post(
    "/{id}/copies",
    **with_headers(
        operation(
            "copy_definition",
            "Draft a definition of one's own from a published revision, its origin recorded",
            tag=_TAG,
            access=OWNER,
            body=CopyIn,
            example=COPY,
            answer=DefinitionOut,
            status=201,
            problems=["not-found", "bad-request", "clash", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def copy_definition(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody
) -> Response:
    sent, now = read(CopyIn, body.value), parts.clock()
    copy = await actions.prepare_copy(parts, owner, id, sent.revision, sent.title)

    def act(connection: Connection) -> Answer:
        line, revision = actions.add_copy(connection, owner, sent.id, copy, now)
        headers = {"ETag": line_tag(line), "Location": f"/v1/definitions/{line.id}"}
        return Answer(shown_revision(revision, copy.definition), 201, headers)

    return await run_in_threadpool(idempotent, request, parts.database, owner, body, act)


@router.get(
    "/{id}/origin",
    **with_headers(
        operation(
            "get_origin",
            "Where a definition came from, and what is newer there",
            tag=_TAG,
            access=OWNER,
            answer=OriginOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    def find(connection: Connection) -> tuple[Origin, tuple[OriginRevision, ...]]:
        store = OriginStore(connection, owner)
        return store.get(id), store.available(id)

    origin, offered = parts.database.read(find)
    return not_modified_or(request, origin_tag(origin), lambda: Answer(shown_origin(origin, offered)))


@router.delete(
    "/{id}/origin",
    **with_headers(
        operation(
            "forget_origin",
            "Forget where a definition came from, link and all",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def forget(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    expected = if_match(request)
    parts.database.write(
        lambda c: actions.forget_origin(c, owner, id, expect=lambda origin: expected.check(origin_tag(origin)))
    )
    return Answer(None, 204).response()


@router.post(
    "/{id}/origin/checks",
    **operation(
        "check_origin",
        "Ask the origin whether there is something newer",
        tag=_TAG,
        access=OWNER,
        answer=OriginCheckOut,
        problems=["not-found", "clash", "asked-too-soon", "storage-full"],
    ),
)
async def check(parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    checked = await check_origin(parts, owner, id)
    problem = None
    if checked.error is not None:
        found = problem_of(checked.error)
        where = f"{parts.settings.public_url}/problems/{found.kind.name}"
        problem = {"type": where, "title": found.kind.title, "detail": found.detail}
    shown = shown_origin(checked.origin, checked.available)
    return Answer({"outcome": checked.outcome, "problem": problem, "origin": shown}).response()


@router.post(
    "/{id}/pulls",
    **with_headers(
        operation(
            "pull_revision",
            "Merge a newer revision of the origin into the draft; the set stays as it is until that is adopted",
            tag=_TAG,
            access=OWNER,
            body=PullIn,
            example=PULL,
            answer=PullOut,
            problems=["not-found", "bad-request", "clash", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
async def pull(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody) -> Response:
    expected = if_match(request)
    # Whether it is there comes before what is wrong with the body.
    await run_in_threadpool(parts.database.read, lambda connection: DefinitionStore(connection, owner).line(id))
    sent = read(PullIn, body.value)
    done = await pull_revision(
        parts, owner, id, sent.revision, sent.keep, ClubUpstream(), expect=lambda line: expected.check(line_tag(line))
    )
    answer = {
        "pulled": {"revision": done.pulled.number, "digest": done.pulled.digest},
        "kept": sent.keep,
        "conflicts": done.conflicts,
        "draft": shown_revision(done.draft, done.definition),
    }
    return Answer(answer, 200, {"ETag": line_tag(done.line)}).response()


@router.get(
    "/{id}/origin/revisions/{number}",
    **operation(
        "get_origin_revision",
        "A newer revision of the origin, as it was fetched",
        tag=_TAG,
        access=OWNER,
        answer=OfferedOut,
        problems=["not-found", "invalid-query"],
    ),
)
def get_offered(parts: Context, owner: CurrentOwner, id: DefinitionId, number: RevisionNumber) -> Response:
    offered = parts.database.read(lambda connection: OriginStore(connection, owner).one_offered(id, number))
    return Answer({**summary_of_offered(offered), "document": offered.document}).response()

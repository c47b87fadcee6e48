"""Exhibitions: a set as it is shown, with loans, frozen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.accounts.model import Owner
from service.database.ids import read_id
from service.definitions.history import actions
from service.definitions.history.model import Exhibition
from service.definitions.history.store import ExhibitionStore
from service.definitions.store import DefinitionStore
from service.errors import NotFound
from service.http.conditional import accepted, if_match, is_known
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
from service.http.examples import EXHIBITION
from service.http.idempotency import idempotent
from service.http.pagination import PageQuery, PlainPage, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.exhibitions import (
    ExhibitionIn,
    ExhibitionOut,
    ExhibitionPageOut,
    ExhibitionQuery,
    exhibition_tag,
    shown_exhibition,
    summary_of,
)
from service.progress.actions.exhibitions import prepare
from service.progress.exhibition import as_text

router = APIRouter(prefix="/v1/definitions")
_TAG = "Exhibitions"
_ETAG = {"ETag": "The version, for If-Match."}
_FORMS = {"json": "application/json", "text": "text/plain"}
_PRIVATE = {"Cache-Control": "private, no-cache"}


def _exhibition_id(exhibition_id: str) -> str:
    identity = read_id(exhibition_id)
    if identity is None:
        raise NotFound("exhibition", exhibition_id[:60])
    return identity


ExhibitionId = Annotated[str, Depends(_exhibition_id)]


@router.post(
    "/{id}/exhibitions",
    **with_headers(
        operation(
            "create_exhibition",
            "Freeze how the set is shown on a day, with loans",
            tag=_TAG,
            access=OWNER,
            body=ExhibitionIn,
            example=EXHIBITION,
            answer=ExhibitionOut,
            status=201,
            problems=["not-found", "bad-request", "over-limit", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def create(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: JsonBody) -> Response:
    sent, content = await prepare(parts, owner, id, body.value)

    def act(connection: Connection) -> Answer:
        kept = actions.exhibit(connection, owner, id, sent.title, sent.on, content)
        headers = {"ETag": exhibition_tag(kept), "Location": f"/v1/definitions/{id}/exhibitions/{kept.id}"}
        return Answer(shown_exhibition(kept), 201, headers)

    return await run_in_threadpool(idempotent, request, parts.database, owner, body, act)


@router.get(
    "/{id}/exhibitions",
    **operation(
        "list_exhibitions",
        "The exhibitions of a set, page by page",
        tag=_TAG,
        access=OWNER,
        answer=ExhibitionPageOut,
        problems=["not-found", "invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[PageQuery, Query()]
) -> Response:
    def find(connection: Connection) -> PlainPage:
        DefinitionStore(connection, owner).line(id)
        store = ExhibitionStore(connection, owner)
        return plain_page(
            request,
            query,
            lambda after, limit: store.page(id, identity_key(after), limit),
            lambda kept: kept.id,
            summary_of,
        )

    found = parts.database.read(find)
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/{id}/exhibitions/{exhibition_id}",
    **with_headers(
        operation(
            "get_exhibition",
            "An exhibition, as it was",
            tag=_TAG,
            access=OWNER,
            answer=ExhibitionOut,
            also_as=["text/plain"],
            problems=["not-found", "bad-request", "invalid-query"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(
    request: Request,
    parts: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    exhibition_id: ExhibitionId,
    query: Annotated[ExhibitionQuery, Query()],
) -> Response:
    kept = parts.database.read(lambda connection: _kept(connection, owner, id, exhibition_id))
    form = query.format or accepted(request, _FORMS)
    tag, shown = exhibition_tag(kept, form), shown_exhibition(kept)
    if form == "json" or is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(shown, 200, {"Vary": "Accept"}))
    return Response(as_text(shown), 200, {"ETag": tag, "Vary": "Accept", **_PRIVATE}, "text/plain; charset=utf-8")


@router.delete(
    "/{id}/exhibitions/{exhibition_id}",
    **with_headers(
        operation(
            "delete_exhibition",
            "Delete an exhibition",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, exhibition_id: ExhibitionId
) -> Response:
    expected = if_match(request)
    parts.database.write(
        lambda connection: actions.take_down(
            connection, owner, id, exhibition_id, expect=lambda kept: expected.check(exhibition_tag(kept))
        )
    )
    return Answer(None, 204).response()


def _kept(connection: Connection, owner: Owner, definition: str, identity: str) -> Exhibition:
    DefinitionStore(connection, owner).line(definition)
    return ExhibitionStore(connection, owner).get(definition, identity)

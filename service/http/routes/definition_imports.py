"""Definitions brought from a link or a file: looked at first, kept when their owner says so."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_NONE_MATCH,
    OWNER,
    DocumentBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionImportId
from service.http.examples import DEFINITION_IMPORT
from service.http.idempotency import done_before, idempotent
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.definition_imports import (
    DefinitionImportIn,
    DefinitionImportOut,
    DefinitionImportPageOut,
    asked_for,
    import_tag,
    shown_import,
    summary_of_import,
)
from service.http.schemas.definitions import DefinitionOut, line_tag, shown_revision
from service.reference import actions as reference
from service.rules.document import read as read_document
from service.sharing.actions import imports as actions
from service.sharing.store import DefinitionImportStore

router = APIRouter(prefix="/v1/imports")
_TAG = "Shares"
_AS_YAML = "The document itself, as YAML. In JSON, too, it may stand by itself."


@router.post(
    "",
    **with_headers(
        operation(
            "start_definition_import",
            "Bring a definition from a link or a file, to be looked at; nothing is kept yet",
            tag=_TAG,
            access=OWNER,
            body=DefinitionImportIn,
            also_yaml=_AS_YAML,
            example=DEFINITION_IMPORT,
            answer=DefinitionImportOut,
            status=201,
            problems=[
                "bad-request",
                "clash",
                "over-limit",
                "idempotency-key-reused",
                "address-not-allowed",
                "fetch-failed",
                "fetch-redirected",
                "fetch-too-large",
                "fetch-too-slow",
                "fetch-unreadable",
                "digest-mismatch",
            ],
            headers={"ETag": "Of the import as it stands.", "Location": "Where it waits."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def start(request: Request, parts: Context, owner: CurrentOwner, body: DocumentBody) -> Response:
    earlier = await run_in_threadpool(done_before, request, parts.database, owner, body)
    if earlier is not None:
        return earlier
    now = parts.clock()
    await run_in_threadpool(parts.database.read, lambda connection: actions.ensure_room(connection, owner, now))
    asked = await parts.compute(lambda: asked_for(body))
    brought = await actions.prepare_import(parts, asked)

    def act(connection: Connection) -> Answer:
        actions.add_import(connection, owner, brought)
        headers = {"ETag": import_tag(brought), "Location": f"/v1/imports/{brought.id}"}
        return Answer(shown_import(brought), 201, headers)

    return await run_in_threadpool(idempotent, request, parts.database, owner, body, act)


@router.get(
    "",
    **operation(
        "list_definition_imports",
        "Imports that wait, or were confirmed lately, page by page",
        tag=_TAG,
        access=OWNER,
        answer=DefinitionImportPageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, owner: CurrentOwner, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: DefinitionImportStore(connection, owner).page(
                identity_key(after), limit, parts.clock()
            ),
            lambda brought: brought.id,
            summary_of_import,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/{id}",
    **with_headers(
        operation(
            "get_definition_import",
            "One import: the document, its places in words, and what the check found",
            tag=_TAG,
            access=OWNER,
            answer=DefinitionImportOut,
            problems=["not-found", "bad-request"],
            headers={"ETag": "Of the import as it stands."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionImportId) -> Response:
    brought = parts.database.read(lambda connection: DefinitionImportStore(connection, owner).get(id, parts.clock()))
    return not_modified_or(request, import_tag(brought), lambda: Answer(shown_import(brought)))


@router.post(
    "/{id}/confirmation",
    **with_headers(
        operation(
            "confirm_definition_import",
            "Keep an import as a definition of one's own, published as it came, with its origin",
            tag=_TAG,
            access=OWNER,
            answer=DefinitionOut,
            status=201,
            problems=["not-found", "bad-request", "clash", "idempotency-key-reused"],
            headers={"ETag": "The version, for If-Match.", "Location": "Where the definition is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def confirm(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionImportId) -> Response:
    now = parts.clock()
    brought = await run_in_threadpool(parts.database.read, lambda c: DefinitionImportStore(c, owner).get(id, now))
    definition = await parts.limiter.run(lambda: read_document(brought.document, vocabularies=reference.vocabularies()))

    def act(connection: Connection) -> Answer:
        line, revision = actions.confirm_import(connection, owner, id, now)
        headers = {"ETag": line_tag(line), "Location": f"/v1/definitions/{line.id}"}
        return Answer(shown_revision(revision, definition), 201, headers)

    return await run_in_threadpool(idempotent, request, parts.database, owner, None, act)


@router.delete(
    "/{id}",
    **operation(
        "drop_definition_import",
        "Drop an import; a definition that became of it stays",
        tag=_TAG,
        access=OWNER,
        answer=None,
        status=204,
        problems=["not-found"],
    ),
)
def drop(parts: Context, owner: CurrentOwner, id: DefinitionImportId) -> Response:
    # Without If-Match: nothing is lost that could not be brought again.
    parts.database.write(lambda connection: actions.drop_import(connection, owner, id, parts.clock()))
    return Answer(None, 204).response()

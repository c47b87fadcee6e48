"""Many holdings at once: brought from a sheet, taken back as a whole, and the whole collection taken away."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service.definitions.actions import known_attributes
from service.facts.core import CORE
from service.formats.strict_json import XLSX
from service.holdings.imports import write as actions
from service.holdings.imports.actions import carry_out, preview, read_import
from service.holdings.imports.export import as_csv, as_json, as_workbook
from service.holdings.imports.store import ImportStore
from service.holdings.store import HoldingStore
from service.http.declared import IDEMPOTENCY_KEY, OWNER, SheetBody, operation, with_csv, with_file, with_headers
from service.http.dependencies import Context, CurrentOwner, ImportId
from service.http.examples import HOLDINGS_CSV, HOLDINGS_IMPORT
from service.http.idempotency import idempotent
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.holdings import read_fields
from service.http.schemas.imports import (
    ExportedOut,
    ExportQuery,
    HoldingImportOut,
    HoldingImportPageOut,
    HoldingsImportIn,
    HoldingsImportOut,
    HoldingsImportQuery,
    shown_import,
)

router = APIRouter(prefix="/v1/holdings")
_TAG = "Imports"
_SHEET = (
    "One row for each holding; the first row has the headings, which are guessed where they are no names of fields. The "
    "delimiter is a comma, a semicolon or a tab. A blank cell: not recorded (where the holding is there already, no longer "
    "recorded); a hyphen: known to be none; 1892|1893: one of these; 1890-1895 or 1890..1895: between; several terms: "
    "separated by ; ; what begins with { [ or a quote: JSON, as in facts. A row is about the holding of its `id`, else of "
    "its `number`, else a new one."
)
_WORKBOOK = "The same as the first visible sheet of a spreadsheet file; of formulas their values count."
_KINDS = {"csv": "text/csv; charset=utf-8", "xlsx": XLSX}


@router.post(
    "/imports",
    **with_file(
        with_csv(
            with_headers(
                operation(
                    "import_holdings",
                    "Record or change many holdings at once, all or none",
                    tag=_TAG,
                    access=OWNER,
                    body=HoldingsImportIn,
                    example=HOLDINGS_IMPORT,
                    answer=HoldingsImportOut,
                    problems=["bad-request", "invalid-query", "over-limit", "clash", "idempotency-key-reused"],
                ),
                IDEMPOTENCY_KEY,
            ),
            _SHEET,
            HOLDINGS_CSV,
        ),
        XLSX,
        _WORKBOOK,
    ),
)
def imports(
    request: Request,
    parts: Context,
    owner: CurrentOwner,
    query: Annotated[HoldingsImportQuery, Query()],
    body: SheetBody,
) -> Response:
    attributes = parts.database.read(lambda connection: known_attributes(connection, owner, CORE))
    looked = read_import(body, query, attributes)
    if query.dry_run:
        return Answer(parts.database.read(lambda c: preview(c, owner, looked, attributes))).response()

    def act(connection: Connection) -> Answer:
        return Answer(carry_out(connection, owner, looked, query, attributes))

    return idempotent(request, parts.database, owner, body, act)


@router.get(
    "/imports",
    **operation(
        "list_imports",
        "The imports that were carried out, the newest first",
        tag=_TAG,
        access=OWNER,
        answer=HoldingImportPageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, owner: CurrentOwner, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: ImportStore(connection, owner).page(identity_key(after), limit),
            lambda kept: kept.id,
            shown_import,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/imports/{import_id}",
    **operation(
        "get_import",
        "One import, with what undoing it did",
        tag=_TAG,
        access=OWNER,
        answer=HoldingImportOut,
        problems=["not-found"],
    ),
)
def get(parts: Context, owner: CurrentOwner, import_id: ImportId) -> Response:
    kept = parts.database.read(lambda connection: ImportStore(connection, owner).get(import_id))
    return Answer(shown_import(kept)).response()


@router.post(
    "/imports/{import_id}/undo",
    **with_headers(
        operation(
            "undo_import",
            "Take a whole import back, but for what was changed since",
            tag=_TAG,
            access=OWNER,
            answer=HoldingImportOut,
            problems=["not-found", "bad-request", "clash", "idempotency-key-reused", "storage-full"],
        ),
        IDEMPOTENCY_KEY,
    ),
)
def undo(request: Request, parts: Context, owner: CurrentOwner, import_id: ImportId) -> Response:
    def act(connection: Connection) -> Answer:
        attributes = known_attributes(connection, owner, CORE)
        return Answer(shown_import(actions.undo(connection, owner, import_id, attributes, check=read_fields)))

    return idempotent(request, parts.database, owner, None, act)


@router.get(
    "/export",
    **operation(
        "export_holdings",
        "The whole collection, to be imported again without loss",
        tag=_TAG,
        access=OWNER,
        answer=ExportedOut,
        also_as=["text/csv", XLSX],
        problems=["invalid-query", "over-limit"],
        headers={"Content-Disposition": "A name for the file."},
    ),
)
def export(parts: Context, owner: CurrentOwner, query: Annotated[ExportQuery, Query()]) -> Response:
    stored = parts.database.read(lambda connection: HoldingStore(connection, owner).all())
    named = {"Content-Disposition": f'attachment; filename="holdings.{query.format}"'}
    if query.format == "json":
        return Answer(as_json(stored), 200, named).response()
    made = as_csv(stored, CORE) if query.format == "csv" else as_workbook(stored, CORE)
    return Response(made, 200, {"Cache-Control": "private, no-cache", **named}, _KINDS[query.format])

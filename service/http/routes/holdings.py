"""The collection: holdings recorded, read, changed, deleted."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.definitions.actions import known_attributes
from service.errors import Invalid
from service.facts.core import CORE
from service.formats.strict_json import MERGE_PATCH
from service.holdings import actions
from service.holdings.store import HoldingStore
from service.http.conditional import if_match
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    Body,
    JsonBody,
    PatchBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, HoldingId
from service.http.examples import HOLDING, PATCH
from service.http.idempotency import idempotent
from service.http.pagination import identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.holdings import (
    HoldingIn,
    HoldingOut,
    HoldingPageOut,
    HoldingPatch,
    advised_holding,
    holding_tag,
    read_fields,
    read_patch,
    shown_holding,
)
from service.http.wire import read
from service.progress.actions.search import Selection, SelectionQuery

router = APIRouter(prefix="/v1/holdings")
_TAG = "Holdings"
_ETAG = {"ETag": "The version, for If-Match."}


@router.post(
    "",
    **with_headers(
        operation(
            "create_holding",
            "Record a holding",
            tag=_TAG,
            access=OWNER,
            body=HoldingIn,
            example=HOLDING,
            answer=HoldingOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def create(request: Request, parts: Context, owner: CurrentOwner, body: JsonBody) -> Response:
    sent = _sent(parts, owner, body)

    def act(connection: Connection) -> Answer:
        attributes = known_attributes(connection, owner, CORE)
        stored = actions.record(connection, owner, sent.id, sent.model_dump(exclude={"id"}), attributes)
        headers = {"ETag": holding_tag(stored), "Location": f"/v1/holdings/{stored.id}"}
        return Answer(advised_holding(stored, attributes), 201, headers)

    return idempotent(request, parts.database, owner, body, act)


@router.get(
    "",
    **operation(
        "list_holdings",
        "The owner's holdings, filtered and sorted, page by page",
        tag=_TAG,
        access=OWNER,
        answer=HoldingPageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(
    request: Request, parts: Context, owner: CurrentOwner, query: Annotated[SelectionQuery, Query()]
) -> Response:
    if query.is_plain:
        found = parts.database.read(
            lambda connection: plain_page(
                request,
                query,
                lambda after, limit: HoldingStore(connection, owner).page(identity_key(after), limit),
                lambda stored: stored.id,
                shown_holding,
            )
        )
        return Answer(found.as_json(), 200, found.headers()).response()
    narrowed = parts.database.read(lambda connection: Selection(connection, owner, query)).narrowed()
    found = plain_page(request, query, narrowed.after, narrowed.key, lambda entry: shown_holding(entry[1]))
    total = {"total": len(narrowed.entries)} if query.count else {}
    return Answer({**found.as_json(), **total}, 200, found.headers()).response()


@router.get(
    "/{id}",
    **with_headers(
        operation(
            "get_holding",
            "One holding",
            tag=_TAG,
            access=OWNER,
            answer=HoldingOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: HoldingId) -> Response:
    stored, attributes = parts.database.read(
        lambda connection: (HoldingStore(connection, owner).get(id), known_attributes(connection, owner, CORE))
    )
    return not_modified_or(request, holding_tag(stored), lambda: Answer(advised_holding(stored, attributes)))


@router.patch(
    "/{id}",
    **with_headers(
        operation(
            "change_holding",
            "Change a holding (JSON Merge Patch)",
            tag=_TAG,
            access=OWNER,
            body=HoldingPatch,
            body_type=MERGE_PATCH,
            example=PATCH,
            answer=HoldingOut,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def change(request: Request, parts: Context, owner: CurrentOwner, id: HoldingId, body: PatchBody) -> Response:
    expected, patch = if_match(request), read_patch(body.value)

    def act(connection: Connection) -> Answer:
        attributes = known_attributes(connection, owner, CORE)
        stored = actions.change(
            connection,
            owner,
            id,
            patch,
            attributes,
            expect=lambda before: expected.check(holding_tag(before)),
            check=read_fields,
        )
        return Answer(advised_holding(stored, attributes), 200, {"ETag": holding_tag(stored)})

    return parts.database.write(act).response()


@router.delete(
    "/{id}",
    **with_headers(
        operation(
            "delete_holding",
            "Delete a holding",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(request: Request, parts: Context, owner: CurrentOwner, id: HoldingId) -> Response:
    expected = if_match(request)
    parts.database.write(
        lambda connection: actions.destroy(
            connection, owner, id, expect=lambda before: expected.check(holding_tag(before))
        )
    )
    return Answer(None, 204).response()


def _sent(parts: runtime.Context, owner: Owner, body: Body) -> HoldingIn:
    """The new holding; when its form is wrong, what is wrong with its facts is told along."""
    try:
        return read(HoldingIn, body.value)
    except Invalid as refusal:
        facts = body.value.get("facts") if isinstance(body.value, dict) else None
        if not isinstance(facts, dict):
            raise
        attributes = parts.database.read(lambda connection: known_attributes(connection, owner, CORE))
        raise Invalid([*refusal.faults, *actions.faults_of_facts(facts, attributes)]) from None

"""Links to one revision of a definition: made, listed, revoked by their owner; opened by whoever has one, without an
account. What a link shows never says whose it is, and every link that leads nowhere is answered in the same words."""

from __future__ import annotations

import io
from contextlib import suppress
from typing import Annotated

import segno
from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, Response

from service import runtime
from service.accounts.model import token_digest
from service.errors import SetwrightError
from service.http.conditional import accepted, is_known
from service.http.declared import IF_NONE_MATCH, OPEN, OWNER, JsonBody, not_modified_or, operation, with_headers
from service.http.dependencies import Context, CurrentOwner, ShareId
from service.http.examples import SHARE
from service.http.pages import SHARED_POLICY, shared_page
from service.http.pagination import PageQuery, identity_key, number_key, plain_page
from service.http.problems import base_url
from service.http.responses import NO_STORE, Answer
from service.http.routes.definitions import RevisionNumber
from service.http.schemas.shares import (
    SharedOut,
    SharedQuery,
    SharedRevisionPageOut,
    ShareIn,
    ShareMadeOut,
    ShareOut,
    SharePageOut,
    new_share,
    share_tag,
    shared_document,
    shared_summary,
    shared_tag,
    shown_share,
)
from service.http.wire import read
from service.reference import actions as reference
from service.rules.document import read as read_document
from service.rules.wording import read_aloud
from service.rules.yaml_text import as_yaml
from service.sharing.actions import shares as actions
from service.sharing.actions.shares import SharedRevision
from service.sharing.store import SharedStore, ShareStore

router = APIRouter()
_TAG = "Shares"
_NEXT = {"Link": "The next page, with rel=next."}
_FORMS = {"json": "application/json", "yaml": "application/yaml", "html": "text/html"}
# A link is a key. It is kept out of caches, indexes and the addresses that other places are told.
SHARED_HEADERS = {"Cache-Control": "private, no-store", "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex"}


@router.post(
    "/v1/shares",
    **operation(
        "create_share",
        "Make a link to a published revision; it is told once",
        tag=_TAG,
        access=OWNER,
        body=ShareIn,
        example=SHARE,
        answer=ShareMadeOut,
        status=201,
        problems=["not-found"],
        headers={"Location": "Where the share is kept."},
    ),
)
def create(request: Request, parts: Context, owner: CurrentOwner, body: JsonBody) -> Response:
    # Without Idempotency-Key, as for all that makes a secret: a remembered answer would keep it.
    now = parts.clock()
    made = new_share(read(ShareIn, body.value), now)
    secret = parts.database.write(lambda connection: actions.share(connection, owner, made))
    link = _link(request, secret)
    told = {**shown_share(made, now), "link": link, "qr_svg": _qr(link).svg_inline(scale=4)}
    return Answer(told, 201, {**NO_STORE, "Location": f"/v1/shares/{made.id}"}).response()


@router.get(
    "/v1/shares",
    **operation(
        "list_shares",
        "Shares, page by page, without their links",
        tag=_TAG,
        access=OWNER,
        answer=SharePageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def listing(request: Request, parts: Context, owner: CurrentOwner, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: ShareStore(connection, owner).page(identity_key(after), limit),
            lambda share: share.id,
            lambda share: shown_share(share, parts.clock()),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/v1/shares/{id}",
    **with_headers(
        operation(
            "get_share",
            "One share, without its link",
            tag=_TAG,
            access=OWNER,
            answer=ShareOut,
            problems=["not-found", "bad-request"],
            headers={"ETag": "Of the share as it stands."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: ShareId) -> Response:
    share, now = parts.database.read(lambda connection: ShareStore(connection, owner).get(id)), parts.clock()
    return not_modified_or(request, share_tag(share, now), lambda: Answer(shown_share(share, now)))


@router.delete(
    "/v1/shares/{id}",
    **operation(
        "revoke_share",
        "Revoke a link: from the next request on it leads nowhere",
        tag=_TAG,
        access=OWNER,
        answer=None,
        status=204,
        problems=["not-found"],
    ),
)
def revoke(parts: Context, owner: CurrentOwner, id: ShareId) -> Response:
    # Without If-Match: a link that went astray is revoked whatever was changed meanwhile.
    parts.database.write(lambda connection: ShareStore(connection, owner).revoke(id, parts.clock()))
    return Answer(None, 204).response()


@router.get(
    "/v1/shared/{secret}",
    **with_headers(
        operation(
            "get_shared",
            "What a link leads to: JSON, YAML, or a page with the places in words",
            tag=_TAG,
            access=OPEN,
            answer=SharedOut,
            also_as=["application/yaml", "text/html"],
            problems=["not-found", "bad-request", "invalid-query", "busy", "not-ready"],
            headers={"ETag": "Of the revision, of what is newer, and of the form."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def get_shared(request: Request, parts: Context, secret: str, query: Annotated[SharedQuery, Query()]) -> Response:
    form = query.format or accepted(request, _FORMS)
    shown = await run_in_threadpool(_opened, parts, secret)
    headers = {**SHARED_HEADERS, "ETag": shared_tag(shown, form), "Vary": "Accept"}
    if is_known(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    await run_in_threadpool(_use, parts, secret, shown)
    if form == "json":
        return Answer(shared_document(shown), 200, headers).response()
    if form == "yaml":
        written = await parts.limiter.run(lambda: as_yaml(shown.revision.document))
        return Response(written, 200, headers, "application/yaml; charset=utf-8")
    drawn = await parts.limiter.run(lambda: _page(shown, _link(request, secret)))
    return HTMLResponse(drawn, 200, {**headers, "Content-Security-Policy": SHARED_POLICY})


@router.get(
    "/v1/shared/{secret}/qr",
    **operation(
        "get_shared_qr",
        "The link as a QR code",
        tag=_TAG,
        access=OPEN,
        answer="image/svg+xml",
        problems=["not-found", "not-ready"],
    ),
)
def qr(request: Request, parts: Context, secret: str) -> Response:
    _opened(parts, secret)
    drawn = io.BytesIO()
    _qr(_link(request, secret)).save(drawn, kind="svg", scale=4, xmldecl=False)
    # An SVG is a document: opened by itself it is to do nothing either.
    headers = {**SHARED_HEADERS, "Content-Security-Policy": "default-src 'none'"}
    return Response(drawn.getvalue(), 200, headers, "image/svg+xml")


@router.get(
    "/v1/shared/{secret}/revisions",
    **operation(
        "list_shared_revisions",
        "The revisions that a link shows: its own, and later ones if it follows",
        tag=_TAG,
        access=OPEN,
        answer=SharedRevisionPageOut,
        problems=["not-found", "invalid-query", "not-ready"],
        headers=_NEXT,
    ),
)
def revisions(request: Request, parts: Context, secret: str, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: actions.shown_revisions(connection, secret, parts.clock(), number_key(after), limit),
            lambda revision: str(revision.number),
            shared_summary,
        )
    )
    return Answer(found.as_json(), 200, {**found.headers(), **SHARED_HEADERS}).response()


@router.get(
    "/v1/shared/{secret}/revisions/{number}",
    **with_headers(
        operation(
            "get_shared_revision",
            "One revision that a link shows",
            tag=_TAG,
            access=OPEN,
            answer=SharedOut,
            problems=["not-found", "bad-request", "invalid-query", "busy", "not-ready"],
            headers={"ETag": "Of the revision, and of what is newer."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_shared_revision(request: Request, parts: Context, secret: str, number: RevisionNumber) -> Response:
    shown = _opened(parts, secret, number)
    headers = {**SHARED_HEADERS, "ETag": shared_tag(shown, "json")}
    if is_known(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    _use(parts, secret, shown)
    return Answer(shared_document(shown), 200, headers).response()


def _opened(parts: runtime.Context, secret: str, number: int | None = None) -> SharedRevision:
    return parts.database.read(lambda connection: actions.opened(connection, secret, parts.clock(), number))


def _use(parts: runtime.Context, secret: str, shown: SharedRevision) -> None:
    """Counts the use where uses are counted, else notes it now and then. Asking again what is new (304) is none."""
    digest, now = token_digest(secret), parts.clock()
    if shown.share.uses_left is not None:
        parts.database.write(lambda connection: SharedStore(connection).spend(digest, now))
    elif shown.share.is_worth_noting(now):
        # That it could not be written is no reason to refuse a request that only reads.
        with suppress(SetwrightError):
            parts.database.write(lambda connection: SharedStore(connection).note_use(digest, now))


def _link(request: Request, secret: str) -> str:
    return f"{base_url(request)}/v1/shared/{secret}"


def _qr(link: str) -> segno.QRCode:
    return segno.make_qr(link, error="m")


def _page(shown: SharedRevision, link: str) -> str:
    revision, document = shown.revision, shown.revision.document
    # The first sentence is the title.
    in_words = read_aloud(read_document(document, vocabularies=reference.vocabularies()))[1:]
    return shared_page(
        revision.title,
        str(document.get("summary", "")),
        str(document.get("language", "en")),
        in_words,
        revision=revision.number,
        newest=shown.newest,
        digest=revision.digest,
        published_at=revision.created_at,
        qr_svg=_qr(link).svg_inline(scale=3),
    )

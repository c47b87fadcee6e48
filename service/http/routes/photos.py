"""Photos of a holding: its obverse, its reverse, its edge."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.errors import NotFound
from service.holdings.photos import actions
from service.holdings.photos.images import JPEG, PHOTO_TYPES, PNG, WEBP, Photo, name_of, prepare
from service.holdings.photos.store import KeptPhoto, PhotoStore
from service.holdings.store import HoldingStore
from service.http.conditional import if_match, is_known
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    Body,
    PhotoBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, HoldingId, stored_id
from service.http.idempotency import idempotent
from service.http.responses import Answer
from service.http.schemas.photos import (
    ImageQuery,
    PhotoOut,
    PhotoPageOut,
    PhotoQuery,
    address_of,
    image_tag,
    photo_tag,
    shown_photo,
)

router = APIRouter(prefix="/v1/holdings")
_TAG = "Photos"
_ETAG = {"ETag": "The version, for If-Match."}
# The same address has the same bytes for as long as there is something at it.
_FOREVER = "private, max-age=31536000, immutable"


def _photo_id(photo_id: str) -> str:
    return stored_id("photo")(photo_id)


PhotoId = Annotated[str, Depends(_photo_id)]


@router.post(
    "/{id}/photos",
    **with_headers(
        operation(
            "add_photo",
            "Keep a photo of one side of a piece",
            tag=_TAG,
            access=OWNER,
            files=dict.fromkeys(PHOTO_TYPES, "One still picture. It is drawn anew: nothing but its pixels is kept."),
            answer=PhotoOut,
            status=201,
            problems=[
                "not-found",
                "bad-request",
                "invalid-query",
                "over-limit",
                "clash",
                "quota-full",
                "idempotency-key-reused",
            ],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def add(
    request: Request,
    parts: Context,
    owner: CurrentOwner,
    id: HoldingId,
    query: Annotated[PhotoQuery, Query()],
    body: PhotoBody,
) -> Response:
    # Whether the holding is there comes before what is wrong with the body.
    await run_in_threadpool(parts.database.read, lambda connection: HoldingStore(connection, owner).get(id))
    photo = await parts.photo_limiter.run(lambda: prepare(body.raw, body.kind))
    return await run_in_threadpool(_kept, request, parts, owner, id, query.side, body, photo)


@router.get(
    "/{id}/photos",
    **operation(
        "list_photos",
        "The photos of a holding",
        tag=_TAG,
        access=OWNER,
        answer=PhotoPageOut,
        problems=["not-found"],
    ),
)
def listing(parts: Context, owner: CurrentOwner, id: HoldingId) -> Response:
    def find(connection: Connection) -> tuple[KeptPhoto, ...]:
        HoldingStore(connection, owner).get(id)
        return PhotoStore(connection, owner).of(id)

    return Answer({"items": [shown_photo(kept) for kept in parts.database.read(find)], "next": None}).response()


@router.get(
    "/{id}/photos/{photo_id}",
    **with_headers(
        operation(
            "get_photo",
            "What is known of a photo",
            tag=_TAG,
            access=OWNER,
            answer=PhotoOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: HoldingId, photo_id: PhotoId) -> Response:
    kept = parts.database.read(lambda connection: actions.find(connection, owner, id, photo_id))
    return not_modified_or(request, photo_tag(kept), lambda: Answer(shown_photo(kept)))


@router.get(
    "/{id}/photos/{photo_id}/image",
    **with_headers(
        operation(
            "get_photo_image",
            "The image of a photo, whole or small",
            tag=_TAG,
            access=OWNER,
            answer=JPEG,
            also_as=[PNG, WEBP],
            problems=["not-found", "bad-request", "invalid-query"],
            headers={"ETag": "The digest of the image.", "Cache-Control": "It may be kept for good, by its owner."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def image(
    request: Request,
    parts: Context,
    owner: CurrentOwner,
    id: HoldingId,
    photo_id: PhotoId,
    query: Annotated[ImageQuery, Query()],
) -> Response:
    kept = parts.database.read(lambda connection: actions.find(connection, owner, id, photo_id))
    headers = {"ETag": image_tag(kept, query.size), "Cache-Control": _FOREVER}
    if is_known(request, headers["ETag"]):
        return Response(status_code=304, headers=headers)
    content = parts.blobs.get(owner.id, name_of(kept.digest, query.size))
    if content is None:
        # Deleted meanwhile, or lost by whoever keeps the shelf.
        raise NotFound("image of the photo", photo_id)
    return Response(content, 200, headers, kept.kind)


@router.delete(
    "/{id}/photos/{photo_id}",
    **with_headers(
        operation(
            "delete_photo",
            "Delete a photo",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(request: Request, parts: Context, owner: CurrentOwner, id: HoldingId, photo_id: PhotoId) -> Response:
    expected = if_match(request)
    actions.remove(
        parts.database,
        parts.blobs,
        owner,
        id,
        photo_id,
        expect=lambda kept: expected.check(photo_tag(kept)),
    )
    return Answer(None, 204).response()


def _kept(
    request: Request, parts: runtime.Context, owner: Owner, holding: str, side: str, body: Body, photo: Photo
) -> Response:
    quota = actions.Quota(parts.settings.photos_quota_bytes, parts.settings.photos_per_holding)

    def act(connection: Connection) -> Answer:
        kept = actions.add(connection, owner, parts.blobs, holding, side, photo, quota)
        return Answer(shown_photo(kept), 201, {"ETag": photo_tag(kept), "Location": address_of(kept)})

    with actions.on_the_shelf(parts.database, parts.blobs, owner, photo):
        return idempotent(request, parts.database, owner, body, act)

"""Photos of a holding: its obverse, its reverse, its edge."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import Query
from msgspec import Meta
from pydantic import Field
from sqlalchemy import Connection
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.holdings.photos import actions
from service.holdings.photos.images import FULL, PHOTO_TYPES, Photo
from service.holdings.photos.store import StoredPhoto
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, File, HoldingId, PhotoId, file_body
from service.http.idempotency import IdempotencyKey, RepeatableRequest
from service.http.openapi import problems, router
from service.http.responses import Created, Reply, Sends, Tagged, created
from service.http.wire import Out, PageOut, QueryIn

photos = router("/v1/holdings", "Photos")

# The same address has the same bytes for as long as there is something at it.
_FOREVER = "private, max-age=31536000, immutable"
_IMAGE_HEADERS = {"ETag": "The digest of the image.", "Cache-Control": "It may be kept for good, by its owner."}
_STILL = "One still picture. It is drawn anew: nothing but its pixels is kept."
PhotoBody = Annotated[File, file_body(dict.fromkeys(PHOTO_TYPES, _STILL), "photo_bytes")]
PhotoSide = Literal["obverse", "reverse", "edge"]


class PhotoQuery(QueryIn):
    """The query parameters of a new photo."""

    side: PhotoSide = Field(description="What the photo shows.")


class ImageQuery(QueryIn):
    """The query parameters of an image."""

    size: Literal["full", "640", "160"] = Field(
        "full", description="The whole image, or one of at most so many pixels in width and height."
    )


class PhotoOut(Out):
    """What is known of a photo."""

    id: str
    side: PhotoSide
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    width: Annotated[int, Meta(description="In pixels, upright.")]
    height: int
    bytes: Annotated[int, Meta(description="Of the whole image.")]
    sha256: Annotated[str, Meta(description="Of the whole image as it is kept: drawn anew, without metadata.")]
    added_at: datetime
    image: Annotated[str, Meta(description="Where the image is.")]


def photo_out(kept: StoredPhoto) -> PhotoOut:
    """A photo as it is sent."""
    about = (kept.id, kept.side, kept.kind, kept.width, kept.height, kept.bytes, kept.digest, kept.added_at)
    return PhotoOut(*about, f"{_address(kept)}/image")  # type: ignore[arg-type]


def photo_tag(kept: StoredPhoto) -> str:
    """A photo never changes; it is there or not."""
    return entity_tag("photo", kept.id, kept.side, kept.digest)


def _address(kept: StoredPhoto) -> str:
    return f"/v1/holdings/{kept.holding_id}/photos/{kept.id}"


@photos.post("/{id}/photos", responses=problems("over-limit", "clash", "quota-full"))
async def add_photo(
    context: Context,
    owner: CurrentOwner,
    id: HoldingId,
    query: Annotated[PhotoQuery, Query()],
    key: IdempotencyKey,
    body: PhotoBody,
) -> Created[PhotoOut]:
    """Keep a photo of one side of a piece."""
    photo = await actions.prepared(context, owner, id, body.raw, body.kind)
    return await context.run(lambda: _added(context, owner, key, id, query.side, photo))


@photos.get("/{id}/photos")
def list_photos(context: Context, owner: CurrentOwner, id: HoldingId) -> PageOut[PhotoOut]:
    """The photos of a holding."""
    found = context.database.read(lambda connection: actions.of_holding(connection, owner, id))
    return PageOut([photo_out(kept) for kept in found], None)


@photos.get("/{id}/photos/{photo_id}")
def get_photo(
    context: Context, owner: CurrentOwner, id: HoldingId, photo_id: PhotoId, known: IfNoneMatch
) -> Tagged[PhotoOut]:
    """What is known of a photo."""
    kept = context.database.read(lambda connection: actions.find(connection, owner, id, photo_id))
    return known.not_modified_or(photo_tag(kept), lambda: photo_out(kept))


@photos.get("/{id}/photos/{photo_id}/image")
def get_photo_image(
    context: Context,
    owner: CurrentOwner,
    id: HoldingId,
    photo_id: PhotoId,
    query: Annotated[ImageQuery, Query()],
    known: IfNoneMatch,
) -> Annotated[Response, Sends(headers=_IMAGE_HEADERS, media=PHOTO_TYPES)]:
    """The image of a photo, whole or small."""
    kept = context.database.read(lambda connection: actions.find(connection, owner, id, photo_id))
    tag = f'"{kept.digest}"' if query.size == FULL else f'"{kept.digest}-{query.size}"'
    headers = {"ETag": tag, "Cache-Control": _FOREVER}
    if known.include(tag):
        return Response(status_code=304, headers=headers)
    return Response(actions.image_of(context, owner, kept, query.size), 200, headers, kept.kind)


@photos.delete("/{id}/photos/{photo_id}")
def delete_photo(context: Context, owner: CurrentOwner, id: HoldingId, photo_id: PhotoId, expected: IfMatch) -> None:
    """Delete a photo."""
    actions.remove(
        context.database, context.blobs, owner, id, photo_id, expect=lambda kept: expected.check(photo_tag(kept))
    )


def _added(
    context: runtime.Context, owner: Owner, key: RepeatableRequest, holding: str, side: PhotoSide, photo: Photo
) -> Reply[PhotoOut]:
    quota = actions.Quota(context.settings.photos_quota_bytes, context.settings.photos_per_holding)

    def act(connection: Connection) -> Reply[PhotoOut]:
        kept = actions.add(connection, owner, context.blobs, holding, side, photo, quota, context.now())
        return created(photo_out(kept), _address(kept), photo_tag(kept))

    with actions.bytes_kept(context.database, context.blobs, owner, photo):
        return key.once(context.database, owner, act)

"""Photos of a holding: its obverse, its reverse, its edge; and the files that devices send under their SHA-256."""

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
from service.holdings.model import PhotoSide
from service.holdings.photos import actions
from service.holdings.photos.images import FULL, PHOTO_TYPES, Photo
from service.holdings.photos.store import PhotoFile, StoredPhoto
from service.http.conditional import IfMatch, IfNoneMatch, KnownVersions, entity_tag
from service.http.dependencies import Context, CurrentOwner, File, HoldingId, PhotoDigest, PhotoId, file_body
from service.http.idempotency import IdempotencyKey, RepeatableRequest
from service.http.openapi import problems, router
from service.http.responses import Created, Reply, Sends, Tagged, created
from service.http.wire import Out, PageOut, QueryIn

photos = router("/v1/holdings", "Photos")
photo_files = router("/v1/photos", "Photos")

# The same address has the same bytes for as long as there is something at it.
_FOREVER = "private, max-age=31536000, immutable"
_IMAGE_HEADERS = {"ETag": "The digest of the image.", "Cache-Control": "It may be kept for good, by its owner."}
_SENT = "It was kept; 200: it was there already."
_STILL = "One still picture. It is drawn anew: nothing but its pixels is kept."
PhotoBody = Annotated[File, file_body(dict.fromkeys(PHOTO_TYPES, _STILL), "photo_bytes")]


class PhotoQuery(QueryIn):
    """The query parameters of a new photo."""

    side: PhotoSide = Field(description="What the photo shows.")


class ImageQuery(QueryIn):
    """The query parameters of an image."""

    size: Literal["full", "640", "160"] = Field(
        "full", description="The whole image, or one of at most so many pixels in width and height."
    )


class PhotoFileOut(Out):
    """What is known of the file of a photo."""

    sha256: Annotated[str, Meta(description="Of the file that was sent.")]
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    width: Annotated[int, Meta(description="In pixels, upright.")]
    height: int
    bytes: Annotated[int, Meta(description="Of the whole image as it is kept: drawn anew, without metadata.")]
    image: Annotated[str, Meta(description="Where the image is.")]


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
    file = kept.file
    about = (kept.id, kept.side, file.kind, file.width, file.height, file.bytes, file.digest, kept.added_at)
    return PhotoOut(*about, image_address(kept))  # type: ignore[arg-type]


def photo_tag(kept: StoredPhoto) -> str:
    """A photo never changes; it is there or not."""
    return entity_tag("photo", kept.id, kept.side, kept.file.digest)


def image_address(kept: StoredPhoto) -> str:
    """Where its owner finds the image."""
    return f"{_address(kept)}/image"


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
    photo = await actions.prepared_for(context, owner, id, body.raw, body.kind)
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
    return image_answer(context, owner, kept.file, query.size, known)


@photos.delete("/{id}/photos/{photo_id}")
def delete_photo(context: Context, owner: CurrentOwner, id: HoldingId, photo_id: PhotoId, expected: IfMatch) -> None:
    """Delete a photo."""
    actions.remove(
        context.database,
        context.blobs,
        owner,
        id,
        photo_id,
        context.now(),
        expect=lambda kept: expected.check(photo_tag(kept)),
    )


@photo_files.put("/{sha256}", responses=problems("over-limit", "quota-full"))
async def put_photo(
    context: Context, owner: CurrentOwner, sha256: PhotoDigest, body: PhotoBody
) -> Annotated[Reply[PhotoFileOut], Sends(201, headers={"Location": "Where the image is."}, meaning=_SENT)]:
    """Send the file of a photo. Its name is the SHA-256 of what is sent, so that sending it again changes nothing: the answer
    is 200 then. Which coin it shows is said by the coin's field `photos`, before or after; a file that no coin names is
    kept for a week."""
    actions.ensure_named(sha256, body.raw)
    known = await context.write(
        lambda connection: actions.kept_before(connection, owner, context.blobs, sha256, context.now())
    )
    if known is not None:
        return Reply(_file_out(known), status=200)
    photo = await actions.prepared(context, body.raw, body.kind)

    def act() -> PhotoFile:
        with actions.bytes_kept(context.database, context.blobs, owner, photo):
            return context.database.write(
                lambda connection: actions.keep(
                    connection, owner, context.blobs, sha256, photo, _quota(context), context.now()
                )
            )

    kept = _file_out(await context.run(act))
    return Reply(kept, {"Location": kept.image}, 201)


@photo_files.get("/{sha256}")
def get_photo_file(
    context: Context,
    owner: CurrentOwner,
    sha256: PhotoDigest,
    query: Annotated[ImageQuery, Query()],
    known: IfNoneMatch,
) -> Annotated[Response, Sends(headers=_IMAGE_HEADERS, media=PHOTO_TYPES)]:
    """The image of a photo by the SHA-256 that coins name, whole or small. It is drawn anew, so that its own digest, which is its
    ETag, may be another one."""
    kept = context.database.read(lambda connection: actions.file(connection, owner, sha256))
    return image_answer(context, owner, kept, query.size, known)


def image_answer(
    context: runtime.Context,
    owner: Owner,
    file: PhotoFile,
    size: str,
    known: KnownVersions,
    cached: str = _FOREVER,
) -> Response:
    """The image in one of its sizes, or that it is known already. `cached`: what Cache-Control says of it."""
    tag = f'"{file.digest}"' if size == FULL else f'"{file.digest}-{size}"'
    headers = {"ETag": tag, "Cache-Control": cached}
    if known.include(tag):
        return Response(status_code=304, headers=headers)
    return Response(actions.image_of(context, owner, file, size), 200, headers, file.kind)


def _file_out(kept: PhotoFile) -> PhotoFileOut:
    about = (kept.sha256, kept.kind, kept.width, kept.height, kept.bytes)
    return PhotoFileOut(*about, f"/v1/photos/{kept.sha256}")  # type: ignore[arg-type]


def _quota(context: runtime.Context) -> actions.Quota:
    return actions.Quota(context.settings.photos_quota_bytes, context.settings.photos_per_holding)


def _added(
    context: runtime.Context, owner: Owner, key: RepeatableRequest, holding: str, side: PhotoSide, photo: Photo
) -> Reply[PhotoOut]:
    quota = _quota(context)

    def act(connection: Connection) -> Reply[PhotoOut]:
        kept = actions.add(connection, owner, context.blobs, holding, side, photo, quota, context.now())
        return created(photo_out(kept), _address(kept), photo_tag(kept))

    with actions.bytes_kept(context.database, context.blobs, owner, photo):
        return key.once(context.database, owner, act)

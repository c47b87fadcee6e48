"""Photos of coins in a club's display, for its members."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from fastapi import Depends, Path, Query
from msgspec import Meta
from pydantic import Field
from starlette.responses import Response

from service.clubs.actions.displayed_photos import DisplayedPhoto
from service.clubs.actions.displays import displayed_photo
from service.errors import NotFound
from service.holdings.model import PhotoSide
from service.holdings.photos.images import PHOTO_TYPES
from service.http.api.photos import image_address, image_answer
from service.http.conditional import IfNoneMatch
from service.http.dependencies import Context, CurrentMember, DefinitionId, MemberId
from service.http.openapi import describes, router
from service.http.responses import Sends
from service.http.wire import Out, QueryIn

displayed_photos = router("/v1/clubs/{club_id}/definitions/{id}/display", "Clubs")

# Whether it may be seen is asked each time: a consent may have ended.
_ASKED_ANEW = "private, no-cache"
_HEADERS = {"ETag": "The digest of the image.", "Cache-Control": "It is asked for anew each time."}
_NAME_LENGTH = 32


class DisplayedPhotoOut(Out):
    """A photo of a coin that is shown."""

    side: PhotoSide
    width: Annotated[int, Meta(description="In pixels, of the whole image.")]
    height: int
    image: Annotated[str, Meta(description="Where the image is, for as long as it may be seen.")]


class SmallImageQuery(QueryIn):
    """Which size; the whole image is its owner's alone."""

    size: Literal["640", "160"] = Field("640", description="At most so many pixels in width and height.")


@describes(problems=("not-found",))
async def _photo_name(photo: str = Path()) -> str:
    """What is no such name names no photo."""
    if len(photo) != _NAME_LENGTH or set(photo) - set("0123456789abcdef"):
        raise NotFound("photo", "...")
    return photo


PhotoName = Annotated[str, Depends(_photo_name)]


def photos_for_club(club: str, definition: str, photos: Sequence[DisplayedPhoto]) -> list[DisplayedPhotoOut]:
    """Photos as members see them."""
    where = f"/v1/clubs/{club}/definitions/{definition}/display"
    return [_out(photo, f"{where}/{photo.lender}/photos/{photo.name}") for photo in photos]


def photos_for_owner(photos: Sequence[DisplayedPhoto]) -> list[DisplayedPhotoOut]:
    """The same as their owner sees them, before anybody else may."""
    return [_out(photo, image_address(photo.kept)) for photo in photos]


def _out(photo: DisplayedPhoto, image: str) -> DisplayedPhotoOut:
    file = photo.kept.file
    return DisplayedPhotoOut(photo.kept.side, file.width, file.height, image)  # type: ignore[arg-type]


@displayed_photos.get("/{member_id}/photos/{photo}")
async def get_displayed_photo(
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    member_id: MemberId,
    photo: PhotoName,
    query: Annotated[SmallImageQuery, Query()],
    known: IfNoneMatch,
) -> Annotated[Response, Sends(headers=_HEADERS, media=PHOTO_TYPES)]:
    """The image of a photo that a member lets the club see with the coins in its display."""
    found = await displayed_photo(context, member, id, member_id, photo)
    return await context.run(
        lambda: image_answer(context, found.owner, found.kept.file, query.size, known, cached=_ASKED_ANEW)
    )

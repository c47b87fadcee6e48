"""Photos on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.holdings.photos.images import FULL
from service.holdings.photos.store import KeptPhoto
from service.http.conditional import entity_tag
from service.http.wire import OldOut, OldPageOut


class PhotoQuery(BaseModel):
    """The query parameters of a new photo."""

    model_config = ConfigDict(extra="forbid")

    side: Literal["obverse", "reverse", "edge"] = Field(description="What the photo shows.")


class ImageQuery(BaseModel):
    """The query parameters of an image."""

    model_config = ConfigDict(extra="forbid")

    size: Literal["full", "640", "160"] = Field(
        "full", description="The whole image, or one of at most so many pixels in width and height."
    )


class PhotoOut(OldOut):
    """What is known of a photo."""

    id: str
    side: Literal["obverse", "reverse", "edge"]
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    width: int = Field(description="In pixels, upright.")
    height: int
    bytes: int = Field(description="Of the whole image.")
    sha256: str = Field(description="Of the whole image as it is kept: drawn anew, without what else the file said.")
    added_at: str
    image: str = Field(description="Where the image is.")


class PhotoPageOut(OldPageOut):
    """All photos of a holding, in the order in which they were added."""

    items: list[PhotoOut]


def shown_photo(kept: KeptPhoto) -> dict[str, Any]:
    return {
        "id": kept.id,
        "side": kept.side,
        "media_type": kept.kind,
        "width": kept.width,
        "height": kept.height,
        "bytes": kept.bytes,
        "sha256": kept.digest,
        "added_at": kept.added_at,
        "image": f"{address_of(kept)}/image",
    }


def address_of(kept: KeptPhoto) -> str:
    return f"/v1/holdings/{kept.holding_id}/photos/{kept.id}"


def photo_tag(kept: KeptPhoto) -> str:
    """A photo never changes; it is there or not."""
    return entity_tag("photo", kept.id, kept.side, kept.digest)


def image_tag(kept: KeptPhoto, size: str) -> str:
    """The digest of the whole image, and of which size this one is."""
    return f'"{kept.digest}"' if size == FULL else f'"{kept.digest}-{size}"'

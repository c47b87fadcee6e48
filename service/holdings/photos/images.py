"""Photos of a piece: whether a body is one that can be kept, and what is kept of it. Pure.

What is kept is drawn anew from the pixels. Nothing else of a file survives: where and when it was taken (EXIF, XMP, text
chunks), thumbnails of what was cut away, files hidden behind it. EXIF's orientation and a colour profile are applied first,
since a coin that lies on its side or has another colour is another picture.
"""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from service.errors import Fault, Invalid, OverLimit, Sentence

if TYPE_CHECKING:
    from PIL import Image

JPEG, PNG, WEBP = "image/jpeg", "image/png", "image/webp"
PHOTO_TYPES = (JPEG, PNG, WEBP)
FULL, LARGE, SMALL = "full", "640", "160"
SIZES = (FULL, LARGE, SMALL)
# The largest that usual cameras of phones give; drawing one anew takes up to 400 MB.
MOST_PIXELS = 25_000_000
_QUICK_PIXELS = 500_000

_FORMATS = {JPEG: "JPEG", PNG: "PNG", WEBP: "WEBP"}
_PROFILE_BYTES = 1024 * 1024
# 92 and full colour: past this a further look finds no difference (common practice, no source).
_OPTIONS: dict[str, dict[str, object]] = {
    JPEG: {"quality": 92, "subsampling": 0},
    PNG: {},
    WEBP: {"quality": 92, "method": 4},
}


@dataclass(frozen=True)
class Photo:
    """A photo as it is kept: its media type, its size in pixels, and its bytes by SIZES."""

    kind: str
    width: int
    height: int
    images: dict[str, bytes]

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the full image, in hexadecimal: its name wherever it is kept."""
        return hashlib.sha256(self.images[FULL]).hexdigest()

    @property
    def stored_bytes(self) -> int:
        """What it takes in all, thumbnails included."""
        return sum(map(len, self.images.values()))


def prepare_photo(raw: bytes, kind: str, most_pixels: int = MOST_PIXELS) -> Photo:
    """What is kept of a file that was declared to be of this media type. Raises Invalid when it is no sound image of that
    type or moves, OverLimit when it has too many pixels, which its head says before anything is decoded."""
    found = photo_type_of(raw)
    if found != kind:
        what = Sentence("an image of type {found}", found=found) if found else Sentence("no JPEG, PNG or WebP")
        raise Invalid(
            [Fault.of("wrong-type", "the body was declared as {kind}, but it is {what}", kind=kind, what=what)]
        )
    width, height = _size(raw, kind)
    if width * height > most_pixels:
        message = Sentence(
            "the image is {width} by {height} pixels; the limit is {most} pixels in all",
            width=width,
            height=height,
            most=most_pixels,
        )
        raise OverLimit([Fault("over-limit", message, hint="send it in a smaller size")])
    with _reading(), _opened(raw, kind) as opened:
        # Some phones put several pictures into one JPEG; the first is the photo.
        if kind != JPEG and getattr(opened, "n_frames", 1) > 1:
            raise Invalid([Fault("animated", "the image moves; a photo is one still picture")])
        opened.load()
        upright = _upright(opened)
    image = _plain(_in_srgb(upright), kind)
    images = {FULL: _encoded(image, kind)}
    images |= {size: _encoded(_smaller(image, int(size)), kind) for size in (LARGE, SMALL)}
    return Photo(kind, image.width, image.height, images)


def is_drawn_quickly(raw: bytes, kind: str) -> bool:
    """Whether drawing it anew takes a few megabytes and a moment, or it is no image at all."""
    if photo_type_of(raw) != kind:
        return True
    try:
        width, height = _size(raw, kind)
    except Invalid:
        return True
    return width * height <= _QUICK_PIXELS


def photo_type_of(raw: bytes) -> str | None:
    """The media type by the first bytes (PNG, section 5.2; JFIF and EXIF's SOI marker; WebP's RIFF header)."""
    if raw.startswith(b"\xff\xd8\xff"):
        return JPEG
    if raw.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    return WEBP if raw[:4] == b"RIFF" and raw[8:12] == b"WEBP" else None


class _reading:  # noqa: N801
    """Whatever a decoder stumbles over in a stranger's bytes is a fault of the bytes."""

    def __enter__(self) -> None: ...

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        if isinstance(error, Exception) and not isinstance(error, Invalid | MemoryError):
            raise _unreadable() from error


@cache
def _pillow() -> Any:
    """Pillow, imported when it is first needed."""
    from PIL import Image

    # It warns past a limit of its own. Here the size is looked at before any pixel is decoded, and no larger one is.
    Image.MAX_IMAGE_PIXELS = None
    return Image


def _opened(raw: bytes, kind: str) -> Image.Image:
    opened: Image.Image = _pillow().open(io.BytesIO(raw), formats=[_FORMATS[kind]])
    return opened


def _unreadable() -> Invalid:
    message = "the image cannot be decoded: it is damaged or incomplete"
    return Invalid([Fault("unreadable-image", message, hint="open it in a program for photos and save it anew")])


def _size(raw: bytes, kind: str) -> tuple[int, int]:
    """Width and height by the head alone."""
    with _reading():
        if kind == WEBP:
            width, height = _size_of_webp(raw)
        else:
            with _opened(raw, kind) as opened:
                width, height = opened.size
    if not width or not height:
        raise _unreadable()
    return width, height


def _size_of_webp(raw: bytes) -> tuple[int, int]:
    """Pillow's reader makes room for a whole WebP when it opens it, so its head is read here (RFC 9649, section 2)."""
    chunk = raw[12:16]
    if chunk == b"VP8X":
        return 1 + int.from_bytes(raw[24:27], "little"), 1 + int.from_bytes(raw[27:30], "little")
    if chunk == b"VP8L":
        (bits,) = struct.unpack("<I", raw[21:25])
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if chunk == b"VP8 ":
        width, height = struct.unpack("<HH", raw[26:30])
        return width & 0x3FFF, height & 0x3FFF
    raise ValueError("no chunk that begins an image")


def _upright(image: Image.Image) -> Image.Image:
    """The image turned as EXIF's orientation says; a block of EXIF that cannot be read says nothing."""
    from PIL import ImageOps

    try:
        turned = ImageOps.exif_transpose(image)
    except Exception:
        return image.copy()
    return turned


def _in_srgb(image: Image.Image) -> Image.Image:
    """In the colours that a picture without a profile has. A profile that cannot be applied is dropped all the same."""
    from PIL import ImageCms

    profile = image.info.get("icc_profile", b"")
    if image.mode == "P":
        image = image.convert("RGBA" if "transparency" in image.info else "RGB")
    if not profile or len(profile) > _PROFILE_BYTES or image.mode not in ("RGB", "RGBA", "CMYK"):
        return image
    mode = "RGB" if image.mode == "CMYK" else image.mode
    try:
        there = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        converted = ImageCms.profileToProfile(image, there, ImageCms.createProfile("sRGB"), outputMode=mode)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return image
    return image if converted is None else converted


def _plain(image: Image.Image, kind: str) -> Image.Image:
    """Eight bits, grey or colours, with transparency where the format has it, and nothing but pixels."""
    if image.mode in ("I", "F") or image.mode.startswith("I;16"):
        # Pillow's own conversion cuts off whatever is brighter than 255.
        image = _pillow().fromarray((np.asarray(image).clip(0, 65_535) // 257).astype(np.uint8))
    clear = kind != JPEG and (image.has_transparency_data or image.mode in ("LA", "PA", "La", "RGBa"))
    grey = image.mode in ("1", "L", "LA", "La") and kind != WEBP
    mode = "RGBA" if clear else "L" if grey else "RGB"
    plain = image.convert(mode) if image.mode != mode else image.copy()
    plain.info = {}
    return plain


def _smaller(image: Image.Image, most: int) -> Image.Image:
    """At most this many pixels wide and high; never larger than it was."""
    small = image.copy()
    small.thumbnail((most, most), _pillow().Resampling.LANCZOS)
    return small


def _encoded(image: Image.Image, kind: str) -> bytes:
    made = io.BytesIO()
    image.save(made, _FORMATS[kind], **_OPTIONS[kind])
    return made.getvalue()


def name_of(digest: str, size: str) -> str:
    """Where an image lies within its owner's things: two folders deep, so that no folder grows large."""
    return f"{digest[:2]}/{digest[2:4]}/{digest}-{size}"


def digest_in(name: str) -> str:
    """The digest in a name that `name_of` made."""
    return name.rsplit("/", 1)[-1].split("-")[0]

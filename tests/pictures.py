"""Pictures for tests: a coin on a cloth, drawn here."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

from PIL import Image, ImageDraw

FORMATS = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}
PLACE = (51.0, 30.0, 26.5)


def coin(width: int = 64, height: int = 48, mode: str = "RGB") -> Image.Image:
    """A light disc in the left half of a dark field, so that a turned picture differs from an upright one."""
    image = Image.new("RGB", (width, height), (20, 40, 20))
    ImageDraw.Draw(image).ellipse((2, 2, width // 2, height - 3), fill=(210, 200, 190))
    return image.convert(mode)


def picture(kind: str = "image/jpeg", image: Image.Image | None = None, **options: Any) -> bytes:
    """The bytes of an image file; `options` go to the encoder."""
    made = io.BytesIO()
    (image or coin()).save(made, FORMATS[kind], **options)
    return made.getvalue()


def photo_upload(headers: dict[str, str]) -> dict[str, Any]:
    """What is sent where bytes are wanted, which no example in JSON can be."""
    return {"content": picture(), "headers": {**headers, "Content-Type": "image/jpeg"}}


def exif(orientation: int | None = None) -> Image.Exif:
    """EXIF with the place where the photo was taken, and who took it."""
    made = Image.Exif()
    made[0x010F] = "canary-camera"
    made[0x9C9D] = "canary-author"
    made.get_ifd(0x8825).update({1: "N", 2: PLACE, 3: "W", 4: PLACE, 27: b"canary-place"})
    if orientation:
        made[0x0112] = orientation
    return made


def chunk(name: bytes, body: bytes) -> bytes:
    """A chunk of a PNG (its specification, section 5.3)."""
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png_of(width: int, height: int, *more: bytes) -> bytes:
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")


def jpeg_of(width: int, height: int) -> bytes:
    """A JPEG whose frame header says this size; its pixels are those of a small picture."""
    raw = picture("image/jpeg")
    at = raw.index(b"\xff\xc0")
    return raw[: at + 5] + struct.pack(">HH", height, width) + raw[at + 9 :]


def webp_of(width: int, height: int) -> bytes:
    """The head of an extended WebP with this canvas (RFC 9649, section 2.7), and nothing on it."""
    body = b"WEBPVP8X" + struct.pack("<I", 10) + b"\0\0\0\0"
    body += (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    return b"RIFF" + struct.pack("<I", len(body)) + body

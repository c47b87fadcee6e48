"""Pictures for tests: a coin on a cloth, drawn here."""

from __future__ import annotations

import io
from typing import Any

from PIL import Image, ImageDraw

FORMATS = {"image/jpeg": "JPEG", "image/png": "PNG", "image/webp": "WEBP"}


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

"""Pictures of the demo's coins, drawn by this program: a disc with a rim, its number and its year. No coin is shown, and each
says that it is drawn."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

KIND = "image/jpeg"
_SIDE = 480
_PAPER, _INK = (246, 243, 236), (52, 48, 44)
_BEADS = 48
# By denomination how wide the disc is, of the width of the picture.
_WIDTHS = {"farthing": 0.56, "threepence": 0.52, "sixpence": 0.54, "halfpenny": 0.68, "shilling": 0.66}
_WIDTH = 0.82
_SILVER, _COPPER, _BRASS = (201, 204, 207), (186, 122, 84), (209, 180, 92)
_METALS = {"farthing": _COPPER, "halfpenny": _COPPER, "penny": _COPPER}
_SIDES = 12


@cache
def _letters(size: int) -> FreeTypeFont | ImageFont:
    from PIL import ImageFont

    return ImageFont.load_default(size)


def drawing(number: str, facts: Mapping[str, Any]) -> bytes:
    """A picture of a coin (JPEG, 480 pixels square) by its owner's number and its facts. The same bytes for the same coin."""
    from PIL import Image, ImageDraw

    denomination, year = str(facts["denomination"]), facts["year_on_coin"]
    is_brass = facts.get("material") == "nickel-brass"
    metal = _BRASS if is_brass else _METALS.get(denomination, _SILVER)
    rim = tuple(max(0, part - 60) for part in metal)
    image = Image.new("RGB", (_SIDE, _SIDE), _PAPER)
    draw = ImageDraw.Draw(image)
    middle, radius = _SIDE / 2, _SIDE * _WIDTHS.get(denomination, _WIDTH) / 2
    if is_brass:
        # The brass threepence had twelve sides.
        draw.regular_polygon((middle, middle, radius), _SIDES, rotation=15, fill=metal, outline=rim, width=6)
    else:
        around = (middle - radius, middle - radius, middle + radius, middle + radius)
        draw.ellipse(around, fill=metal, outline=rim, width=6)
    for bead in range(_BEADS):
        turn = 2 * math.pi * bead / _BEADS
        x, y = middle + 0.9 * radius * math.cos(turn), middle + 0.9 * radius * math.sin(turn)
        draw.ellipse((x - 3, y - 3, x + 3, y + 3), fill=rim)
    shown = str(year) if not isinstance(year, Mapping) else "?"
    draw.text((middle, middle - 0.22 * radius), number, fill=_INK, font=_letters(round(radius * 0.5)), anchor="mm")
    draw.text((middle, middle + 0.34 * radius), shown, fill=_INK, font=_letters(round(radius * 0.3)), anchor="mm")
    draw.text((middle, _SIDE - 18), "drawn by the demo", fill=_INK, font=_letters(18), anchor="mm")
    made = io.BytesIO()
    image.save(made, "JPEG", quality=88)
    return made.getvalue()

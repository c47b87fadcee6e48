"""The year on a coin as collectors write it: 1918/7, 1892 or 1893, 1917-D, n.d. Common practice of the trade, no source. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.notation.dates import is_mark

# Years further apart than this are no slip of the engraver: one was put beside the other, such as of an accession.
_FAR = 20
_NONE = frozenset(
    (
        "nd",
        "no date",
        "undated",
        "oj",
        "ohne jahr",
        "sd",
        "sans date",
        "sf",
        "sin fecha",
        "senza data",
        "zj",
        "zonder jaar",
    )
)
_WORN = frozenset(
    ("worn", "illegible", "unreadable", "unleserlich", "illisible", "ilegible", "illeggibile", "onleesbaar")
)
_TWO = re.compile(r"([0-9]{3,4})\s*(?:/|\bor\b|\boder\b|\bou\b|\bo\b|\bof\b)\s*([0-9]{1,4})(?:\s*-?\s*([A-Z]{1,2}))?")
_MARKED = re.compile(r"([0-9]{4})(?:\s*[-/]\s*|\s+)?([A-Z]{1,2})")
_PARTLY = re.compile(r"(?=.*[0-9?])[0-9?_x.\u2026*-]{1,6}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ReadYear:
    """What a cell says of the year: a value as facts have it, None where the date cannot be read; and other facts besides."""

    value: Any
    more: Mapping[str, Any] = field(default_factory=dict)


def read_year(cell: str) -> ReadYear | None:
    """What the cell says, or None when it is written in no such way."""
    text = cell.strip()
    bare = " ".join(text.casefold().replace(".", "").split())
    if bare in _NONE:
        return ReadYear({"none": True})
    if bare in _WORN or (not any(map(str.isdigit, text)) and _PARTLY.fullmatch(text)):
        return ReadYear(None)
    if (two := _TWO.fullmatch(text)) is not None and (two[3] is None or is_mark(two[3], int(two[1]))):
        read = _of_two(two[1], two[2], text)
        return read if two[3] is None else ReadYear(read.value, {**read.more, "mintmark": two[3]})
    if (marked := _MARKED.fullmatch(text)) is not None and is_mark(marked[2], int(marked[1])):
        return ReadYear(int(marked[1]), {"mintmark": marked[2]})
    return None


def _of_two(first: str, second: str, text: str) -> ReadYear:
    year, other = int(first), int(first[: len(first) - len(second)] + second if len(second) < len(first) else second)
    if abs(other - year) > _FAR and "/" in text:
        return ReadYear(other)
    if other > year or (other < year and "/" not in text):
        return ReadYear({"one_of": [year, other]})
    return ReadYear(year, {"variety": "overdate"} if other < year else {})

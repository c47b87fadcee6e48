"""TABLE: which attribute has a notation of its own, and who reads it. Pure; no reader raises for any text."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from service.notation.dates import read_date
from service.notation.grades import read_grade
from service.notation.metals import read_fineness, read_metal, read_mintmark
from service.notation.problems import read_problems
from service.notation.reading import Reading, tidy, without_doubt


def _fineness(written: str) -> Reading:
    text, is_doubted = without_doubt(tidy(written))
    share = read_fineness(text)
    if share is None:
        # "silver .925" in a column of fineness says both.
        return read_metal(written)
    return Reading({}, {"fineness": share}, tidy(written)) if is_doubted else Reading({"fineness": share})


READERS: Mapping[str, Callable[[str], Reading]] = MappingProxyType(
    {
        "grade": read_grade,
        "grade_words": read_grade,
        "year_on_coin": read_date,
        "date_as_written": read_date,
        "mintmark": read_mintmark,
        "material": read_metal,
        "fineness": _fineness,
        "problems": read_problems,
    }
)


def read_notation(attribute: str, written: str) -> Reading | None:
    """What the text says as a notation of the attribute; None where the attribute has none or nothing in it was understood."""
    reader = READERS.get(attribute)
    if reader is None:
        return None
    reading = reader(written)
    return reading if reading.facts or reading.perhaps else None

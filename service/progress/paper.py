"""What lists on paper and in a spreadsheet have in common: the width of a line, and cells that no spreadsheet runs. Pure."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Iterable, Sequence

from msgspec import UNSET

PAPER = 76


def wrapped(text: str, mark: str = "", indent: str = "") -> list[str]:
    """The text in lines of 76 columns; `mark` begins the first line, `indent` every other."""
    return textwrap.wrap(text, PAPER, initial_indent=mark, subsequent_indent=indent)


def csv_of(headings: Sequence[str], rows: Iterable[Iterable[object]]) -> str:
    """A table as CSV (RFC 4180). A cell that a spreadsheet would run as a formula begins with an apostrophe; one without a
    value (None, UNSET) is empty."""
    sheet = io.StringIO()
    writer = csv.writer(sheet)
    writer.writerow(headings)
    writer.writerows(["" if cell is None or cell is UNSET else _defused(str(cell)) for cell in row] for row in rows)
    return sheet.getvalue()


def _defused(cell: str) -> str:
    """The cell as a text for any spreadsheet."""
    return f"'{cell}" if cell.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and cell else cell

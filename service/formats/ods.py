"""OpenDocument spreadsheets (OASIS OpenDocument 1.3, part 3, section 9) as rows of texts.

Read as a stream by the expat that comes with Python: a cell or row may say that it stands there a million times, and libraries
that build the whole table first take gigabytes for a file of a few hundred bytes. The archive was looked over before, as for
other spreadsheets: it declares no document type.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

from service.errors import Fault, OverLimit, Sentence

_OFFICE = "urn:oasis:names:tc:opendocument:xmlns:office:1.0 "
_TABLE = "urn:oasis:names:tc:opendocument:xmlns:table:1.0 "
_TEXT = "urn:oasis:names:tc:opendocument:xmlns:text:1.0 "
_CELLS = (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell")
_PIECE = 64 * 1024
_WHOLE_DAY = re.compile(r"(\d{4}-\d{2}-\d{2})(?:T00:00:00(?:\.0+)?)?")
_LONGEST_CELL = 131_072


@dataclass
class OdsSheet:
    """One sheet: rows that are not blank, by their numbers; `is_hidden` where its style says that it is not displayed."""

    name: str
    is_hidden: bool
    rows: list[tuple[int, list[str]]] = field(default_factory=list)


class OdsReader:
    """Reads `content.xml`: all rows of the first visible sheet, or of the visible one that is `wanted`, and of the others
    whether they have any."""

    def __init__(self, *, most: int, most_columns: int, last_row: int, wanted: str | None = None) -> None:
        self.sheets: list[OdsSheet] = []
        self._most, self._most_columns, self._last_row = most, most_columns, last_row
        self._wanted = wanted
        self._hidden: set[str] = set()
        self._style = ""
        self._number = self._times = self._repeated = 0
        self._cells: list[str] = []
        self._spans: dict[int, tuple[int, str]] = {}
        self._value: str | None = None
        self._paragraphs: list[str] = []
        self._is_in_cell = self._is_in_paragraph = False
        self._notes = 0
        self._rows = 1
        self._depth = 0

    def read(self, source: IO[bytes]) -> None:
        """Raises OverLimit past the limits; expat.ExpatError when it is no XML."""
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._data
        while piece := source.read(_PIECE):
            parser.Parse(piece, False)
        parser.Parse(b"", True)

    # -- the parser's events

    def _start(self, name: str, given: dict[str, str]) -> None:
        self._depth += 1
        if self._depth > 256:
            raise OverLimit([Fault("over-limit", "the file nests elements more than 256 deep")])
        if name == f"{_OFFICE}annotation":
            self._notes += 1
        elif name.endswith(" style") and "style:1.0" in name:
            self._style = next((value for key, value in given.items() if key.endswith("style:1.0 name")), "")
        elif name.endswith(" table-properties") and given.get(f"{_TABLE}display") == "false":
            self._hidden.add(self._style)
        elif name == f"{_TABLE}table":
            is_hidden = given.get(f"{_TABLE}style-name", "") in self._hidden
            self.sheets.append(OdsSheet(given.get(f"{_TABLE}name", ""), is_hidden))
            self._number, self._spans = 0, {}
        elif name == f"{_TABLE}table-row":
            self._cells, self._times = [], _count(given.get(f"{_TABLE}number-rows-repeated"))
        elif name in _CELLS:
            self._is_in_cell, self._value, self._paragraphs = True, _value_of(given), []
            self._repeated = _count(given.get(f"{_TABLE}number-columns-repeated"))
            self._rows = _count(given.get(f"{_TABLE}number-rows-spanned"))
        elif name == f"{_TEXT}p" and self._is_in_cell and not self._notes:
            self._is_in_paragraph = True
            self._paragraphs.append("")
        elif self._is_in_paragraph:
            blanks = {f"{_TEXT}s": " " * min(_count(given.get(f"{_TEXT}c")), 100), f"{_TEXT}tab": "\t"}
            self._data({**blanks, f"{_TEXT}line-break": "\n"}.get(name, ""))

    def _data(self, text: str) -> None:
        if self._is_in_paragraph and not self._notes:
            self._paragraphs[-1] += text
            if len(self._paragraphs[-1]) > _LONGEST_CELL:
                raise OverLimit([Fault.of("over-limit", "a cell holds up to {most} characters", most=_LONGEST_CELL)])

    def _end(self, name: str) -> None:
        self._depth -= 1
        if name == f"{_OFFICE}annotation":
            self._notes -= 1
        elif name == f"{_TEXT}p" and not self._notes:
            self._is_in_paragraph = False
        elif name in _CELLS:
            self._is_in_cell = False
            self._end_cell(self._value if self._value is not None else "\n".join(self._paragraphs))
        elif name == f"{_TABLE}table-row":
            self._end_row()

    # -- cells and rows

    def _end_cell(self, text: str) -> None:
        at = len(self._cells)
        if not text.strip() and self._repeated > self._most_columns:
            # The rest of the row.
            self._repeated = max(0, self._most_columns - at)
        if at + self._repeated > self._most_columns:
            raise OverLimit(
                [
                    Fault(
                        "over-limit",
                        Sentence("a sheet has up to {most} columns", most=self._most_columns),
                        line=self._number + 1,
                    )
                ]
            )
        if self._rows > 1 and text.strip():
            self._spans[at] = (self._number + self._rows, text)
        elif at in self._spans and not text.strip() and self._number < self._spans[at][0]:
            # A merged cell says the same of each of its rows.
            text = self._spans[at][1]
        self._cells += [text] * self._repeated

    def _end_row(self) -> None:
        sheet, times = self.sheets[-1], self._times
        while self._cells and not self._cells[-1].strip():
            self._cells.pop()
        alike = [other for other in self.sheets if not other.is_hidden and self._wanted in (None, other.name)]
        is_read = bool(alike) and alike[0] is sheet
        if self._cells and not is_read:
            sheet.rows = sheet.rows or [(self._number + 1, [])]
        elif self._cells:
            if self._number + times > self._last_row:
                message = Sentence("only the first {most} rows of a sheet are read", most=self._last_row)
                raise OverLimit([Fault("over-limit", message, line=self._last_row)])
            if len(sheet.rows) + times > self._most + 1:
                raise OverLimit(
                    [
                        Fault(
                            "over-limit",
                            Sentence("one import takes up to {most} rows", most=self._most),
                            line=self._number + 1,
                        )
                    ]
                )
            sheet.rows += ((self._number + again + 1, self._cells) for again in range(times))
        self._number += times


def _count(text: str | None) -> int:
    """How often something stands there."""
    return int(text) if text is not None and text.isascii() and text.isdigit() and 0 < len(text) < 10 else 1


def _value_of(given: dict[str, str]) -> str | None:
    """A number, a date or a truth as the file keeps it, exactly; None where the text shown is the value."""
    kind = given.get(f"{_OFFICE}value-type")
    value = given.get(f"{_OFFICE}value", "")
    if kind == "date":
        day = _WHOLE_DAY.fullmatch(given.get(f"{_OFFICE}date-value", ""))
        return day[1] if day else given.get(f"{_OFFICE}date-value")
    if kind == "boolean":
        return given.get(f"{_OFFICE}boolean-value")
    if kind == "currency" and value:
        return f"{given.get(f'{_OFFICE}currency', '')} {value}".strip()
    return value if kind in ("float", "percentage") and value else None

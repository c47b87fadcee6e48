"""Spreadsheet files (Office Open XML, ECMA-376; those of OpenDocument: ods.py) as rows of texts, and back.

A file is checked before anything is parsed: how many parts it has, how large they are when unpacked, and that no part
declares a document type, whose entities could expand without end. zipfile unpacks no part past the size that it declares.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from itertools import zip_longest
from typing import Any

from service.errors import Fault, Invalid, OverLimit, Sentence, Unreadable
from service.facts.words import nearest
from service.formats.ods import OdsReader

_MEBIBYTE = 1024 * 1024
MOST_PARTS = 1_000
MOST_UNPACKED = 64 * _MEBIBYTE
# Blank rows count too: a row may say that it is the millionth.
LAST_ROW = 200_000
# ECMA-376 gives a cell up to 32,767 characters.
LONGEST_CELL = 32_767

_DOCUMENT_TYPE = re.compile(rb"<\0?!\0?D\0?O\0?C\0?T\0?Y\0?P\0?E", re.IGNORECASE)
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\s[^>]{0,200}?ref=\"([A-Z]{1,3}[0-9]{1,7}:[A-Z]{1,3}[0-9]{1,7})\"")
MOST_MERGED = 10_000
# A sign or code of a currency in the format of a number: [$€-407], "£"#,##0.00, [$CHF].
_CURRENCY = re.compile(r"\[\$([^\]\-]{1,4})[^\]]*\]|\"?([€£$¥])\"?")
_OVERLAP = 300
_MOST_NAMED = 10
_NO_ZIP = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error)
# What XML cannot say, or says otherwise when it is read; and the form in which spreadsheets write such letters.
UNSAYABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]|_x[0-9A-Fa-f]{4}_")


class NoSuchSheet(Invalid):
    """The sheet that was asked for is not in the file."""


@dataclass(frozen=True, slots=True)
class BrokenCell:
    """A cell that has no value to be read."""

    message: str
    hint: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """The first visible sheet, or the one that was asked for: rows that are not blank, by their numbers in the file. `others`
    are names of sheets with something in them, which are left out."""

    name: str
    rows: tuple[tuple[int, list[str | BrokenCell]], ...]
    others: tuple[str, ...]
    is_opendocument: bool = False


def read_workbook(raw: bytes, *, most: int, most_columns: int, wanted: str | None = None) -> Sheet:
    """The first visible sheet, or the visible one of the name `wanted`. Raises OverLimit past `most` rows behind the first or
    `most_columns`, or when it unpacks to too much; NoSuchSheet; Unreadable when it is no workbook."""
    has_formulas = _look_over(raw)
    try:
        if is_opendocument(raw):
            return _read_opendocument(raw, most, most_columns, wanted)
        shown = _opened(raw, data_only=True)
        # The values of formulas when the file was saved, and the formulas themselves, are read apart.
        formulas = _opened(raw, data_only=False) if has_formulas else None
        visible = [sheet for sheet in shown.worksheets if sheet.sheet_state == "visible"]
        if not visible:
            raise _unreadable("there is no sheet in it")
        picked = visible[_place_of(wanted, [sheet.title for sheet in visible])]
        name = picked.title
        beside = None if formulas is None else formulas[name]
        merged = _merged(raw, getattr(picked, "_worksheet_path", ""))
        rows = tuple(_rows(picked, beside, most, most_columns, merged))
        others = tuple(sheet.title for sheet in visible if sheet is not picked and _has_something(sheet))
    except (NoSuchSheet, OverLimit, Unreadable):
        raise
    except Exception as error:
        # Files of unknown origin make the library fail in ways that it does not document.
        raise _unreadable(Sentence("{name} while it was read", name=type(error).__name__)) from None
    return Sheet(name, rows, others)


def _place_of(wanted: str | None, names: Sequence[str]) -> int:
    if wanted is None:
        return 0
    if wanted not in names:
        near = nearest(wanted, names)
        shown = ", ".join(f"'{name[:80]}'" for name in names[:_MOST_NAMED])
        hint = (
            Sentence("did you mean '{near}'?", near=near)
            if near
            else Sentence("its visible sheets: {shown}", shown=shown)
        )
        raise NoSuchSheet([Fault.of("value", "the file has no visible sheet '{wanted}'", "", hint, wanted=wanted[:80])])
    return names.index(wanted)


def is_opendocument(raw: bytes) -> bool:
    """Whether a file that was looked over is an OpenDocument spreadsheet."""
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        return "content.xml" in packed.namelist()


def _read_opendocument(raw: bytes, most: int, most_columns: int, wanted: str | None) -> Sheet:
    reader = OdsReader(most=most, most_columns=most_columns, last_row=LAST_ROW, wanted=wanted)
    with zipfile.ZipFile(io.BytesIO(raw)) as packed, packed.open("content.xml") as content:
        reader.read(content)
    visible = [sheet for sheet in reader.sheets if not sheet.is_hidden]
    if not visible:
        raise _unreadable("there is no sheet in it")
    picked = visible[_place_of(wanted, [sheet.name for sheet in visible])]
    others = tuple(sheet.name for sheet in visible if sheet is not picked and sheet.rows)
    return Sheet(picked.name, tuple(picked.rows), others, True)  # type: ignore[arg-type]


def _merged(raw: bytes, path: str) -> dict[int, list[tuple[int, int]]]:
    """Cells that are merged over several rows, by their first row: column (counted from 0) and last row."""
    found: dict[int, list[tuple[int, int]]] = {}
    from openpyxl.utils.cell import range_boundaries

    count, end = 0, b""
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        if path not in packed.namelist():
            return found
        with packed.open(path) as opened:
            while piece := opened.read(_MEBIBYTE):
                here = end + piece
                for match in _MERGED.finditer(here):
                    if match.end() <= len(end):
                        continue
                    count += 1
                    if count > MOST_MERGED:
                        raise OverLimit(
                            [Fault.of("over-limit", "a sheet has up to {most} merged cells", most=MOST_MERGED)]
                        )
                    left, top, _, bottom = range_boundaries(match[1].decode())
                    if None not in (left, top, bottom) and bottom > top:
                        found.setdefault(top, []).append((left - 1, bottom))
                end = here[-_OVERLAP:]
    return found


def write_workbook(title: str, rows: Iterable[Sequence[str | int | Decimal | None]]) -> bytes:
    """A workbook of one sheet whose first row stays visible. Numbers that a double holds to the last digit are
    numbers, all else is text; no cell is a formula. Raises OverLimit past what a cell holds."""
    # Imported when first needed, as everywhere here: it takes 8 MiB.
    import openpyxl

    checked = [[_checked(value) for value in row] for row in rows]
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    for row in checked:
        sheet.append([_written(sheet, value) for value in row])
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def is_sayable(text: str) -> bool:
    """Whether a cell gives the text back as it is."""
    return UNSAYABLE.search(text) is None


def _look_over(raw: bytes) -> bool:
    """Whether the sheets have formulas. Raises OverLimit and Unreadable as the module says."""
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            parts = packed.infolist()
            size = sum(part.file_size for part in parts)
            if len(parts) > MOST_PARTS or size > MOST_UNPACKED:
                message = Sentence(
                    "the file unpacks to {count} parts with {size} MiB in all", count=len(parts), size=size // _MEBIBYTE
                )
                limits = Sentence(
                    "up to {most} parts and {size} MiB are read; send it as CSV",
                    most=MOST_PARTS,
                    size=MOST_UNPACKED // _MEBIBYTE,
                )
                raise OverLimit([Fault("over-limit", message, hint=limits)])
            # Every part is checked, whatever the first ones have.
            formulas = [_has_formula(packed, part) for part in parts]
            return any(formulas)
    except (*_NO_ZIP, NotImplementedError, RuntimeError, EOFError, OSError, ValueError):
        raise _unreadable("it cannot be unpacked") from None


def _has_formula(packed: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    found, end = False, b""
    with packed.open(part) as opened:
        while piece := opened.read(_MEBIBYTE):
            here = end + piece
            if part.filename.lower().endswith((".xml", ".rels", ".vml")) and _DOCUMENT_TYPE.search(here):
                raise _unreadable("it declares a document type of its own")
            found = found or (
                part.filename.startswith("xl/worksheets/") and re.search(rb"<(\w+:)?f[ >/]", here) is not None
            )
            end = here[-_OVERLAP:]
    return found


def _opened(raw: bytes, *, data_only: bool) -> Any:
    import openpyxl

    return openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=data_only, keep_links=False)


def _rows(
    sheet: Any, formulas: Any, most: int, most_columns: int, merged: dict[int, list[tuple[int, int]]]
) -> Iterator[tuple[int, list[str | BrokenCell]]]:
    # What a merged cell says holds for each of its rows: column, last row, text.
    carried: list[tuple[int, int, str | BrokenCell]] = []
    # The size that the file declares for a sheet may be wrong.
    for one in filter(None, (sheet, formulas)):
        one.reset_dimensions()
    found = 0
    source = sheet.iter_rows()
    expressions = iter(()) if formulas is None else formulas.iter_rows(values_only=False)
    for number, (cells, written) in enumerate(zip_longest(source, expressions), 1):
        if number > LAST_ROW:
            raise OverLimit(
                [
                    Fault(
                        "over-limit",
                        Sentence("only the first {most} rows of a sheet are read", most=LAST_ROW),
                        line=number,
                    )
                ]
            )
        read = [_read(cell) for cell in cells or ()]
        for place, cell in enumerate(written or ()):
            if cell.data_type == "f" and place < len(read) and read[place] == "":
                read[place] = BrokenCell(
                    "this formula has no value", "open the file in a spreadsheet, and save it again"
                )
        if merged:
            carried = [entry for entry in carried if entry[1] >= number]
            for place, _, said in carried:
                read += [""] * (place + 1 - len(read))
                read[place] = read[place] or said
            starting = [(place, last) for place, last in merged.get(number, ()) if place < min(len(read), most_columns)]
            carried += [(place, last, read[place]) for place, last in starting]
            if len(carried) > most_columns:
                raise OverLimit(
                    [Fault("over-limit", Sentence("a sheet has up to {most} columns", most=most_columns), line=number)]
                )
        while read and read[-1] == "":
            read.pop()
        if not any(isinstance(cell, BrokenCell) or cell.strip() for cell in read):
            continue
        if len(read) > most_columns:
            raise OverLimit(
                [Fault("over-limit", Sentence("a sheet has up to {most} columns", most=most_columns), line=number)]
            )
        if found > most:
            raise OverLimit(
                [Fault("over-limit", Sentence("one import takes up to {most} rows", most=most), line=number)]
            )
        found += 1
        yield number, read


def _has_something(sheet: Any) -> bool:
    sheet.reset_dimensions()
    for number, row in enumerate(sheet.iter_rows(values_only=True)):
        if number >= 1_000 or any(value is not None for value in row):
            return number < 1_000
    return False


def _read(cell: Any) -> str | BrokenCell:
    """The cell's value as a person would type it."""
    value = cell.value
    if cell.data_type == "e":
        return BrokenCell(Sentence("this cell shows the error {value}", value=value), "correct it in the spreadsheet")
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float) and (sign := _CURRENCY.search(cell.number_format or "")) is not None:
        return f"{sign[1] or sign[2]} {_number(value)}"
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, datetime):
        if value.time() == time():
            return value.date().isoformat()
        return value.isoformat() + ("" if value.tzinfo else "Z")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() and abs(value) < 2**53 else repr(value)


def _checked(value: str | int | Decimal | None) -> str | int | float | None:
    if value is None or value == "":
        return None
    if isinstance(value, int) and abs(value) < 2**53:
        return value
    if isinstance(value, Decimal) and repr(float(value)) == str(value):
        return float(value)
    text = str(value)
    if len(text.encode("utf-16-le")) // 2 > LONGEST_CELL:
        message = Sentence(
            "a cell of a spreadsheet holds {most} characters, and one here has {count}",
            most=LONGEST_CELL,
            count=len(text),
        )
        raise OverLimit([Fault("over-limit", message, hint="take the collection as JSON")])
    return text


def _written(sheet: Any, value: str | float | None) -> Any:
    from openpyxl.cell import WriteOnlyCell

    if not isinstance(value, str):
        return value
    made = WriteOnlyCell(sheet, value)
    # Even if the text were taken for a formula or an error.
    made.data_type = "s"
    return made


def _unreadable(why: str) -> Unreadable:
    message = Sentence("this is no spreadsheet file that can be read: {why}", why=Sentence(why))
    return Unreadable([Fault("syntax", message, hint="save it as .xlsx again, or as CSV")])

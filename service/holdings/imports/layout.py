"""How a sheet is laid out: its encoding, what separates its cells, which row has the headings, which rows are no holdings. All of
it is told from the file, shown, and may be set. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from service.errors import Fault, Invalid, InvalidQuery, OverLimit, Sentence
from service.formats.cells import read_text_cell
from service.formats.csv import declared_delimiter, delimiter_of, read_csv
from service.formats.encodings import decoded
from service.formats.numbers import decimal_sign
from service.formats.xlsx import BrokenCell, NoSuchSheet, read_workbook
from service.holdings.imports.columns import normal
from service.holdings.imports.heading_words import TOTALS
from service.holdings.imports.plan import Format
from service.holdings.imports.sheet import MOST_COLUMNS, MOST_ROWS, SentSheet, SheetRow, SkippedRow

Cells = Sequence["str | BrokenCell"]
# The headings are looked for in so many rows.
_TITLES = 30
_MOST_SKIPPED = 1_000
# A row with one cell is a section of a sheet that is at least so wide.
_WIDE = 4
# An amount or a count, with or without a sign of a currency.
_FIGURES = re.compile(r"[^A-Za-z0-9]{0,4}[0-9][0-9.,'\s]{0,30}[^0-9]{0,4}")
DecimalSign = Literal[".", ","]
OrderOfDays = Literal["day first", "month first"]


class Layout(msgspec.Struct, frozen=True):
    """How the file was read; as `layout` of an import it may be sent back, with what was told wrongly put right."""

    encoding: Annotated[str | None, Meta(description="Of a text file; null of a spreadsheet file.")]
    separator: Annotated[str | None, Meta(description="What separates the cells of a text file.")]
    heading_row: Annotated[int, Meta(description="The row of the file with the headings, counted from 1.")]
    decimal: Annotated[
        DecimalSign, Meta(description="The decimal sign of numbers that do not show it themselves, such as 1,250.")
    ]
    dates: Annotated[OrderOfDays, Meta(description="Which comes first in days such as 03/04/2016.")]
    sheet: Annotated[
        str | None, Meta(description="Of a spreadsheet file the sheet that was read; null of a text file.")
    ]


@dataclass(frozen=True, slots=True)
class GivenLayout:
    """What the caller says of the layout; None is told from the file."""

    encoding: str | None = None
    separator: str | None = None
    heading_row: int | None = None
    decimal: DecimalSign | None = None
    dates: OrderOfDays | None = None
    sheet: str | None = None


@dataclass(frozen=True, slots=True)
class GivenCell:
    """What a cell is to say in place of what it says. `line`: of a text file where the row ends, of a spreadsheet the row;
    `column` counted from 1."""

    line: int
    column: int
    text: str


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A file as rows of texts by their numbers in it, before it is known which of them has the headings."""

    records: Sequence[tuple[int, Cells]]
    format: Format
    encoding: str | None = None
    separator: str | None = None
    blank: Sequence[int] = field(default_factory=tuple)
    name: str | None = None
    others: tuple[str, ...] = ()


# --- files ---------------------------------------------------------------------------------------------------------------


def file_of_csv(raw: bytes, given: GivenLayout) -> SheetFile:
    """A text file. Raises Unreadable, OverLimit past MOST_ROWS, InvalidQuery where a sheet of it is named."""
    if given.sheet is not None:
        message = "`layout.sheet`: a text file has no sheets to choose from"
        raise InvalidQuery([Fault("parameter", message, "/layout/sheet", "leave it out")], message)
    text, encoding = decoded(raw, given.encoding)
    said, text = declared_delimiter(text)
    separator = given.separator or said or delimiter_of(text)
    blank: list[int] = []
    records = list(read_csv(text, most=MOST_ROWS, delimiter=separator, blank=blank))
    return SheetFile(records, "csv", encoding, separator, blank)


def file_of_workbook(raw: bytes, given: GivenLayout | None = None) -> SheetFile:
    """The first visible sheet of a spreadsheet file, or the one that the caller names. Raises as for text, InvalidQuery where
    there is no such sheet."""
    wanted = None if given is None else given.sheet
    try:
        found = read_workbook(raw, most=MOST_ROWS, most_columns=MOST_COLUMNS, wanted=wanted)
    except NoSuchSheet as refusal:
        (fault,) = refusal.faults
        message = Sentence("`layout.sheet`: {fault}", fault=fault.message)
        raise InvalidQuery([Fault("parameter", message, "/layout/sheet", fault.hint)], message) from None
    numbers = [number for number, _ in found.rows]
    gaps = [n for before, after in pairwise(numbers) for n in range(before + 1, min(after, before + 99))]
    form: Format = "ods" if found.is_opendocument else "xlsx"
    return SheetFile(found.rows, form, blank=gaps[:_MOST_SKIPPED], name=found.name, others=found.others)


def mended(file: SheetFile, cells: Sequence[GivenCell]) -> SheetFile:
    """The file with these cells in place of its own. Raises InvalidQuery where one is in a row that the file does not have."""
    places = {number: place for place, (number, _) in enumerate(file.records)}
    records: list[tuple[int, Cells]] = list(file.records)
    faults = []
    for at, cell in enumerate(cells):
        place = places.get(cell.line)
        if place is None:
            message = Sentence("row {line} is blank, or not in the sheet", line=cell.line)
            faults.append(Fault("parameter", message, f"/cells/{at}/line"))
            continue
        texts = [*records[place][1]]
        texts += [""] * (cell.column - len(texts))
        texts[cell.column - 1] = cell.text
        records[place] = (cell.line, texts)
    if faults:
        raise InvalidQuery(faults, faults[0].message)
    return replace(file, records=records)


# --- rows ----------------------------------------------------------------------------------------------------------------


def laid_out(file: SheetFile, given: GivenLayout, is_heading: Callable[[str], bool]) -> SentSheet:
    """The headings and the rows behind them. Raises Invalid where there is no row with headings, InvalidQuery where the given one
    is blank, OverLimit past MOST_COLUMNS."""
    if not file.records:
        raise Invalid([Fault("missing", "there is no row with headings", "", "one row names the columns")])
    at = _heading_at(file.records, given.heading_row, is_heading)
    line, first = file.records[at]
    headings = tuple(_heading(cell) for cell in first)
    if len(headings) > MOST_COLUMNS:
        raise OverLimit(
            [Fault("over-limit", Sentence("a sheet has up to {most} columns", most=MOST_COLUMNS), line=line)]
        )
    skipped = [SkippedRow(number, "above the headings") for number, _ in file.records[:at]]
    rows: list[SheetRow] = []
    used: set[int] = set()
    same = [normal(heading) for heading in headings]
    named = sum(1 for heading in headings if heading)
    others: set[tuple[int, str]] = set()
    for number, (where, cells) in enumerate(file.records[at + 1 :], 1):
        filled = {place: cell for place, cell in enumerate(cells) if isinstance(cell, BrokenCell) or cell.strip()}
        why = _is_no_holding(filled, same, named, others)
        if why is not None:
            skipped.append(SkippedRow(where, why))
            continue
        beyond = [place for place in filled if place >= len(headings)]
        faults: tuple[Fault, ...] = ()
        if beyond:
            message = Sentence(
                "the row has {count} cells, and there are {columns} columns", count=len(cells), columns=len(headings)
            )
            faults = (Fault("row", message, "", "put a cell with the delimiter in it into quotes"),)
        used.update(filled)
        rows.append(SheetRow(number, where, filled, None, faults))
    last = file.records[-1][0]
    skipped += [SkippedRow(number, "blank") for number in file.blank if number < last]
    sheet = SentSheet(
        headings=headings,
        rows=rows,
        format=file.format,
        line=line,
        blank=tuple(place for place, heading in enumerate(headings) if not heading and place not in used),
        name=file.name,
        others=file.others,
        skipped=tuple(sorted(skipped, key=lambda row: row.row)[:_MOST_SKIPPED]),
    )
    return replace(sheet, decimals=_decimals(sheet))


def _heading_at(records: Sequence[tuple[int, Cells]], given: int | None, is_heading: Callable[[str], bool]) -> int:
    """Which record has the headings: of the first ones that in which most cells are headings, else the first."""
    if given is not None:
        found = next((place for place, (number, _) in enumerate(records) if number == given), None)
        if found is None:
            message = Sentence("`layout.heading_row`: row {given} is blank, or not in the sheet", given=given)
            raise InvalidQuery([Fault("parameter", message, "/layout/heading_row")], message)
        return found
    first = records[:_TITLES]
    scores = [len({_heading(cell) for cell in cells if is_heading(_heading(cell))}) for _, cells in first]
    best, widths = max(scores), [sum(1 for cell in cells if _heading(cell)) for _, cells in first]
    # One cell may be a heading by chance.
    if best > max(1, scores[0]):
        return scores.index(best)
    if not scores[0] and widths[0] == 1 < max(widths):
        # A title, and headings in nobody's words.
        return scores.index(best) if best else next(place for place, width in enumerate(widths) if width > 1)
    return 0


def _heading(cell: str | BrokenCell) -> str:
    text = read_text_cell(cell.strip())[0] if isinstance(cell, str) and cell.strip() else ""
    return text if isinstance(text, str) else ""


def _is_no_holding(
    filled: dict[int, str | BrokenCell], same: Sequence[str], named: int, others: set[tuple[int, str]]
) -> Sentence | None:
    """Why a row is none of a holding: a section, a sum, the headings again; None where it may be one. `others` are cells, by
    column, that were seen not to be its heading; those of this row are added."""
    texts = {place: cell for place, cell in filled.items() if isinstance(cell, str)}
    if texts and _is_sum([*texts.values()], len(filled), named):
        # A formula without its value may stand beside the word.
        return Sentence("a sum")
    if not texts or len(texts) < len(filled):
        return None
    place, first = next(iter(texts.items()))
    if len(texts) > 1 and others.isdisjoint(texts.items()):
        is_heading = {place: place < len(same) and normal(cell) == same[place] for place, cell in texts.items()}
        if all(is_heading.values()):
            return Sentence("the headings again")
        others.update((place, cell) for place, cell in texts.items() if not is_heading[place])
    if named >= _WIDE and len(texts) == 1 and place < 2 and _is_title(first):
        return Sentence("a title or section")
    return None


def _is_sum(texts: Sequence[str], filled: int, named: int) -> bool:
    """Whether a row begins with the word for a sum, and has few cells besides, or figures alone."""
    if normal(texts[0]) not in TOTALS:
        return False
    return (named >= _WIDE and 2 * filled <= named) or (named > 1 and all(map(_FIGURES.fullmatch, texts[1:])))


def _is_title(text: str) -> bool:
    """Words; what has a figure and no blank may be a number of a coin."""
    return any(letter.isalpha() for letter in text) and (" " in text.strip() or not any(map(str.isdigit, text)))


def _decimals(sheet: SentSheet) -> dict[int, str]:
    """The decimal sign of each column that shows one, by column counted from 0."""
    found = ((place, decimal_sign(cells)) for place, cells in sheet.sample().items())
    return {place: sign for place, sign in found if sign is not None}


def layout_of(file: SheetFile, sheet: SentSheet, given: GivenLayout, days: str | None) -> Layout:
    """How the sheet is read. `days`: which comes first in days, as far as the cells tell."""
    signs = [*sheet.decimals.values()]
    told = max(",.", key=signs.count) if signs else "," if file.separator == ";" else "."
    order = given.dates or days or "day first"
    return Layout(file.encoding, file.separator, sheet.line or 1, given.decimal or told, order, file.name)  # type: ignore[arg-type]

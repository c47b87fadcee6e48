"""Issues as CSV (RFC 4180) and back, without loss.

The first row names the columns: `id`, `label`, `look_alikes`, `source`, `edition`, and attributes. A cell is read by the type
of its attribute. Empty: not recorded. `-`: known to be none. Several terms: separated by `;`. What begins with one of { [ " is
JSON, as in the facts of a holding: {"one_of": [1892, 1893]}, or a text that would mean something else. An attribute that bears
the name of another column, or that nobody declared, stands under `facts.` and its name; without a type its cells are JSON.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.database.types import written
from service.errors import Fault, Invalid, OverLimit
from service.facts.attributes import Attribute, Attributes, nearest
from service.facts.holding import escape
from service.http.bodies import parse_json
from service.http.problems import Problem

COLUMNS = ("id", "label", "look_alikes", "source", "edition")
MOST_COLUMNS = 600
NONE, APART, PREFIX = "-", ";", "facts."

# A number as JSON writes it (RFC 8259, section 6).
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?")
_NAMING = "columns are separated by commas, and named as /v1/attributes has it"
_WORDS = {"true": True, "yes": True, "false": False, "no": False}


@dataclass(frozen=True, slots=True)
class Row:
    """One issue as it was sent: `value` is as JSON would have it; `faults` are of cells, pointers relative to it."""

    value: Any
    line: int | None = None
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Column:
    """`attribute` None: one of COLUMNS, or an attribute without a type when `is_fact`."""

    name: str
    attribute: Attribute | None
    is_fact: bool


def read_sheet(text: str, attributes: Attributes, *, most: int, given: Iterable[str] = ()) -> list[Row]:
    """The rows of a sheet. `given` names columns that may be left out. Raises Invalid when the columns are not right, with
    lines and columns of the file; OverLimit past `most` rows; Problem when it is no CSV."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[Row] = []
    columns: list[_Column] | None = None
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if columns is None:
                columns = _columns(cells, attributes, reader.line_num, given)
                continue
            if len(rows) == most:
                raise OverLimit([Fault("over-limit", f"one import takes up to {most} rows", line=reader.line_num)])
            rows.append(_row(cells, columns, reader.line_num))
    except csv.Error as error:
        fault = Fault("syntax", f"this is no CSV: {error}", line=reader.line_num)
        raise Problem("unreadable-body", fault.message, [fault]) from None
    return rows


def write_sheet(entries: Iterable[Mapping[str, Any]], attributes: Attributes) -> str:
    """Entries {"id", "label", "facts", "look_alikes", "source", "edition"} as a sheet that `read_sheet` reads back."""
    entries = list(entries)
    used = {name for entry in entries for name in entry["facts"]}
    names = [name for name in attributes if name in used] + sorted(used - set(attributes))
    sheet = io.StringIO(newline="")
    writer = csv.writer(sheet)
    writer.writerow([*COLUMNS, *map(_text_cell, (_heading(name, attributes) for name in names))])
    for entry in entries:
        own = [_text_cell(entry["id"]), _text_cell(entry["label"]), APART.join(entry["look_alikes"])]
        facts = [_cell(entry["facts"].get(name), attributes.get(name)) for name in names]
        writer.writerow([*own, _text_cell(entry["source"]), _text_cell(entry["edition"]), *facts])
    return sheet.getvalue()


# --- reading -----------------------------------------------------------------------------------------------------------


def _columns(cells: Sequence[str], attributes: Attributes, line: int, given: Iterable[str]) -> list[_Column]:
    if len(cells) > MOST_COLUMNS:
        raise OverLimit([Fault("over-limit", f"a sheet has up to {MOST_COLUMNS} columns", line=line)])
    columns: list[_Column] = []
    faults: list[Fault] = []
    seen: set[tuple[str, bool]] = set()
    for number, cell in enumerate(cells):
        name, _ = _read_text(cell.strip())
        column = _column(name if isinstance(name, str) else cell, attributes)
        if column is None:
            near = nearest(cell, [*COLUMNS, *attributes])
            hint = f"did you mean '{near}'?" if near else _NAMING
            message = f"the column '{cell[:80]}' is no attribute"
            faults.append(Fault("unknown-attribute", message, "", hint, line, number + 1))
            continue
        if (column.name, column.is_fact) in seen:
            faults.append(Fault("doubled-name", f"two columns are named '{cell[:80]}'", "", None, line, number + 1))
        seen.add((column.name, column.is_fact))
        columns.append(column)
    for needed in ("id", "label", "source", "edition"):
        if (needed, False) not in seen and needed not in given:
            where = f"send it as ?{needed}=, or as a column" if needed in ("source", "edition") else None
            faults.append(Fault("missing", f"a column '{needed}' is needed", "", where, line))
    if faults:
        raise Invalid(faults)
    return columns


def _column(name: str, attributes: Attributes) -> _Column | None:
    if name in COLUMNS:
        return _Column(name, None, is_fact=False)
    if name.startswith(PREFIX) and len(name) > len(PREFIX):
        name = name.removeprefix(PREFIX)
        return _Column(name, attributes.get(name), is_fact=True)
    attribute = attributes.get(name)
    return None if attribute is None else _Column(name, attribute, is_fact=True)


def _row(cells: Sequence[str], columns: Sequence[_Column], line: int) -> Row:
    facts: dict[str, Any] = {}
    value: dict[str, Any] = {"facts": facts}
    faults: list[Fault] = []
    if len(cells) > len(columns):
        faults.append(Fault("row", f"the row has {len(cells)} cells, and there are {len(columns)} columns"))
    for column, raw in zip(columns, cells, strict=False):
        cell = raw.strip()
        if not cell:
            continue
        if column.is_fact:
            read, wrong = _read_fact(cell, column.attribute)
            facts[column.name] = read
            faults += [fault.under(f"/facts/{escape(column.name)}") for fault in wrong]
        else:
            read, wrong = _read_list(cell) if column.name == "look_alikes" else _read_text(cell)
            value[column.name] = read
            faults += [fault.under(f"/{column.name}") for fault in wrong]
        if wrong:
            # Told once is enough.
            (facts if column.is_fact else value).pop(column.name)
    return Row(value, line, faults)


def _read_fact(cell: str, attribute: Attribute | None) -> tuple[Any, list[Fault]]:
    if cell == NONE:
        return {"none": True}, []
    if attribute is None or cell[0] in '{["':
        return _read_json(cell)
    if attribute.many:
        return _read_list(cell)
    if attribute.is_number and _NUMBER.fullmatch(cell):
        return _read_json(cell)
    if attribute.type == "boolean":
        return _WORDS.get(cell.lower(), cell), []
    # A word for a number is told by whoever reads the facts.
    return cell, []


def _read_text(cell: str) -> tuple[Any, list[Fault]]:
    return _read_json(cell) if cell.startswith('"') else (cell, [])


def _read_list(cell: str) -> tuple[Any, list[Fault]]:
    if cell.startswith("["):
        return _read_json(cell)
    return [part.strip() for part in cell.split(APART) if part.strip()], []


def _read_json(cell: str) -> tuple[Any, list[Fault]]:
    try:
        return parse_json(cell.encode()), []
    except Problem as problem:
        hint = None if cell[0] in '{["' else "nobody declared this attribute, so its cells are JSON"
        return None, [Fault(fault.code, fault.message, fault.pointer, fault.hint or hint) for fault in problem.faults]


# --- writing -----------------------------------------------------------------------------------------------------------


def _heading(name: str, attributes: Attributes) -> str:
    return name if name in attributes and name not in COLUMNS and not name.startswith(PREFIX) else PREFIX + name


def _cell(value: Any, attribute: Attribute | None) -> str:
    if value is None:
        return ""
    if value == {"none": True} and value["none"] is True:
        return NONE
    if attribute is None or isinstance(value, dict):
        return written(value)
    if attribute.many:
        terms = value if isinstance(value, list) else []
        joined = APART.join(terms) if all(isinstance(term, str) for term in terms) else ""
        return joined if joined and _read_list(joined)[0] == terms and _means_itself(joined) else written(value)
    if isinstance(value, str) and attribute.type in ("text", "date", "timestamp"):
        return _text_cell(value)
    return written(value)


def _text_cell(text: str) -> str:
    return text if _means_itself(text) else written(text)


def _means_itself(text: str) -> bool:
    """Whether a cell of this text is read back as it is, and no spreadsheet takes it for a formula."""
    return text != "" and text == text.strip() and text[0] not in '{["=+-@'

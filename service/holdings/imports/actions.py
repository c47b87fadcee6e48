"""Importing holdings: columns are guessed and shown, every row is looked at by itself, all complaints are told at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.errors import Fault, Invalid, InvalidQuery, OverLimit
from service.facts.attributes import Attributes, nearest
from service.facts.holding import escape
from service.formats.cells import csv_records, read_text
from service.formats.strict_json import CSV, XLSX, parse_json
from service.formats.xlsx import BrokenCell, read_workbook
from service.holdings.imports import write as actions
from service.holdings.imports.columns import OWN_COLUMNS, ColumnMeaning, SheetColumn, columns_of, field_named
from service.holdings.imports.plan import ImportPlan, SentRow
from service.holdings.imports.rows import RefusedRow, RowReader, SheetRow, rows_of_json
from service.http.declared import Body
from service.http.schemas.holdings import read_fields
from service.http.schemas.imports import (
    MOST_COLUMNS,
    MOST_IMPORTED,
    MOST_REFUSED,
    HoldingsImportQuery,
    ImportFrame,
    MappingIn,
    shown_column,
    shown_plan,
)
from service.http.wire import read

_FORMATS = {CSV: "csv", XLSX: "xlsx"}
_SAMPLE = 50
_HINT = "say what it is in `mapping`: a field, an attribute, facts.NAME, or null to leave it out"

Said = Sequence[MappingIn] | Mapping[str, str | None]


@dataclass(frozen=True, slots=True)
class _Table:
    """What was sent, before anything is understood. `line` is where the headings stand; `blank` are columns, counted
    from 0, that have neither a heading nor a cell."""

    headings: tuple[str, ...]
    rows: Sequence[SheetRow]
    line: int | None = None
    blank: tuple[int, ...] = ()
    sheet: str | None = None
    others: tuple[str, ...] = ()
    outside: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class HoldingsImport:
    """What of an import can be stored, and what not. `columns_refused` stop it even when rows may be skipped."""

    table: _Table
    format: str
    columns: tuple[SheetColumn, ...]
    columns_refused: tuple[RefusedRow, ...]
    sent: tuple[SentRow, ...]
    refused: tuple[RefusedRow, ...]
    reader: RowReader


def read_import(body: Body, query: HoldingsImportQuery, attributes: Attributes) -> HoldingsImport:
    """The rows of the body. Raises Invalid when the body or the mapping as a whole is not right."""
    said = _said_in_query(query.mapping)
    if body.kind == CSV:
        table = _of_csv(body.value)
    elif body.kind == XLSX:
        table = _of_workbook(body.value)
    else:
        table, within = _of_json(body.value)
        if said is not None and within is not None:
            message = "`mapping` stands in the body, or in the address, and not in both"
            raise InvalidQuery([Fault("parameter", message)], message)
        said = within if within is not None else said
    meant, wrong = _meant(said, table.headings, attributes)
    if wrong and body.kind in _FORMATS:
        raise InvalidQuery(wrong, wrong[0].message)
    is_text = body.kind in _FORMATS
    known = {**dict.fromkeys(table.blank), **meant}
    columns = columns_of(table.headings, attributes, known, _sample(table) if is_text else {})
    if is_text and not table.rows and all(column.is_open for column in columns):
        message = "there is no row, and no heading that is understood"
        raise Invalid([Fault("missing", message, "", "the first row names the columns", table.line)])
    reader = RowReader(columns, attributes, is_text=is_text)
    sent: list[SentRow] = []
    refused: list[RefusedRow] = []
    for row in table.rows:
        read_row, complaints = reader.sent(row)
        refused += complaints
        if read_row is not None:
            sent.append(read_row)
    outside = (*table.outside, *wrong)
    if outside:
        raise Invalid([*outside, *(complaint.fault for complaint in refused)])
    open_columns = tuple(_not_understood(column, table) for column in columns if column.is_open)
    kind = _FORMATS.get(body.kind, "json")
    return HoldingsImport(table, kind, columns, open_columns, tuple(sent), tuple(refused), reader)


def preview(connection: Connection, owner: Owner, looked: HoldingsImport, attributes: Attributes) -> dict[str, Any]:
    """What the import would do."""
    return _shown(looked, actions.compare(connection, owner, looked.sent), attributes, None)


def carry_out(
    connection: Connection, owner: Owner, looked: HoldingsImport, query: HoldingsImportQuery, attributes: Attributes
) -> dict[str, Any]:
    """Does it. Raises Invalid with all that was refused, unless refused rows are to be skipped."""

    def expect(plan: ImportPlan) -> None:
        faults = [complaint.fault for complaint in looked.columns_refused]
        if faults or not query.skip_refused:
            faults += [complaint.fault for complaint in _complaints(looked, plan)]
        if faults:
            raise Invalid(faults)

    kept, plan = actions.carry_out(
        connection,
        owner,
        looked.sent,
        attributes,
        name=query.name,
        format=looked.format,
        refused=len({complaint.row for complaint in looked.refused}),
        check=read_fields,
        expect=expect,
    )
    return _shown(looked, plan, attributes, kept.id)


def _shown(looked: HoldingsImport, plan: ImportPlan, attributes: Attributes, identity: str | None) -> dict[str, Any]:
    complaints = _complaints(looked, plan)
    told = [*looked.columns_refused, *complaints]
    return {
        "import_id": identity,
        "dry_run": identity is None,
        "format": looked.format,
        "sheet": looked.table.sheet,
        "other_sheets": list(looked.table.others),
        "mapping": [shown_column(column) for column in looked.columns],
        "rows": len(looked.table.rows),
        **shown_plan(plan.planned, attributes),
        "refused": [complaint.as_json() for complaint in told[:MOST_REFUSED]],
        "refused_rows": len({complaint.row for complaint in complaints}),
    }


def _complaints(looked: HoldingsImport, plan: ImportPlan) -> list[RefusedRow]:
    """Of rows, in their order."""
    lines = {row.number: row.line for row in looked.table.rows}
    later = [looked.reader.refused(row, lines[row], fault, {}) for row, fault in plan.refused]
    return sorted([*looked.refused, *later], key=lambda complaint: complaint.row or 0)


def _not_understood(column: SheetColumn, table: _Table) -> RefusedRow:
    hint = f"did you mean '{column.near}'? Else {_HINT}" if column.near else _HINT
    shown = column.heading[:80]
    if table.line is not None:
        message = f"the column '{shown}' is not understood" if shown else "a column with cells has no heading"
        fault = Fault("unknown-attribute", message, "", hint, table.line, column.number)
        return RefusedRow(None, table.line, column, fault, column.near)
    place = next(row.number - 1 for row in table.rows if column.number - 1 in row.cells)
    pointer = f"/holdings/{place}/{escape(column.heading)}"
    return RefusedRow(
        None, None, column, Fault("unknown-field", f"a holding has no field '{shown}'", pointer, hint), column.near
    )


# --- the forms ---------------------------------------------------------------------------------------------------------


def _of_csv(text: str) -> _Table:
    delimiter = _delimiter(text)
    return _of_records(list(csv_records(text, most=MOST_IMPORTED, delimiter=delimiter)))


def _of_workbook(raw: bytes) -> _Table:
    sheet = read_workbook(raw, most=MOST_IMPORTED, most_columns=MOST_COLUMNS)
    return replace(_of_records(sheet.rows), sheet=sheet.name, others=sheet.others)


def _of_records(records: Sequence[tuple[int, Sequence[str | BrokenCell]]]) -> _Table:
    """The first record has the headings; a column without a heading and without a cell is none."""
    if not records:
        raise Invalid([Fault("missing", "there is no row with headings", "", "the first row names the columns")])
    line, first = records[0]
    headings = [read_text(cell.strip())[0] if isinstance(cell, str) and cell.strip() else "" for cell in first]
    headings = [heading if isinstance(heading, str) else "" for heading in headings]
    rows: list[SheetRow] = []
    used: set[int] = set()
    for number, (at, cells) in enumerate(records[1:], 1):
        filled = {place: cell for place, cell in enumerate(cells) if isinstance(cell, BrokenCell) or cell.strip()}
        beyond = [place for place in filled if place >= len(headings)]
        faults: tuple[Fault, ...] = ()
        if beyond:
            message = f"the row has {len(cells)} cells, and there are {len(headings)} columns"
            faults = (Fault("row", message, "", "put a cell with the delimiter in it into quotes"),)
        used.update(filled)
        rows.append(SheetRow(number, at, filled, None, faults))
    if len(headings) > MOST_COLUMNS:
        raise OverLimit([Fault("over-limit", f"a sheet has up to {MOST_COLUMNS} columns", line=line)])
    blank = tuple(place for place, heading in enumerate(headings) if not heading and place not in used)
    return _Table(tuple(headings), rows, line, blank)


def _of_json(value: Any) -> tuple[_Table, Said | None]:
    outside: tuple[Fault, ...] = ()
    said: Said | None = None
    try:
        holdings = read(ImportFrame, value).holdings
    except Invalid as refusal:
        outside = refusal.faults
        found = value.get("holdings") if isinstance(value, dict) else None
        holdings = found[:MOST_IMPORTED] if isinstance(found, list) else []
    if isinstance(value, dict) and value.get("mapping") is not None:
        try:
            said = _said(value["mapping"])
        except Invalid as refusal:
            outside = (*outside, *refusal.faults)
    names = dict.fromkeys(name for entry in holdings if isinstance(entry, dict) for name in entry if name != "facts")
    if len(names) > MOST_COLUMNS:
        raise OverLimit(
            [Fault("over-limit", f"holdings have up to {MOST_COLUMNS} members beside `facts`", "/holdings")]
        )
    places = {name: place for place, name in enumerate(names)}
    return _Table(tuple(names), list(rows_of_json(holdings, places)), outside=outside), said


def _delimiter(text: str) -> str:
    """What separates the headings: a comma, a semicolon or a tab, whichever there are most of outside of quotes."""
    counts = {",": 0, ";": 0, "\t": 0}
    quoted = False
    for letter in text.lstrip("\r\n"):
        if letter == '"':
            quoted = not quoted
        elif letter in "\r\n" and not quoted:
            break
        elif letter in counts and not quoted:
            counts[letter] += 1
    return max(counts, key=lambda letter: counts[letter])


def _sample(table: _Table) -> dict[int, list[str]]:
    """Some cells of each column."""
    sample: dict[int, list[str]] = {}
    for row in table.rows[: 10 * _SAMPLE]:
        for place, cell in row.cells.items():
            cells = sample.setdefault(place, [])
            if isinstance(cell, str) and len(cells) < _SAMPLE:
                cells.append(cell.strip())
    return sample


# --- the mapping -------------------------------------------------------------------------------------------------------


def _said_in_query(text: str | None) -> Said | None:
    if text is None:
        return None
    try:
        return _said(parse_json(text.encode()))
    except Invalid as refusal:
        faults = [Fault("parameter", fault.message, fault.pointer, fault.hint) for fault in refusal.faults]
        raise InvalidQuery(faults, f"`mapping` is not right: {faults[0].message}") from None


def _said(value: Any) -> Said:
    """A mapping that was sent: a list of columns, or an object of headings. Raises Invalid, pointers from /mapping on."""
    faults: list[Fault] = []
    entries: list[MappingIn] = []
    if not isinstance(value, list | dict) or len(value) > MOST_COLUMNS:
        hint = '{"heading": "field"}, or a list of {"column", "field"}'
        raise Invalid(
            [Fault("type", f"a mapping says of up to {MOST_COLUMNS} columns what they are", "/mapping", hint)]
        )
    for number, entry in enumerate(value if isinstance(value, list) else ()):
        try:
            entries.append(read(MappingIn, entry))
        except Invalid as refusal:
            faults += refusal.under(f"/mapping/{number}").faults
    for heading, field in value.items() if isinstance(value, dict) else ():
        if field is not None and (not isinstance(field, str) or not field):
            at = f"/mapping/{escape(heading)}"
            faults.append(Fault("type", "a field is named by a text; null leaves the column out", at))
    if faults:
        raise Invalid(faults)
    return entries if isinstance(value, list) else value


def _meant(
    said: Said | None, headings: Sequence[str], attributes: Attributes
) -> tuple[dict[int, ColumnMeaning | None], list[Fault]]:
    """What the caller said of columns, counted from 0, and what is wrong with it."""
    if said is None:
        return {}, []
    entries: list[tuple[str, int | None, str | None, str | None]]
    if isinstance(said, Mapping):
        entries = [(f"/{escape(heading)}", None, heading, field) for heading, field in said.items()]
    else:
        entries = [(f"/{n}", entry.column, entry.heading, entry.field) for n, entry in enumerate(said)]
    meant: dict[int, ColumnMeaning | None] = {}
    faults: list[Fault] = []
    for step, number, heading, text in entries:
        at = f"/mapping{step}"
        place = _place(number, heading, headings)
        if place is None:
            near = nearest(heading or "", headings)
            message = f"there is no column {number if number is not None else repr((heading or '')[:80])}"
            faults.append(Fault("unknown-column", message, at, f"did you mean '{near}'?" if near else None))
            continue
        field = None if text is None else field_named(text, attributes)
        if text is not None and field is None:
            near = nearest(text, [*OWN_COLUMNS, *attributes])
            hint = f"did you mean '{near}'?" if near else f"for a fact of your own write facts.{text[:40]}"
            faults.append(Fault("unknown-field", f"a holding has no field '{text[:80]}'", at, hint))
        elif place in meant or (field is not None and field in meant.values()):
            faults.append(Fault("doubled-name", "one column is one field, and this was said before", at))
        else:
            meant[place] = field
    return meant, faults


def _place(number: int | None, heading: str | None, headings: Sequence[str]) -> int | None:
    if number is not None:
        return number - 1 if number <= len(headings) else None
    return headings.index(heading) if heading is not None and heading in headings else None

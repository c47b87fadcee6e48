"""Sheets and JSON as rows, and rows as holdings: each cell is read by what its column is, each row is checked by itself. Pure.

Own fields: `-` and a blank cell are not recorded; `tags` are separated by `;`, `values` are JSON, and so is an `issue` of
several candidates. Facts: see cells.py; one that is not declared is JSON, or the text of the cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from service.errors import Fault, Invalid, OverLimit
from service.facts.attributes import Attribute, Attributes, nearest
from service.facts.holding import MARKS, STATUSES, check_facts, pointer_step
from service.facts.kinds import value_kind_of
from service.facts.suggestions import nearest_value, pointer_steps
from service.formats.cells import NONE, is_number, read_fact_cell, read_json_cell, read_list_cell, read_text_cell
from service.formats.csv import delimiter_of, read_csv
from service.formats.shapes import read
from service.formats.xlsx import BrokenCell, read_workbook
from service.holdings.imports.columns import ColumnMeaning, SheetColumn
from service.holdings.imports.plan import Format, SentRow
from service.holdings.model import NewHolding, with_defaults

MOST_ROWS = 20_000
MOST_COLUMNS = 600
_SAMPLE = 50
_DEFAULTS = with_defaults({})


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row as it was sent: cells by column, counted from 0; from JSON the plain values, and `facts` apart from them."""

    number: int
    line: int | None
    cells: Mapping[int, Any]
    facts: Any = None
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class SentSheet:
    """What was sent, before its columns are understood. `line` is where the headings are (None: JSON); `blank` are columns,
    counted from 0, that have neither a heading nor a cell; `faults` are those of the body as a whole."""

    headings: tuple[str, ...]
    rows: Sequence[SheetRow]
    format: Format
    line: int | None = None
    blank: tuple[int, ...] = ()
    name: str | None = None
    others: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()

    @property
    def is_text(self) -> bool:
        """Whether cells are texts, else plain values."""
        return self.line is not None

    def sample(self) -> dict[int, list[str]]:
        """Some cells of each column, counted from 0."""
        sample: dict[int, list[str]] = {}
        for row in self.rows[: 10 * _SAMPLE] if self.is_text else ():
            for place, cell in row.cells.items():
                cells = sample.setdefault(place, [])
                if isinstance(cell, str) and len(cells) < _SAMPLE:
                    cells.append(cell.strip())
        return sample


class RefusedCell(msgspec.Struct, frozen=True):
    """One thing wrong with one row, or with a column when `row` is null."""

    row: Annotated[int | None, Meta(description="Which row, counted from 1 behind the headings.")]
    line: Annotated[
        int | None, Meta(description="The line of a CSV file where the row ends, the row of a spreadsheet.")
    ]
    column: int | None
    heading: str | None
    field: str | None
    pointer: Annotated[str, Meta(description="Into the body; for a sheet, into the same rows as JSON.")]
    code: str
    message: str
    hint: str | None
    nearest: Annotated[str | None, Meta(description="The allowed value, or the field, that may have been meant.")]


@dataclass(frozen=True, slots=True)
class RowFault:
    """One thing wrong with one row. The fault's pointer leads from the body."""

    row: int | None
    line: int | None
    column: SheetColumn | None
    fault: Fault
    nearest: str | None

    def shown(self) -> RefusedCell:
        """The complaint as an answer has it."""
        column, fault = self.column, self.fault
        return RefusedCell(
            self.row,
            self.line,
            None if column is None else column.number,
            None if column is None else column.heading,
            None if column is None or column.field is None else column.field.written,
            fault.pointer,
            fault.code,
            fault.message,
            fault.hint,
            self.nearest,
        )


# --- sheets --------------------------------------------------------------------------------------------------------------


def sheet_of_csv(text: str) -> SentSheet:
    """The rows of CSV. Raises Unreadable, Invalid without a row with headings, OverLimit past MOST_ROWS or MOST_COLUMNS."""
    return _of_records(list(read_csv(text, most=MOST_ROWS, delimiter=delimiter_of(text))), "csv")


def sheet_of_workbook(raw: bytes) -> SentSheet:
    """The rows of the first visible sheet of a spreadsheet file. Raises as for CSV."""
    found = read_workbook(raw, most=MOST_ROWS, most_columns=MOST_COLUMNS)
    return replace(_of_records(found.rows, "xlsx"), name=found.name, others=found.others)


def sheet_of_json(holdings: Sequence[Any], faults: Iterable[Fault] = ()) -> SentSheet:
    """Holdings in JSON as rows: their members besides `facts` are columns. `faults` are those of the rest of the body."""
    names = dict.fromkeys(name for entry in holdings if isinstance(entry, dict) for name in entry if name != "facts")
    if len(names) > MOST_COLUMNS:
        raise OverLimit(
            [Fault("over-limit", f"holdings have up to {MOST_COLUMNS} members besides `facts`", "/holdings")]
        )
    places = {name: place for place, name in enumerate(names)}
    return SentSheet(tuple(names), list(_rows_of_json(holdings, places)), "json", faults=tuple(faults))


def _of_records(records: Sequence[tuple[int, Sequence[str | BrokenCell]]], form: Format) -> SentSheet:
    """The first record has the headings; a column without a heading and without a cell is none."""
    if not records:
        raise Invalid([Fault("missing", "there is no row with headings", "", "the first row names the columns")])
    line, first = records[0]
    headings = [read_text_cell(cell.strip())[0] if isinstance(cell, str) and cell.strip() else "" for cell in first]
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
    return SentSheet(tuple(headings), rows, form, line, blank)


def _rows_of_json(holdings: Iterable[Any], places: Mapping[str, int]) -> Iterable[SheetRow]:
    """Rows of plain values; `places` are the columns of members, counted from 0."""
    for number, value in enumerate(holdings, 1):
        if not isinstance(value, dict):
            fault = Fault("type", f"a holding is an object, not {value_kind_of(value)}")
            yield SheetRow(number, None, {}, None, (fault,))
            continue
        facts = value.get("facts", {})
        faults = () if isinstance(facts, dict) else (Fault("dict-type", "'facts' must be an object", "/facts"),)
        cells = {places[name]: cell for name, cell in value.items() if name in places}
        yield SheetRow(number, None, cells, facts, faults)


# --- rows ----------------------------------------------------------------------------------------------------------------


class RowReader:
    """Reads rows by the same columns. `is_text`: cells are texts of a sheet, else plain values."""

    def __init__(self, columns: Sequence[SheetColumn], attributes: Attributes, *, is_text: bool) -> None:
        self._columns, self._attributes, self._is_text = columns, attributes, is_text
        self._places = {(column.field.name, column.field.is_fact): column for column in columns if column.field}

    def sent(self, row: SheetRow) -> tuple[SentRow | None, list[RowFault]]:
        """The row, or everything wrong with it."""
        own: dict[str, Any] = {}
        facts: dict[str, Any] = dict(row.facts) if isinstance(row.facts, dict) else {}
        cleared: set[str] = set()
        faults = list(row.faults)
        broken: set[str] = set()
        for column in self._columns:
            field = column.field
            if field is None or (not self._is_text and column.number - 1 not in row.cells):
                continue
            value, wrong = self._value(field, row.cells.get(column.number - 1, ""))
            at = f"/facts/{pointer_step(field.name)}" if field.is_fact else f"/{field.name}"
            if field.is_fact and field.name in facts:
                wrong = [Fault("doubled-name", f"'{field.name[:80]}' is inside `facts` too")]
            faults += [fault.under(at) for fault in wrong]
            if wrong:
                broken.add(at)
            elif field.is_fact and value is None:
                cleared.add(field.name)
            elif field.is_fact:
                facts[field.name] = value
            else:
                own[field.name] = value
        identity = own.pop("id", None)
        given = {name: _DEFAULTS[name] if value is None else value for name, value in own.items()}
        checked, wrong = self._checked(identity, given, facts)
        faults += [fault for fault in wrong if not any(_is_within(fault.pointer, at) for at in broken)]
        if faults or checked is None:
            shown = {**given, "id": identity, "facts": facts}
            return None, [self.refused(row.number, row.line, fault, shown) for fault in faults]
        return SentRow(row.number, checked.id, _dumped(checked, given), checked.facts, frozenset(cleared)), []

    def refused(self, row: int, line: int | None, fault: Fault, value: Mapping[str, Any]) -> RowFault:
        """The complaint; the fault's pointer is relative to the row."""
        steps = pointer_steps(fault.pointer)
        is_fact = len(steps) > 1 and steps[0] == "facts"
        column = self._places.get((steps[1] if is_fact else steps[0] if steps else "", is_fact))
        if steps == ["status"] and isinstance(value.get("status"), str):
            near = nearest(value["status"], STATUSES)
        else:
            near = nearest_value(fault, steps, value.get("facts"), self._attributes, bounds=True)
        place = column.number if column is not None and self._is_text else None
        at = fault.under(f"/holdings/{row - 1}")
        located = Fault(at.code, at.message, at.pointer, at.hint, line, place if line is not None else None)
        return RowFault(row, line, column if self._is_text else None, located, near)

    def _value(self, field: ColumnMeaning, cell: Any) -> tuple[Any, list[Fault]]:
        """What the cell says; None: not recorded."""
        if isinstance(cell, BrokenCell):
            return None, [Fault("cell", cell.message, "", cell.hint)]
        if not self._is_text:
            return cell, []
        text = cell.strip()
        if not text:
            return None, []
        if field.is_fact:
            return _fact(text, self._attributes.get(field.name))
        return _own(field.name, text)

    def _checked(
        self, identity: Any, own: Mapping[str, Any], facts: Mapping[str, Any]
    ) -> tuple[NewHolding | None, list[Fault]]:
        value = {**own, "facts": facts} if identity is None else {"id": identity, **own, "facts": facts}
        checked: NewHolding | None = None
        faults: list[Fault] = []
        try:
            checked = read(NewHolding, value)
        except Invalid as refusal:
            faults += refusal.faults
        faults += [fault.under("/facts") for fault in check_facts(facts, self._attributes, strict=False)]
        return checked, faults


def _fact(text: str, attribute: Attribute | None) -> tuple[Any, list[Fault]]:
    if attribute is None and text[0] not in '{["' and text not in (NONE, "true", "false") and not is_number(text):
        return text, []
    value, faults = read_fact_cell(text, attribute)
    return (value if attribute is None or not attribute.values else _as_listed(value, attribute)), faults


def _as_listed(value: Any, attribute: Attribute) -> Any:
    """A word of an enumeration as the attribute writes it: capitals at the beginning of a cell mean nothing."""
    if isinstance(value, list):
        return [_as_listed(item, attribute) for item in value]
    if isinstance(value, dict) and isinstance(value.get("one_of"), list):
        return {**value, "one_of": _as_listed(value["one_of"], attribute)}
    if isinstance(value, dict) and value and set(value) <= {"has", "perhaps"}:
        return {name: _as_listed(terms, attribute) for name, terms in value.items()}
    if not isinstance(value, str) or value in attribute.values or value in attribute.synonyms:
        return value
    alike = [word for word in (*attribute.values, *attribute.synonyms) if word.casefold() == value.casefold()]
    return alike[0] if len(alike) == 1 else value


def _own(name: str, text: str) -> tuple[Any, list[Fault]]:
    if text == NONE:
        return None, []
    if name == "status" and text.lower() in STATUSES:
        return text.lower(), []
    if name == "mark" and text.lower() in MARKS:
        return text.lower(), []
    if name == "price_paid":
        return _price(text)
    if name == "tags":
        return read_list_cell(text)
    if name == "values":
        return read_json_cell(text, 'for example [{"basis": "paid", "amount": 120.50, "currency": "EUR"}]')
    if (name == "issue" and text.startswith("{")) or (name == "quantity" and is_number(text)):
        return read_json_cell(text)
    return read_text_cell(text)


def _price(text: str) -> tuple[Any, list[Fault]]:
    """`12.50 EUR`, the currency before or after the amount, or JSON."""
    if text.startswith("{"):
        return read_json_cell(text)
    parts = text.split()
    for amount, currency in (parts, parts[::-1]) if len(parts) == 2 else ():
        if is_number(amount) and len(currency) == 3 and currency.isascii() and currency.isalpha():
            value, faults = read_json_cell(amount)
            return {"amount": value, "currency": currency.upper()}, faults
    return None, [Fault("price", f"'{text[:40]}' is no amount with a currency", "", "for example 12.50 EUR")]


def _dumped(checked: NewHolding, given: Mapping[str, Any]) -> dict[str, Any]:
    made = checked.model_dump(include=set(given))
    return {name: made[name] for name in given}


def _is_within(pointer: str, at: str) -> bool:
    return pointer == at or pointer.startswith(f"{at}/")

"""Rows as holdings: each cell is read by what its column is (values.py), each row is checked by itself. Pure.

Own fields: `-` and a blank cell are not recorded; `tags` are separated by `;`, `values` are JSON, and so is an `issue` of
several candidates. Facts: see cells.py; one that is not declared is JSON, or the text of the cell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from service.errors import Fault, Invalid, Tell
from service.facts.attributes import Attributes
from service.facts.holding import MOST_FACTS, STATUSES, check_facts, pointer_step
from service.facts.suggestions import nearest_value, pointer_steps
from service.facts.words import nearest
from service.formats.shapes import read
from service.holdings.imports.columns import FOR_TRADE, SheetColumn
from service.holdings.imports.plan import SentRow
from service.holdings.imports.sheet import SheetRow
from service.holdings.imports.values import CellReader, Context, Told
from service.holdings.model import NewHolding, with_defaults
from service.holdings.right_values import RightValues

_DEFAULTS = with_defaults({})
# Equal values of these types are the same in every respect.
_PLAIN = frozenset((str, int, type(None)))


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

    def shown(self, tell: Tell = str) -> RefusedCell:
        """The complaint as an answer has it, told in the language of `tell`."""
        column, fault = self.column, self.fault
        return RefusedCell(
            self.row,
            self.line,
            None if column is None else column.number,
            None if column is None else column.heading,
            None if column is None or column.field is None else column.field.written,
            fault.pointer,
            fault.code,
            tell(fault.message),
            None if fault.hint is None else tell(fault.hint),
            self.nearest,
        )


# --- rows ----------------------------------------------------------------------------------------------------------------


class RowReader:
    """Reads rows by the same columns. `cells` reads the cells of a sheet of texts; None: they are plain values of JSON.
    `constants` are facts that all rows share, where they say nothing else."""

    def __init__(
        self,
        columns: Sequence[SheetColumn],
        attributes: Attributes,
        cells: CellReader | None,
        constants: Mapping[str, Any] | None = None,
    ) -> None:
        self._columns, self._attributes, self._cells = columns, attributes, cells
        self._constants = constants or {}
        self._places = {(column.field.name, column.field.is_fact): column for column in columns if column.field}
        self._pointers = {
            column.number: f"/facts/{pointer_step(column.field.name)}"
            if column.field.is_fact
            else f"/{column.field.name}"
            for column in columns
            if column.field is not None
        }
        # The meaning of a name may depend on the year, that of a denomination on the issuer.
        first = ("year_on_coin", "date_as_written", "issuer")
        self._first = [self._places[name, True] for name in first if (name, True) in self._places]
        self._bare = self._context({})
        self._right = RightValues(attributes)
        # By name and value of an own field: what is kept of it.
        self._right_own: dict[tuple[str, type, Any], Any] = {}

    def sent(self, row: SheetRow) -> tuple[SentRow | None, list[RowFault]]:
        """The row, or everything wrong with it."""
        own: dict[str, Any] = {}
        facts: dict[str, Any] = dict(row.facts) if isinstance(row.facts, dict) else {}
        cleared: set[str] = set()
        faults = list(row.faults)
        broken: set[str] = set()
        kept: list[tuple[str, str]] = []
        is_for_trade = False
        more: dict[str, Any] = {}
        told_first = self._told_first(row)
        context = self._context(told_first)
        for column in self._columns:
            field, cell = column.field, row.cells.get(column.number - 1, "")
            if field is None:
                if column.is_open and isinstance(cell, str) and cell.strip() and self._cells is not None:
                    kept.append((column.heading, cell.strip()))
                continue
            if self._cells is None and column.number - 1 not in row.cells:
                continue
            told = told_first.get(column.number) or self._told(column, cell, context)
            at = self._pointers[column.number]
            wrong: Sequence[Fault] = told.faults
            if field.is_fact and field.name in facts:
                wrong = [Fault.of("doubled-name", "'{name}' is inside `facts` too", name=field.name[:80])]
            if told.is_kept and isinstance(cell, str):
                kept.append((column.heading, cell.strip()))
            if told.more:
                more |= told.more
            if wrong:
                faults += [fault.under(at) for fault in wrong]
                broken.add(at)
            elif not field.is_fact and field.name == FOR_TRADE:
                is_for_trade = told.value is True
            elif not field.is_fact:
                own[field.name] = told.value
            elif told.value is not None:
                facts[field.name] = told.value
            elif field.name not in self._constants:
                cleared.add(field.name)
        for name, value in (*more.items(), *self._constants.items()):
            if name not in facts and f"/facts/{pointer_step(name)}" not in broken:
                facts[name] = value
                cleared.discard(name)
        if is_for_trade and own.get("status") in (None, "held"):
            own["status"] = "for trade"
        identity = own.pop("id", None)
        given = {name: _DEFAULTS[name] if value is None else value for name, value in own.items()}
        checked = self._checked_again(identity, given, facts)
        if checked is None:
            checked, found = self._checked(identity, given, facts)
            faults += [fault for fault in found if not any(_is_within(fault.pointer, at) for at in broken)]
        if faults or checked is None:
            shown = {**given, "id": identity, "facts": facts}
            return None, [self.refused(row.number, row.line, fault, shown) for fault in faults]
        identity, dumped = checked
        return SentRow(row.number, identity, dumped, facts, frozenset(cleared), tuple(kept), row.line), []

    def refused(self, row: int, line: int | None, fault: Fault, value: Mapping[str, Any]) -> RowFault:
        """The complaint; the fault's pointer is relative to the row."""
        steps = pointer_steps(fault.pointer)
        is_fact = len(steps) > 1 and steps[0] == "facts"
        column = self._places.get((steps[1] if is_fact else steps[0] if steps else "", is_fact))
        if steps == ["status"] and isinstance(value.get("status"), str):
            near = nearest(value["status"], STATUSES)
        else:
            near = nearest_value(fault, steps, value.get("facts"), self._attributes, bounds=True)
        is_text = self._cells is not None
        place = column.number if column is not None and is_text else None
        at = fault.under(f"/holdings/{row - 1}")
        located = Fault(at.code, at.message, at.pointer, at.hint, line, place if line is not None else None)
        return RowFault(row, line, column if is_text else None, located, near)

    def _told(self, column: SheetColumn, cell: Any, context: Context) -> Told:
        return Told(cell) if self._cells is None else self._cells.told(column, cell, context)

    def _told_first(self, row: SheetRow) -> dict[int, Told]:
        """What the cells say on which the meaning of others depends."""
        found: dict[int, Told] = {}
        if self._cells is not None:
            for column in self._first:
                cell = row.cells.get(column.number - 1, "")
                context = self._context(found) if found else self._bare
                found[column.number] = self._told(column, cell, context)
        return found

    def _context(self, told: Mapping[int, Told]) -> Context:
        def value(name: str) -> Any:
            column = self._places.get((name, True))
            found = told.get(column.number) if column is not None else None
            return found.value if found is not None and found.value is not None else self._constants.get(name)

        issuer, year = value("issuer"), value("year_on_coin")
        if year is None and (date := self._places.get(("date_as_written", True))) is not None and date.number in told:
            year = told[date.number].more.get("year_on_coin")
        return Context(issuer if isinstance(issuer, str) else None, _years(year))

    def _checked(
        self, identity: Any, own: Mapping[str, Any], facts: Mapping[str, Any]
    ) -> tuple[tuple[str | None, dict[str, Any]] | None, list[Fault]]:
        """The id and the own fields as they are kept, and everything wrong."""
        value = {**own, "facts": facts} if identity is None else {"id": identity, **own, "facts": facts}
        checked: NewHolding | None = None
        faults: list[Fault] = []
        try:
            checked = read(NewHolding, value)
        except Invalid as refusal:
            faults += refusal.faults
        faults += [fault.under("/facts") for fault in check_facts(facts, self._attributes, strict=False)]
        return None if checked is None else (checked.id, _dumped(checked, own)), faults

    def _checked_again(
        self, identity: Any, own: Mapping[str, Any], facts: Mapping[str, Any]
    ) -> tuple[str | None, dict[str, Any]] | None:
        """The same where nothing is wrong, else None; a value that was right in a row before is not looked at again."""
        issuer = facts.get("issuer")
        if len(facts) > MOST_FACTS or not (issuer is None or isinstance(issuer, str)):
            return None
        left, keys = self._right.left(facts, issuer)
        known = {name: (name, type(value), value) for name, value in own.items() if type(value) in _PLAIN}
        new = {name: value for name, value in own.items() if known.get(name) not in self._right_own}
        value = {**new, "facts": left} if identity is None else {"id": identity, **new, "facts": left}
        try:
            checked = read(NewHolding, value) if new or left or identity is not None else None
        except Invalid:
            return None
        if left and check_facts(
            {**left, "issuer": issuer} if issuer is not None else left, self._attributes, strict=False
        ):
            return None
        self._right.add(keys)
        made = {} if checked is None else _dumped(checked, new)
        for name in made.keys() & known.keys():
            self._right_own[known[name]] = made[name]
        dumped = {name: made[name] if name in made else self._right_own[known[name]] for name in own}
        return None if checked is None else checked.id, dumped


def _years(value: Any) -> tuple[int, int] | None:
    """The years between which a recorded year lies."""
    if isinstance(value, dict):
        options = value.get("one_of", [value.get("from"), value.get("to")])
        value = options if isinstance(options, list) else []
    found = [year for year in (value if isinstance(value, list) else [value]) if isinstance(year, int)]
    return (min(found), max(found)) if found else None


def _dumped(checked: NewHolding, given: Mapping[str, Any]) -> dict[str, Any]:
    made = checked.model_dump(include=set(given))
    return {name: made[name] for name in given}


def _is_within(pointer: str, at: str) -> bool:
    return pointer == at or pointer.startswith(f"{at}/")

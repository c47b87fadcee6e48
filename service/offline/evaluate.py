"""A set and the coins of a file, evaluated and explained without a server or a database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from service.errors import Fault, Invalid
from service.facts.holding import Holding, read_holdings
from service.formats.strict_json import parse_json, parse_yaml
from service.holdings.imports.actions import GivenImport, read_file
from service.holdings.imports.layout import GivenLayout, file_of_csv, file_of_workbook
from service.holdings.imports.plan import plan_of
from service.progress.actions.stored_set import catalogue_of
from service.progress.evaluate import EvaluationRequest
from service.reference import actions as reference
from service.reference.model import NOTHING_OWN
from service.rules.definition import Definition
from service.rules.used_terms import used_by_attribute


class BadFile(Exception):
    """A file that cannot be used; `lines` say where and what to do, one fault each."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = tuple(lines)

    @classmethod
    def of(cls, path: Path, faults: Sequence[Fault]) -> BadFile:
        """The faults of one file."""
        return cls([fault_line(path, fault) for fault in faults])


def fault_line(path: Path, fault: Fault) -> str:
    """FILE:LINE:COLUMN: error: what (JSON pointer); what to do. [code]"""
    at = "".join(f":{number}" for number in (fault.line, fault.column) if number is not None)
    pointer = f" ({fault.pointer})" if fault.pointer else ""
    hint = f"; {fault.hint}" if fault.hint else ""
    return f"{path}{at}: error: {fault.message}{pointer}{hint} [{fault.code}]"


@dataclass(frozen=True, slots=True)
class Coins:
    """The coins of a file, and what to tell of the reading: cells not understood, rows that are no coins."""

    holdings: tuple[Holding, ...]
    notes: tuple[str, ...] = ()


# --- reading -------------------------------------------------------------------------------------------------------------


def read_set(path: Path) -> Definition:
    """The definition of a file: JSON where the name ends with `.json`, else YAML. Raises BadFile."""
    raw = _bytes(path)
    try:
        document = parse_json(raw) if path.suffix.lower() == ".json" else parse_yaml(raw)
        return reference.read_definition(document)
    except Invalid as refusal:
        raise BadFile.of(path, refusal.faults) from None


def read_coins(path: Path, definition: Definition) -> Coins:
    """The coins of a sheet (CSV, XLSX, OpenDocument), or of JSON: a list of holdings, or an export. Raises BadFile for every row
    that cannot be read: none is left out."""
    raw = _bytes(path)
    try:
        kind = path.suffix.lower()
        if kind == ".json":
            return Coins(read_holdings(_rows_of_json(parse_json(raw)), definition.attributes, strict=True))
        if kind not in (".csv", ".xlsx", ".ods"):
            message = "coins are read from .csv, .xlsx, .ods and .json"
            raise Invalid([Fault("unreadable", message, "", "save the sheet as one of these")])
        return _coins_of_sheet(path, raw, definition, is_csv=kind == ".csv")
    except Invalid as refusal:
        raise BadFile.of(path, refusal.faults) from None


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadFile([f"{path}: error: cannot be read: {error.strerror} [unreadable]"]) from None


def _rows_of_json(value: Any) -> Any:
    """Holdings as an evaluation takes them, with an id each."""
    rows = value["holdings"] if isinstance(value, dict) and "holdings" in value else value
    if not isinstance(rows, list):
        return rows
    return [
        {**row, "id": row.get("number") or f"row {number}"} if isinstance(row, dict) and row.get("id") is None else row
        for number, row in enumerate(rows, 1)
    ]


def _coins_of_sheet(path: Path, raw: bytes, definition: Definition, *, is_csv: bool) -> Coins:
    attributes, used = definition.attributes, used_by_attribute([definition.document])
    file = file_of_csv(raw, GivenLayout()) if is_csv else file_of_workbook(raw)
    read = read_file(file, GivenImport(), attributes, definition.vocabularies, used)
    lines = {row.number: row.line for row in read.sheet.rows}
    plan = plan_of(read.sent, ())
    refused = [(fault.line, fault.fault) for fault in read.refused]
    refused += [(lines[row], fault) for row, fault in plan.refused]
    if refused:
        raise BadFile(
            [
                fault_line(path, Fault(fault.code, fault.message, fault.pointer, fault.hint, line))
                for line, fault in sorted(refused, key=lambda pair: pair[0] or 0)
            ]
        )
    rows = [
        {
            "id": row.id or row.after["number"] or f"row {row.row}",
            **{name: value for name, value in row.after.items() if value is not None},
        }
        for row in plan.planned
    ]
    questions = [*read.asked, *(read.cells.questions() if read.cells else ())]
    notes = [
        f"{path}: note: column '{asked.heading}': '{asked.value}' is not understood, in {asked.rows} rows; unknown for rules"
        for asked in questions
    ]
    notes += [f"{path}:{row.row}: note: no coin: {row.why}" for row in read.sheet.skipped]
    notes += [f"{path}: note: sheet '{name}' is not read" for name in read.sheet.others]
    return Coins(read_holdings(rows, attributes, strict=True), tuple(notes))


def request_of(definition: Definition, coins: Coins, today: date) -> EvaluationRequest:
    """The evaluation of these coins, with the shipped catalogue and vocabularies."""
    return EvaluationRequest(
        definition=definition,
        holdings=coins.holdings,
        today=today,
        issues=catalogue_of(NOTHING_OWN, definition.attributes),
        vocabularies=definition.vocabularies,
        reference_edition=reference.edition(),
    )


# --- explanations --------------------------------------------------------------------------------------------------------


def find_coin(path: Path, holdings: Iterable[Holding], number: str) -> Holding:
    """The coin of this number, or of this id. Raises BadFile."""
    found = [holding for holding in holdings if number in (holding.number, holding.id)]
    if len(found) != 1:
        what = "no coin has" if not found else f"{len(found)} coins have"
        raise BadFile(
            [f"{path}: error: {what} the number '{number}'; give a number or an id of the file [unknown-coin]"]
        )
    return found[0]

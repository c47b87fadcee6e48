"""The whole collection as CSV, as a spreadsheet, or as JSON, from which an import reads it back without loss. Pure.

Only attributes of the core have cells by their type. One that a definition declares is in a column `facts.NAME`, as JSON, so that
the file means the same where it is not declared.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Any

import msgspec

from service.database.types import read_back, written
from service.facts.attributes import Attributes
from service.formats.cells import fact_cell, is_number, list_cell, text_cell
from service.formats.csv import write_csv
from service.formats.xlsx import UNSAYABLE, is_sayable, write_workbook
from service.holdings.imports.columns import FACT_PREFIX, OWN_COLUMNS, needs_prefix
from service.holdings.model import RecordedHolding, StoredHolding, with_defaults


class ExportedCollection(msgspec.Struct, frozen=True):
    """The whole collection, as POST /v1/holdings/imports takes it."""

    holdings: list[RecordedHolding]


def export_json(stored: Iterable[StoredHolding]) -> ExportedCollection:
    """The collection as JSON has it."""
    return ExportedCollection([exported_holding(holding) for holding in stored])


def exported_holding(holding: StoredHolding) -> RecordedHolding:
    """One holding as it is exported."""
    return RecordedHolding(holding.id, **with_defaults(holding.data))


def export_csv(stored: Sequence[StoredHolding], core: Attributes) -> str:
    """The collection as CSV. Raises OverLimit when a cell is longer than what is read back."""
    return write_csv(rows_of(stored, core))


def export_workbook(stored: Sequence[StoredHolding], core: Attributes) -> bytes:
    """The collection as a spreadsheet file. Raises OverLimit when a cell is longer than what one holds."""
    rows = rows_of(stored, core, plain=is_sayable)
    headings = next(rows)
    numeric = [heading == "quantity" or (heading in core and core[heading].is_number) for heading in headings]
    values = [[_value(cell, kind) for cell, kind in zip(cells, numeric, strict=True)] for cells in rows]
    return write_workbook("Holdings", [headings, *values])


def rows_of(
    stored: Iterable[StoredHolding], core: Attributes, plain: Callable[[str], bool] = lambda _: True
) -> Iterator[list[str]]:
    """The headings, then a row for each holding; the holdings are gone through twice. Cells that are not `plain` are JSON with
    what is not plain escaped."""
    used = {name for holding in stored for name in holding.data.get("facts", {})}
    names = [name for name in core if name in used] + sorted(used - set(core))

    def cell(text: str, value: Any) -> str:
        return text if plain(text) else UNSAYABLE.sub(_escaped, written(value))

    yield [*OWN_COLUMNS, *(cell(text_cell(heading), heading) for heading in (_heading(name, core) for name in names))]
    for holding in stored:
        data = {"id": holding.id, **with_defaults(holding.data)}
        facts = data["facts"]
        own = [cell(_own_cell(data[name]), data[name]) for name in OWN_COLUMNS]
        yield [*own, *(cell(fact_cell(facts.get(name), core.get(name)), facts.get(name)) for name in names)]


def _heading(name: str, core: Attributes) -> str:
    return FACT_PREFIX + name if needs_prefix(name) or name not in core else name


def _own_cell(value: Any) -> str:
    if value is None or value == []:
        return ""
    if isinstance(value, list) and isinstance(value[0], str):
        return list_cell(value)
    return text_cell(value) if isinstance(value, str) else written(value)


def _escaped(found: re.Match[str]) -> str:
    """Such letters are inside texts of JSON only."""
    letters = found.group()
    return f"\\u{ord(letters[0]):04x}{letters[1:]}"


def _value(cell: str, is_numeric: bool) -> str | int | Decimal:
    if not (is_numeric and is_number(cell)):
        return cell
    number: int | Decimal = read_back(cell)
    return number

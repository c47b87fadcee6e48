"""What was sent as rows, before its columns are understood: from a text file, a spreadsheet file (layout.py) or JSON. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from service.errors import Fault, OverLimit
from service.facts.kinds import value_kind_of
from service.holdings.imports.plan import Format

MOST_ROWS = 20_000
MOST_COLUMNS = 600
_SAMPLE = 50


class SkippedRow(msgspec.Struct, frozen=True):
    """A row of the file that is no holding."""

    row: Annotated[int, Meta(description="The row, or the line, of the file, counted from 1.")]
    why: str


class SheetRow(msgspec.Struct, frozen=True):
    """One row as it was sent: cells by column, counted from 0; from JSON the plain values, and `facts` apart from them."""

    number: int
    line: int | None
    cells: Mapping[int, Any]
    facts: Any = None
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True, slots=True)
class SentSheet:
    """What was sent, before its columns are understood. `line` is where the headings are (None: JSON); `blank` are columns,
    counted from 0, that have neither a heading nor a cell; `faults` are those of the body as a whole; `decimals` the
    decimal signs that columns, counted from 0, show."""

    headings: tuple[str, ...]
    rows: Sequence[SheetRow]
    format: Format
    line: int | None = None
    blank: tuple[int, ...] = ()
    name: str | None = None
    others: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    skipped: tuple[SkippedRow, ...] = ()
    decimals: Mapping[int, str] = field(default_factory=dict)

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


def sheet_of_json(holdings: Sequence[Any], faults: Iterable[Fault] = ()) -> SentSheet:
    """Holdings in JSON as rows: their members besides `facts` are columns. `faults` are those of the rest of the body."""
    names = dict.fromkeys(name for entry in holdings if isinstance(entry, dict) for name in entry if name != "facts")
    if len(names) > MOST_COLUMNS:
        raise OverLimit(
            [
                Fault.of(
                    "over-limit", "holdings have up to {most} members besides `facts`", "/holdings", most=MOST_COLUMNS
                )
            ]
        )
    places = {name: place for place, name in enumerate(names)}
    return SentSheet(tuple(names), list(_rows_of_json(holdings, places)), "json", faults=tuple(faults))


def _rows_of_json(holdings: Iterable[Any], places: Mapping[str, int]) -> Iterable[SheetRow]:
    """Rows of plain values; `places` are the columns of members, counted from 0."""
    for number, value in enumerate(holdings, 1):
        if not isinstance(value, dict):
            fault = Fault.of("type", "a holding is an object, not {kind}", kind=value_kind_of(value))
            yield SheetRow(number, None, {}, None, (fault,))
            continue
        facts = value.get("facts", {})
        faults = () if isinstance(facts, dict) else (Fault("dict-type", "'facts' must be an object", "/facts"),)
        cells = {places[name]: cell for name, cell in value.items() if name in places}
        yield SheetRow(number, None, cells, facts, faults)

"""Issues as CSV (RFC 4180) and back, without loss.

The first row names the columns: `id`, `label`, `look_alikes`, `source`, `edition`, `replaces`, and attributes; their cells: see
cells.py. An attribute that bears the name of another column, or that nobody declared, stands under `facts.` and its name;
without a type its cells are JSON.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.errors import Fault, Invalid, OverLimit, Sentence
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import pointer_step
from service.facts.words import nearest
from service.formats.cells import APART, PREFIX, fact_cell, read_fact_cell, read_list_cell, read_text_cell, text_cell
from service.formats.csv import read_csv
from service.reference.model import Issue

COLUMNS = ("id", "label", "look_alikes", "source", "edition", "replaces")
MOST_COLUMNS = 600
_NAMING = "columns are separated by commas, and named as /v1/attributes has it"


@dataclass(frozen=True, slots=True)
class IssueRow:
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


def read_sheet(text: str, attributes: Attributes, *, most: int, given: Iterable[str] = ()) -> list[IssueRow]:
    """The rows of a sheet. `given` names columns that may be left out. Raises Invalid when the columns are not right, with
    lines and columns of the file; OverLimit past `most` rows; Unreadable when it is no CSV."""
    rows: list[IssueRow] = []
    columns: list[_Column] | None = None
    for line, cells in read_csv(text, most=most):
        if columns is None:
            columns = _columns(cells, attributes, line, given)
        else:
            rows.append(_row(cells, columns, line))
    return rows


def write_sheet(issues: Iterable[Issue], attributes: Attributes) -> str:
    """Issues as a sheet that `read_sheet` reads back."""
    listed = list(issues)
    used = {name for issue in listed for name in issue.facts}
    names = [name for name in attributes if name in used] + sorted(used - set(attributes))
    sheet = io.StringIO(newline="")
    writer = csv.writer(sheet)
    writer.writerow([*COLUMNS, *map(text_cell, (_heading(name, attributes) for name in names))])
    for issue in listed:
        own = [text_cell(issue.id), text_cell(issue.label), APART.join(issue.look_alikes)]
        facts = [fact_cell(issue.facts.get(name), attributes.get(name)) for name in names]
        more = [
            text_cell(issue.source),
            text_cell(issue.edition),
            "" if issue.replaces is None else text_cell(issue.replaces),
        ]
        writer.writerow([*own, *more, *facts])
    return sheet.getvalue()


# --- reading -----------------------------------------------------------------------------------------------------------


def _columns(cells: Sequence[str], attributes: Attributes, line: int, given: Iterable[str]) -> list[_Column]:
    if len(cells) > MOST_COLUMNS:
        raise OverLimit(
            [Fault("over-limit", Sentence("a sheet has up to {most} columns", most=MOST_COLUMNS), line=line)]
        )
    columns: list[_Column] = []
    faults: list[Fault] = []
    seen: set[tuple[str, bool]] = set()
    for number, cell in enumerate(cells):
        name, _ = read_text_cell(cell.strip())
        column = _column(name if isinstance(name, str) else cell, attributes)
        if column is None:
            near = nearest(cell, [*COLUMNS, *attributes])
            hint = Sentence("did you mean '{near}'?", near=near) if near else _NAMING
            message = Sentence("the column '{cell}' is no attribute", cell=cell[:80])
            faults.append(Fault("unknown-attribute", message, "", hint, line, number + 1))
            continue
        if (column.name, column.is_fact) in seen:
            faults.append(
                Fault(
                    "doubled-name",
                    Sentence("two columns are named '{cell}'", cell=cell[:80]),
                    "",
                    None,
                    line,
                    number + 1,
                )
            )
        seen.add((column.name, column.is_fact))
        columns.append(column)
    for needed in ("id", "label", "source", "edition"):
        if (needed, False) not in seen and needed not in given:
            where = (
                Sentence("send it as ?{needed}=, or as a column", needed=needed)
                if needed in ("source", "edition")
                else None
            )
            faults.append(Fault("missing", Sentence("a column '{needed}' is needed", needed=needed), "", where, line))
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


def _row(cells: Sequence[str], columns: Sequence[_Column], line: int) -> IssueRow:
    facts: dict[str, Any] = {}
    value: dict[str, Any] = {"facts": facts}
    faults: list[Fault] = []
    if len(cells) > len(columns):
        faults.append(
            Fault.of(
                "row",
                "the row has {count} cells, and there are {columns} columns",
                count=len(cells),
                columns=len(columns),
            )
        )
    for column, raw in zip(columns, cells, strict=False):
        cell = raw.strip()
        if not cell:
            continue
        if column.is_fact:
            read, wrong = read_fact_cell(cell, column.attribute)
            facts[column.name] = read
            faults += [fault.under(f"/facts/{pointer_step(column.name)}") for fault in wrong]
        else:
            read, wrong = read_list_cell(cell) if column.name == "look_alikes" else read_text_cell(cell)
            value[column.name] = read
            faults += [fault.under(f"/{column.name}") for fault in wrong]
        if wrong:
            # Told once is enough.
            (facts if column.is_fact else value).pop(column.name)
    return IssueRow(value, line, faults)


# --- writing -----------------------------------------------------------------------------------------------------------


def _heading(name: str, attributes: Attributes) -> str:
    return name if name in attributes and name not in COLUMNS and not name.startswith(PREFIX) else PREFIX + name

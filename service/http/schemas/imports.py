"""Imports and exports of holdings on the wire."""

from __future__ import annotations

from itertools import chain
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from service.facts.attributes import Attributes
from service.holdings.imports.columns import SheetColumn
from service.holdings.imports.plan import CREATED, UNCHANGED, UPDATED, PlannedRow, change_between
from service.holdings.imports.store import StoredImport
from service.holdings.model import unknown_attributes, with_defaults
from service.http.schemas.holdings import UnknownAttributeOut
from service.http.wire import In, OldOut, OldPageOut

MOST_IMPORTED = 20_000
MOST_SHOWN = 100
MOST_REFUSED = 1_000
MOST_COLUMNS = 600


class MappingIn(In):
    """What one column is. An entry of `mapping` in an answer may be sent back as it is."""

    column: int | None = Field(None, ge=1, le=MOST_COLUMNS, description="Counted from 1; goes before `heading`.")
    heading: str | None = Field(None, max_length=2_000)
    field: Annotated[str, StringConstraints(min_length=1, max_length=110)] | None = Field(
        description="An own field such as number, an attribute, or facts.NAME; null leaves the column out."
    )
    guessed: bool = Field(False, description="Taken, and not looked at.")
    nearest: str | None = Field(None, description="Taken, and not looked at.")


_MEMBERS = (
    "Of each: id, number, issue, quantity, status, location, tags, note, values, facts; other members as columns."
)


class HoldingsImportIn(In):
    """Holdings to record or change."""

    holdings: list[dict[str, Any]] = Field(max_length=MOST_IMPORTED, description=_MEMBERS)
    mapping: list[MappingIn] | dict[str, str | None] | None = Field(
        None, max_length=MOST_COLUMNS, description="What members beside those are: a list, or an object of headings."
    )


class ImportFrame(In):
    """The same before its holdings and its mapping are looked at, each by itself."""

    holdings: list[Any] = Field(max_length=MOST_IMPORTED)
    mapping: Any = None


class HoldingsImportQuery(BaseModel):
    """How to import."""

    model_config = ConfigDict(extra="forbid")

    dry_run: bool = Field(False, description="true: only tell what would be done.")
    skip_refused: bool = Field(False, description="true: leave refused rows out; else one refused row refuses all.")
    name: str | None = Field(
        None, min_length=1, max_length=200, pattern="^[^\\x00]*$", description="The name of the file, to find it again."
    )
    mapping: str | None = Field(
        None,
        max_length=50_000,
        description='What the columns are, as JSON: {"heading": "field"}, or a list as in `mapping` of the answer.',
    )


class ExportQuery(BaseModel):
    """In which form to take the collection away."""

    model_config = ConfigDict(extra="forbid")

    format: Literal["csv", "xlsx", "json"] = "json"


class MappedOut(OldOut):
    """What a column was taken for."""

    column: int = Field(description="Counted from 1.")
    heading: str
    field: str | None = Field(description="null: left out.")
    guessed: bool = Field(description="Whether neither the caller nor the exact name said so.")
    nearest: str | None = Field(None, description="Of a column that was not understood: what may have been meant.")


class RefusedCellOut(OldOut):
    """One thing wrong with one row, or with a column when `row` is null."""

    row: int | None = Field(description="Which row, counted from 1 behind the headings.")
    line: int | None = Field(description="The line of a CSV file where the row ends, the row of a spreadsheet.")
    column: int | None
    heading: str | None
    field: str | None
    pointer: str = Field(description="Into the body; for a sheet, into the same rows as JSON.")
    code: str
    message: str
    hint: str | None
    nearest: str | None = Field(description="The allowed value, or the field, that may have been meant.")


class PlannedOut(OldOut):
    """One row of the preview; fields and facts by name, as far as they differ."""

    outcome: Literal["created", "updated", "unchanged"]
    row: int
    id: str | None
    number: str | None
    before: dict[str, Any]
    after: dict[str, Any]


class HoldingsImportOut(OldOut):
    """What an import did, or would do."""

    import_id: str | None = Field(description="For undoing; null of a dry run.")
    dry_run: bool
    format: Literal["csv", "xlsx", "json"]
    sheet: str | None = Field(description="Which sheet of a spreadsheet was read: the first.")
    other_sheets: list[str] = Field(description="Sheets with something in them that were left out.")
    mapping: list[MappedOut]
    rows: int
    created: int
    updated: int
    unchanged: int
    without_number: int = Field(
        description="Of those created, how many have neither a number nor an id: the same file makes them again."
    )
    refused: list[RefusedCellOut] = Field(description="The first 1,000 complaints.")
    refused_rows: int
    unknown_attributes: list[UnknownAttributeOut] = Field(description="Facts whose attribute nobody declared; kept.")
    items: list[PlannedOut] = Field(description="The first 100, those that change something first.")


class KeptOut(OldOut):
    """What undoing left as it is."""

    holding: str
    number: str | None
    reason: Literal["changed since", "deleted since", "not allowed any more"]
    fields: list[str] = Field(
        description="Those of the import that were changed since; empty: the whole holding stays."
    )


class UndoneOut(OldOut):
    """What undoing an import did."""

    destroyed: int = Field(description="Holdings that the import had made.")
    set_back: int = Field(description="Holdings that it had changed.")
    gone: int = Field(description="Holdings that it had made and the owner deleted since.")
    kept: list[KeptOut]


class HoldingImportOut(OldOut):
    """An import that was carried out."""

    id: str
    at: str
    name: str | None
    format: Literal["csv", "xlsx", "json"]
    created: int
    updated: int
    unchanged: int
    refused: int = Field(description="Rows that were left out.")
    undone_at: str | None
    undone: UndoneOut | None


class HoldingImportPageOut(OldPageOut):
    """One page of imports, the newest first."""

    items: list[HoldingImportOut]


class ExportedOut(OldOut):
    """The whole collection, as POST /v1/holdings/imports takes it."""

    holdings: list[dict[str, Any]]


def shown_import(kept: StoredImport) -> dict[str, Any]:
    done = {"undone_at": kept.undone_at, "undone": kept.undone}
    return {"id": kept.id, "at": kept.at, "name": kept.name, "format": kept.format, **kept.counts, **done}


def shown_column(column: SheetColumn) -> dict[str, Any]:
    shown = {
        "column": column.number,
        "heading": column.heading,
        "field": None if column.field is None else column.field.written,
        "guessed": column.guessed,
    }
    return {**shown, "nearest": column.near} if column.is_open else shown


def shown_plan(planned: tuple[PlannedRow, ...], attributes: Attributes) -> dict[str, Any]:
    """The counts, the preview and the facts that nobody declared."""
    groups = {kind: [row for row in planned if row.outcome == kind] for kind in (CREATED, UPDATED, UNCHANGED)}
    names = dict.fromkeys(name for row in planned for name in row.after["facts"])
    first = zip(chain(*groups.values()), range(MOST_SHOWN), strict=False)
    return {
        **{kind: len(rows) for kind, rows in groups.items()},
        "without_number": sum(row.is_repeated for row in planned),
        "unknown_attributes": unknown_attributes(names, attributes),
        "items": [_shown_row(row) for row, _ in first],
    }


def _shown_row(row: PlannedRow) -> dict[str, Any]:
    before = with_defaults({}) if row.before is None else row.before.data
    change = {"before": {}, "after": {}} if row.outcome == UNCHANGED else change_between(before, row.after)
    return {"outcome": row.outcome, "row": row.row, "id": row.id, "number": row.after["number"], **change}

"""Importing holdings, and undoing an import: columns are guessed and shown, each row is checked, all complaints come at once.

What changes something is part of the caller's transaction, and changes holdings through the same actions as anywhere else.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import Meta
from msgspec.structs import replace
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.errors import Conflict, Fault, Invalid, InvalidQuery, Sentence, Tell
from service.facts.attributes import Attributes, UnknownAttribute, unknown_attributes
from service.facts.holding import check_facts, pointer_step, unknown_attribute
from service.facts.vocabulary import Vocabulary
from service.formats.money import order_of_days
from service.formats.xlsx import BrokenCell
from service.holdings import actions
from service.holdings.imports.columns import (
    FACT_PREFIX,
    SHEET_COLUMNS,
    ColumnMapping,
    MappedColumn,
    SheetColumn,
    columns_of,
    heading_reader,
    mapped,
)
from service.holdings.imports.guesses import ColumnGuess, asked_columns, guessed_by_content, shown_columns
from service.holdings.imports.layout import GivenCell, GivenLayout, Layout, SheetFile, laid_out, layout_of, mended
from service.holdings.imports.plan import (
    CREATED,
    NOT_ALLOWED,
    UNCHANGED,
    UPDATED,
    Format,
    HoldingImport,
    ImportPlan,
    KeptRow,
    PlannedChange,
    SentRow,
    Trace,
    UndoneImport,
    change_between,
    digest_of,
    plan_of,
    undo_plan,
)
from service.holdings.imports.rows import RefusedCell, RowFault, RowReader
from service.holdings.imports.sheet import SentSheet, SheetRow, SkippedRow
from service.holdings.imports.store import ImportStore
from service.holdings.imports.values import Candidate, CellReader, Question, Understood
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.holdings.sync.field_names import flattened

_MOST_REFUSED = 1_000
_HINT = "say what it is in `mapping`: a field, an attribute, facts.NAME, or null to leave it out"


class UnrecordedRow(msgspec.Struct, frozen=True):
    """A row of a file that cannot be recorded, as it stands there."""

    row: Annotated[int, Meta(description="Counted from 1 behind the headings.")]
    line: Annotated[int, Meta(description="The line of a CSV file where the row ends, the row of a spreadsheet.")]
    cells: Annotated[
        list[str], Meta(description="In the order of the columns; of a cell without a value an empty text.")
    ]


class ImportReport(msgspec.Struct, frozen=True):
    """What an import did, or would do."""

    import_id: Annotated[str | None, Meta(description="For undoing; null of a dry run.")]
    dry_run: bool
    format: Format
    sheet: Annotated[
        str | None, Meta(description="Which sheet of a spreadsheet was read: the first, or that of `layout.sheet`.")
    ]
    other_sheets: Annotated[list[str], Meta(description="Sheets with something in them that were left out.")]
    mapping: list[MappedColumn]
    layout: Annotated[Layout | None, Meta(description="How the file was read; null of JSON.")]
    columns: Annotated[
        list[ColumnGuess], Meta(description="The columns of a file: as `columns` they may be sent back.")
    ]
    understood: Annotated[list[Understood], Meta(description="The first 1,000 values taken for something else.")]
    questions: Annotated[list[Question], Meta(description="The first 1,000 values that were not understood.")]
    skipped_rows: Annotated[list[SkippedRow], Meta(description="The first 1,000 rows that are no holdings.")]
    rows: int
    created: int
    updated: int
    unchanged: int
    without_number: Annotated[
        int,
        Meta(description="Of those created, how many have neither a number nor an id: the same file makes them again."),
    ]
    unknown_attributes: Annotated[
        list[UnknownAttribute], Meta(description="Facts whose attribute is not declared; they are kept.")
    ]
    items: Annotated[list[PlannedChange], Meta(description="The first 100, those that change something first.")]
    refused: Annotated[list[RefusedCell], Meta(description="The first 1,000 complaints.")]
    refused_rows: int
    not_recorded: Annotated[
        list[UnrecordedRow], Meta(description="The first 1,000 refused rows of a file, to be shown, mended or saved.")
    ]


@dataclass(frozen=True, slots=True)
class GivenImport:
    """What the caller says of a sheet: its layout, its columns, facts that all rows share, by field and value what is recorded
    (None: nothing), and cells that are to say something else."""

    layout: GivenLayout = field(default_factory=GivenLayout)
    mapping: tuple[ColumnMapping, ...] = ()
    constants: Mapping[str, Any] = field(default_factory=dict)
    answers: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    cells: tuple[GivenCell, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadImport:
    """What of an import can be stored, and what not. `columns_refused` stop it even when rows may be skipped."""

    sheet: SentSheet
    columns: tuple[SheetColumn, ...]
    columns_refused: tuple[RowFault, ...]
    sent: tuple[SentRow, ...]
    refused: tuple[RowFault, ...]
    reader: RowReader
    layout: Layout | None = None
    cells: CellReader | None = None
    asked: tuple[Question, ...] = ()
    content: Mapping[int, str] = field(default_factory=dict)


# --- reading -------------------------------------------------------------------------------------------------------------


def read_file(
    file: SheetFile,
    given: GivenImport,
    attributes: Attributes,
    schemes: Mapping[str, Vocabulary],
    used: Mapping[str, Collection[str]] | None = None,
) -> ReadImport:
    """The rows of a file. `used`: the texts in use, by attribute.

    Raises Invalid when it is no sheet as a whole, InvalidQuery when what the caller says of it does not go
    together with it."""
    sheet = laid_out(mended(file, given.cells), given.layout, heading_reader(attributes))
    faults = [
        *_faults_of_facts(given.constants, "/constants", attributes),
        *_faults_of_answers(given.answers, attributes),
    ]
    meant, wrong = mapped(given.mapping, sheet.headings, attributes)
    faults = [*wrong, *faults]
    if faults:
        raise InvalidQuery(faults, faults[0].message)
    sample = sheet.sample()
    content = guessed_by_content(sheet.headings, sample, meant, attributes, schemes)
    known = {**dict.fromkeys(sheet.blank), **meant}
    columns = columns_of(sheet.headings, attributes, known, sample, content)
    if not meant and all(column.field is None and not column.is_asked for column in columns):
        message = "no heading is understood"
        hint = "one row names the columns: say which in `layout.heading_row`, or what they are in `columns`"
        raise Invalid([Fault("missing", message, "", hint, sheet.line)])
    days = [cell for column in columns if column.is_for("bought_on") for cell in sample.get(column.number - 1, ())]
    layout = layout_of(file, sheet, given.layout, order_of_days(days))
    decimals = {} if given.layout.decimal is not None else sheet.decimals
    cells = CellReader(
        attributes, schemes, given.answers, decimal=layout.decimal, dates=layout.dates, decimals=decimals, used=used
    )
    reader = RowReader(columns, attributes, cells, given.constants)
    sent, refused = _sent(sheet, reader)
    if sheet.faults:
        raise Invalid(sheet.faults)
    asked = asked_columns(columns, sheet, attributes, schemes)
    return ReadImport(sheet, columns, (), sent, refused, reader, layout, cells, asked, content)


def read_json(sheet: SentSheet, mapping: Iterable[ColumnMapping], attributes: Attributes) -> ReadImport:
    """Holdings in JSON as rows. Raises Invalid with all that is wrong with the body and each row when the body as a whole is
    not valid."""
    meant, wrong = mapped(mapping, sheet.headings, attributes)
    columns = columns_of(sheet.headings, attributes, {**dict.fromkeys(sheet.blank), **meant}, sheet.sample())
    reader = RowReader(columns, attributes, None)
    sent, refused = _sent(sheet, reader)
    outside = (*sheet.faults, *wrong)
    if outside:
        raise Invalid([*outside, *(complaint.fault for complaint in refused)])
    open_columns = tuple(_not_understood(column, sheet) for column in columns if column.is_open)
    return ReadImport(sheet, columns, open_columns, sent, refused, reader)


def _sent(sheet: SentSheet, reader: RowReader) -> tuple[tuple[SentRow, ...], tuple[RowFault, ...]]:
    sent: list[SentRow] = []
    refused: list[RowFault] = []
    for row in sheet.rows:
        read_row, complaints = reader.sent(row)
        refused += complaints
        if read_row is not None:
            sent.append(read_row)
    return tuple(sent), tuple(refused)


def _faults_of_facts(facts: Mapping[str, Any], pointer: str, attributes: Attributes) -> list[Fault]:
    return [fault.under(pointer) for fault in check_facts(dict(facts), attributes, strict=False)]


def _faults_of_answers(answers: Mapping[str, Mapping[str, Any]], attributes: Attributes) -> list[Fault]:
    """Those of fields that there are not, and of values that no holding could have."""
    faults: list[Fault] = []
    for name, given in answers.items():
        if name.removeprefix(FACT_PREFIX) not in attributes and name not in SHEET_COLUMNS:
            faults.append(unknown_attribute(name, attributes).under(f"/answers/{pointer_step(name)}"))
        for value, answer in given.items():
            if answer is not None and name in attributes:
                at = f"/answers/{pointer_step(name)}/{pointer_step(value)}"
                wrong = check_facts({name: answer}, attributes, strict=False)
                faults += [Fault(fault.code, fault.message, at, fault.hint) for fault in wrong]
    return faults


def _not_understood(column: SheetColumn, sheet: SentSheet) -> RowFault:
    hint = (
        Sentence("did you mean '{near}'? Else {forms}", near=column.near, forms=Sentence(_HINT))
        if column.near
        else _HINT
    )
    shown = column.heading[:80]
    place = next(row.number - 1 for row in sheet.rows if column.number - 1 in row.cells)
    pointer = f"/holdings/{place}/{pointer_step(column.heading)}"
    fault = Fault.of("unknown-field", "a holding has no field '{name}'", pointer, hint, name=shown)
    return RowFault(None, None, column, fault, column.near)


# --- carrying out --------------------------------------------------------------------------------------------------------


def preview(
    connection: Connection, owner: Owner, read: ReadImport, attributes: Attributes, tell: Tell = str
) -> ImportReport:
    """What the import would do; complaints are told in the language of `tell`."""
    return _report(read, _compared(connection, owner, read.sent), attributes, None, tell)


def store_rows(
    connection: Connection,
    owner: Owner,
    read: ReadImport,
    attributes: Attributes,
    now: datetime,
    *,
    name: str | None,
    skip_refused: bool,
    tell: Tell = str,
) -> ImportReport:
    """Stores what the rows say, and what has to be known to undo it. Raises Invalid, pointers from /holdings/{row} on, with
    everything that was refused, unless refused rows are to be skipped: then complaints are told in the language of `tell`."""
    AccountStore(connection).lock(owner)
    plan = _compared(connection, owner, read.sent)
    faults = [complaint.fault for complaint in read.columns_refused]
    if faults or not skip_refused:
        faults += [complaint.fault for complaint in _complaints(read, plan)]
    if faults:
        raise Invalid(faults)
    trace = Trace()
    changes = [
        actions.Change(planned.row, planned.id, planned.before, planned.after)
        for planned in plan.planned
        if planned.outcome != UNCHANGED
    ]
    for change, identity, values in actions.write_all(connection, owner, changes, attributes, now):
        if change.before is None:
            trace.created[identity] = digest_of(values)
        else:
            trace.changed[identity] = change_between(flattened(change.before.data), values)
    kept = HoldingImport(
        id=new_id(),
        at=now,
        name=name,
        format=read.sheet.format,
        created=plan.count(CREATED),
        updated=plan.count(UPDATED),
        unchanged=plan.count(UNCHANGED),
        refused=len({complaint.row for complaint in read.refused} | {row for row, _ in plan.refused}),
        undone_at=None,
        undone=None,
    )
    ImportStore(connection, owner).add(kept, trace)
    return _report(read, plan, attributes, kept.id, tell)


def undo(connection: Connection, owner: Owner, identity: str, attributes: Attributes, now: datetime) -> HoldingImport:
    """Takes a whole import back, but for what was changed since. Raises Conflict when that was done before."""
    AccountStore(connection).lock(owner)
    store = ImportStore(connection, owner)
    if store.get(identity).undone_at is not None:
        raise Conflict("this import was undone already")
    stored = HoldingStore(connection, owner).all()
    back = undo_plan(store.trace(identity), stored)
    kept = list(back.kept)
    for created in back.destroyed:
        actions.destroy(connection, owner, created, now, expect=_as_it_is)
    set_back = 0
    numbers = {holding.id: holding.data.get("number") for holding in stored}
    for changed, patch in back.patches.items():
        try:
            actions.change(connection, owner, changed, patch, attributes, now, expect=_as_it_is)
            set_back += 1
        except Invalid:
            # A definition that came since declares the attribute otherwise: the old value is not allowed any more.
            kept.append(KeptRow(changed, numbers[changed], NOT_ALLOWED, []))
    store.note_undone(identity, now, UndoneImport(len(back.destroyed), set_back, back.gone, kept))
    return store.get(identity)


def _compared(connection: Connection, owner: Owner, sent: Sequence[SentRow]) -> ImportPlan:
    """What the rows would do."""
    gone = ImportStore(connection, owner).deleted({row.id for row in sent if row.id is not None})
    return plan_of(sent, HoldingStore(connection, owner).all(), gone)


def _complaints(read: ReadImport, plan: ImportPlan) -> list[RowFault]:
    """Those about rows, in their order."""
    lines = {row.number: row.line for row in read.sheet.rows}
    later = [read.reader.refused(row, lines[row], fault, {}) for row, fault in plan.refused]
    return sorted([*read.refused, *later], key=lambda complaint: complaint.row or 0)


_Reasoned = TypeVar("_Reasoned", ColumnGuess, SkippedRow, Candidate)


def _retold(reasoned: _Reasoned, tell: Tell) -> _Reasoned:
    return replace(reasoned, why=tell(reasoned.why))


def _report(
    read: ReadImport, plan: ImportPlan, attributes: Attributes, identity: str | None, tell: Tell
) -> ImportReport:
    complaints = _complaints(read, plan)
    names = dict.fromkeys(name for row in plan.planned for name in row.after["facts"])
    return ImportReport(
        import_id=identity,
        dry_run=identity is None,
        format=read.sheet.format,
        sheet=read.sheet.name,
        other_sheets=list(read.sheet.others),
        mapping=[column.shown() for column in read.columns],
        layout=read.layout,
        columns=[]
        if read.cells is None
        else [_retold(column, tell) for column in shown_columns(read.columns, read.sheet, read.content)],
        understood=[] if read.cells is None else read.cells.understood(),
        questions=[]
        if read.cells is None
        else [
            replace(asked, candidates=[_retold(one, tell) for one in asked.candidates])
            for asked in (*read.asked, *read.cells.questions())
        ],
        skipped_rows=[_retold(row, tell) for row in read.sheet.skipped],
        rows=len(read.sheet.rows),
        created=plan.count(CREATED),
        updated=plan.count(UPDATED),
        unchanged=plan.count(UNCHANGED),
        without_number=sum(row.is_repeated for row in plan.planned),
        unknown_attributes=unknown_attributes(names, attributes),
        items=plan.preview(),
        refused=[complaint.shown(tell) for complaint in [*read.columns_refused, *complaints][:_MOST_REFUSED]],
        refused_rows=len({complaint.row for complaint in complaints}),
        not_recorded=_not_recorded(read.sheet, {complaint.row for complaint in complaints}),
    )


def _not_recorded(sheet: SentSheet, refused: Collection[int | None]) -> list[UnrecordedRow]:
    """The refused rows of a file as they stand in it."""
    rows = (row for row in sheet.rows if row.line is not None and row.number in refused)
    return [
        UnrecordedRow(row.number, row.line or 0, _as_it_stands(row, len(sheet.headings)))
        for row in islice(rows, _MOST_REFUSED)
    ]


def _as_it_stands(row: SheetRow, columns: int) -> list[str]:
    texts = {place: "" if isinstance(cell, BrokenCell) else cell for place, cell in row.cells.items()}
    return [texts.get(place, "") for place in range(max(columns, max(texts, default=-1) + 1))]


def _as_it_is(_: StoredHolding) -> None:
    """The account is held, so nothing changed since it was read."""

"""Many holdings at once: imported from a sheet, an import undone as a whole, and the whole collection exported."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Annotated, Any, ClassVar, Literal

from fastapi import Query, Request
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.definitions.actions import known_attributes, words_in_use
from service.errors import Fault, Invalid, InvalidQuery, Sentence, Unreadable
from service.facts.attributes import Attributes
from service.facts.core_attributes import CORE
from service.facts.holding import MOST_FACTS, pointer_step
from service.facts.own_vocabularies import with_several
from service.facts.vocabulary import Vocabulary
from service.facts.words import nearest
from service.formats.encodings import ENCODINGS
from service.formats.multipart import read_parts
from service.formats.shapes import AttributeName
from service.formats.strict_json import CSV, JSON, MULTIPART, ODS, XLSX, parse_json
from service.formats.xlsx import LAST_ROW
from service.holdings.imports import actions
from service.holdings.imports.actions import GivenImport, ImportReport, ReadImport
from service.holdings.imports.columns import ColumnMapping
from service.holdings.imports.export import ExportedCollection, export_csv, export_json, export_workbook
from service.holdings.imports.layout import GivenCell, GivenLayout, file_of_csv, file_of_workbook
from service.holdings.imports.plan import HoldingImport
from service.holdings.imports.sheet import MOST_COLUMNS, MOST_ROWS, SentSheet, sheet_of_json
from service.holdings.imports.store import ImportStore
from service.holdings.store import HoldingStore
from service.http.dependencies import Context, CurrentOwner, ImportId, Received, Unread
from service.http.idempotency import IdempotencyKey
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import Paged, Reply, Sends
from service.http.wire import In, OtherForm, QueryIn, read
from service.reference.actions import catalogue_texts, vocabularies, vocabularies_of

imports = router("/v1/holdings", "Imports")

_SHEET = (
    "One row for each holding, in any usual encoding; one of the first rows has the headings, which are guessed where they are "
    "no names of fields. The delimiter is a comma, a semicolon or a tab; the decimal sign of a column is told from its cells. "
    "Columns that are not understood go into the note. A blank cell: not recorded (where the holding is there already, no longer "
    "recorded); a hyphen: known to be none; 1892|1893: one of these; 1890-1895 or 1890..1895: between; several terms: "
    "separated by ; ; what begins with { [ or a quote: JSON, as in facts. A row is about the holding of its `id`, else of "
    "its `number`, else a new one."
)
_WORKBOOK = "The same as the first visible sheet of a spreadsheet file; of formulas their values count."
_PARTS = (
    "The file as one part (named `file`, with its media type or the name of the file), and beside it a part of JSON (named "
    "`options`) as in the query parameter of this name."
)
_OPTIONS = (
    'How the file is read and what is recorded, as JSON: {"layout", "columns", "constants", "answers", "cells"}, the first two '
    'as in the answer of a dry run; constants: facts that all rows share, {"issuer": "GB"}; answers to questions by field and '
    'value, {"issuer": {"Südafrika": "ZA"}}, null: leave unrecorded; cells: what a cell is to say instead, '
    '[{"line": 3, "column": 4, "text": "1902"}].'
)
_MEMBERS = (
    "Of each: id, number, issue, quantity, status, location, tags, note, values, facts; other members as columns."
)
_NAMED = {"Content-Disposition": "A name for the file."}


# --- requests ------------------------------------------------------------------------------------------------------------


class MappingIn(In):
    """What one column is. An entry of `mapping` in an answer may be sent back as it is."""

    column: int | None = Field(None, ge=1, le=MOST_COLUMNS, description="Counted from 1; goes before `heading`.")
    heading: str | None = Field(None, max_length=2_000)
    field: Annotated[str, StringConstraints(min_length=1, max_length=110)] | None = Field(
        description="An own field such as number, an attribute, or facts.NAME; null leaves the column out."
    )
    guessed: bool = Field(False, description="Taken, and not looked at.")
    nearest: str | None = Field(None, description="Taken, and not looked at.")


class LayoutIn(In):
    """How a file is laid out; null and what is left out is told from the file."""

    encoding: Annotated[str, Field(json_schema_extra={"enum": list(ENCODINGS)})] | None = None
    separator: Literal[",", ";", "\t", "|"] | None = None
    heading_row: int | None = Field(None, ge=1, le=LAST_ROW, description="Counted from 1.")
    decimal: Literal[".", ","] | None = None
    dates: Literal["day first", "month first"] | None = None
    sheet: str | None = Field(
        None, min_length=1, max_length=200, description="Which sheet of a spreadsheet file to read."
    )


class ColumnIn(In):
    """What one column is. An entry of `columns` in an answer may be sent back as it is."""

    column: int | None = Field(None, ge=1, le=MOST_COLUMNS, description="Counted from 1; goes before `heading`.")
    heading: str | None = Field(None, max_length=2_000)
    field: Annotated[str, StringConstraints(min_length=1, max_length=110)] | None = Field(
        description="An own field such as number, price_paid, bought_on or for_trade, an attribute, or facts.NAME; null leaves "
        "the column out."
    )
    sample: list[str] | None = Field(None, description="Taken, and not looked at.")
    why: str | None = Field(None, description="Taken, and not looked at.")


class CellIn(In):
    """A cell of the file that is read as if it said something else: a slip mended, without touching the file."""

    line: int = Field(
        ge=1, le=LAST_ROW, description="As in `refused`: where the row ends, or the row of a spreadsheet."
    )
    column: int = Field(ge=1, le=MOST_COLUMNS, description="Counted from 1.")
    text: str = Field(max_length=2_000)


class ImportOptionsIn(In):
    """How a file is read, and what is recorded."""

    layout: LayoutIn | None = None
    columns: list[ColumnIn] | dict[str, str | None] | None = Field(None, max_length=MOST_COLUMNS)
    constants: dict[AttributeName, Any] = Field(default_factory=dict, max_length=MOST_FACTS)
    answers: dict[str, dict[str, Any]] = Field(default_factory=dict, max_length=MOST_COLUMNS)
    cells: list[CellIn] = Field(default_factory=list, max_length=MOST_ROWS)


class HoldingsImportIn(In):
    """Holdings to record or change."""

    body_limit: ClassVar[str] = "evaluation_body_bytes"
    other_forms: ClassVar[Mapping[str, OtherForm]] = {
        CSV: OtherForm(_SHEET, is_binary=True),
        XLSX: OtherForm(_WORKBOOK, is_binary=True),
        ODS: OtherForm(_WORKBOOK, is_binary=True),
        MULTIPART: OtherForm(_PARTS, is_binary=True),
    }

    holdings: list[dict[str, Any]] = Field(max_length=MOST_ROWS, description=_MEMBERS)
    mapping: list[MappingIn] | dict[str, str | None] | None = Field(
        None, max_length=MOST_COLUMNS, description="What members besides those are: a list, or an object of headings."
    )


class _ImportFrame(In):
    """The same before its holdings and its mapping are looked at, each by itself."""

    holdings: list[Any] = Field(max_length=MOST_ROWS)
    mapping: Any = None


class ImportQuery(QueryIn):
    """How to import."""

    dry_run: bool = Field(False, description="true: only report what would be done.")
    skip_refused: bool = Field(False, description="true: leave refused rows out; else one refused row refuses all.")
    name: str | None = Field(
        None, min_length=1, max_length=200, pattern="^[^\\x00]*$", description="The name of the file, to find it again."
    )
    mapping: str | None = Field(
        None,
        max_length=50_000,
        description='What the columns are, as JSON: {"heading": "field"}, or a list as in `mapping` of the answer.',
    )
    options: str | None = Field(None, max_length=50_000, description=_OPTIONS)


class ExportQuery(QueryIn):
    """In which form to take the collection away."""

    format: Literal["csv", "xlsx", "json"] = "json"


# --- operations ----------------------------------------------------------------------------------------------------------


@imports.post("/imports", responses=problems("over-limit", "clash"))
def import_holdings(
    context: Context,
    owner: CurrentOwner,
    query: Annotated[ImportQuery, Query()],
    key: IdempotencyKey,
    body: Unread[HoldingsImportIn],
    language: AskedLanguage,
) -> Annotated[Reply[ImportReport], Sends(headers=CONTENT_LANGUAGE)]:
    """Record or change many holdings at once, all or none. Complaints are told in the language that is asked for."""
    attributes, words = context.database.read(
        lambda connection: (
            known_attributes(connection, owner, CORE),
            # Holdings in JSON stand in terms already.
            None if body.kind == JSON else (words_in_use(connection, owner), vocabularies_of(connection, owner)),
        )
    )
    read_by_rules, schemes = None, None
    if words is not None:
        used, kept = words
        schemes = with_several(kept, used.vocabularies)
        # Only what a rule reads is worth a question.
        read_by_rules = {name: (*texts, *catalogue_texts().get(name, ())) for name, texts in used.terms.items()}
    found = read_import(body, query.mapping, query.options, attributes, read_by_rules, schemes)
    if query.dry_run:
        report = context.database.read(
            lambda connection: actions.preview(connection, owner, found, attributes, language.refusal)
        )
        return Reply(report, spoken(language))
    name, skip_refused = query.name, query.skip_refused

    def act(connection: Connection) -> Reply[ImportReport]:
        report = actions.store_rows(
            connection,
            owner,
            found,
            attributes,
            context.now(),
            name=name,
            skip_refused=skip_refused,
            tell=language.refusal,
        )
        return Reply(report, spoken(language))

    return key.once(context.database, owner, act)


@imports.get("/imports")
def list_imports(request: Request, context: Context, owner: CurrentOwner, query: Paging) -> Paged[HoldingImport]:
    """The imports that were carried out, the newest first."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ImportStore(connection, owner).page(identity_key(after), limit),
            lambda kept: kept.id,
            lambda kept: kept,
        )
    )


@imports.get("/imports/{import_id}")
def get_import(context: Context, owner: CurrentOwner, import_id: ImportId) -> HoldingImport:
    """One import, with what undoing it did."""
    return context.database.read(lambda connection: ImportStore(connection, owner).get(import_id))


@imports.post("/imports/{import_id}/undo", responses=problems("clash", "storage-full"))
def undo_import(
    context: Context, owner: CurrentOwner, import_id: ImportId, key: IdempotencyKey
) -> Reply[HoldingImport]:
    """Take a whole import back, but for what was changed since."""

    def act(connection: Connection) -> Reply[HoldingImport]:
        attributes = known_attributes(connection, owner, CORE)
        return Reply(actions.undo(connection, owner, import_id, attributes, context.now()))

    return key.once(context.database, owner, act)


@imports.get("/export", responses=problems("over-limit"))
def export_holdings(
    context: Context, owner: CurrentOwner, query: Annotated[ExportQuery, Query()]
) -> Annotated[Reply[ExportedCollection], Sends(headers=_NAMED, media=(CSV, XLSX))]:
    """The whole collection, to be imported again without loss."""
    stored = context.database.read(lambda connection: HoldingStore(connection, owner).all())
    named = {"Content-Disposition": f'attachment; filename="holdings.{query.format}"'}
    if query.format == "json":
        return Reply(export_json(stored), named)
    is_csv = query.format == "csv"
    raw = export_csv(stored, CORE).encode() if is_csv else export_workbook(stored, CORE)
    file: Reply[Any] = Reply(None, named, encoded=raw, media_type=f"{CSV}; charset=utf-8" if is_csv else XLSX)
    return file


# --- the body and the mapping --------------------------------------------------------------------------------------------


def read_import(
    body: Received[HoldingsImportIn],
    mapping: str | None,
    options: str | None,
    attributes: Attributes,
    used: Mapping[str, tuple[str, ...]] | None = None,
    schemes: Mapping[str, Vocabulary] | None = None,
) -> ReadImport:
    """What was sent, read as holdings, its terms by these vocabularies or the shipped ones. `mapping` and `options` are JSON of
    the address; `used`: the texts that rules have, by attribute."""
    if body.kind == JSON:
        if options is not None:
            message = "`options` are of files; holdings in JSON have `mapping`"
            raise InvalidQuery([Fault("parameter", message)], message)
        sheet, columns = _sheet_and_mapping(body.value, mapping)
        return actions.read_json(sheet, columns, attributes)
    kind, raw = body.kind, body.raw
    given = GivenImport() if options is None else _options_of_query(options)
    if kind == MULTIPART:
        kind, raw, part = _file_and_options(body.raw, body.declared)
        if part is not None:
            if options is not None:
                message = "`options` are sent in the body or in the address, not in both"
                raise InvalidQuery([Fault("parameter", message)], message)
            given = _options(parse_json(part))
    if mapping is not None:
        if given.mapping:
            message = "`mapping` and `columns` say the same: send one of them"
            raise InvalidQuery([Fault("parameter", message)], message)
        given = replace(given, mapping=tuple(_mapping_of_query(mapping) or ()))
    file = file_of_csv(raw, given.layout) if kind == CSV else file_of_workbook(raw, given.layout)
    return actions.read_file(file, given, attributes, schemes or vocabularies(), used)


def _sheet_and_mapping(value: Any, text: str | None) -> tuple[SentSheet, list[ColumnMapping]]:
    """Holdings that were sent as JSON, and what their members are as the body or the address (`text`, JSON) says."""
    mapping = _mapping_of_query(text)
    faults: list[Fault] = []
    try:
        holdings = read(_ImportFrame, value).holdings
    except Invalid as refusal:
        faults += refusal.faults
        found = value.get("holdings") if isinstance(value, dict) else None
        holdings = found[:MOST_ROWS] if isinstance(found, list) else []
    if isinstance(value, dict) and value.get("mapping") is not None:
        if mapping is not None:
            message = "`mapping` is sent in the body or in the address, not in both"
            raise InvalidQuery([Fault("parameter", message)], message)
        try:
            mapping = _mapping(value["mapping"])
        except Invalid as refusal:
            faults += refusal.faults
    return sheet_of_json(holdings, faults), mapping or []


def _file_and_options(raw: bytes, declared: str) -> tuple[str, bytes, bytes | None]:
    """The media type and the bytes of the file, and the JSON beside it. Raises Unreadable."""
    parts = read_parts(raw, declared)
    options = [part for part in parts if part.kind == JSON or (part.filename is None and part.name == "options")]
    files = [part for part in parts if part not in options]
    if len(files) != 1 or len(options) > 1:
        message = Sentence(
            "one file is sent, with at most one part of JSON; here are {files} and {parts}",
            files=len(files),
            parts=len(options),
        )
        raise Unreadable([Fault("parts", message, "", "name the parts `file` and `options`")])
    kind = files[0].kind
    if kind not in (CSV, XLSX, ODS):
        # Programs that upload files often say only that they are bytes: a spreadsheet file is an archive (zip).
        kind = XLSX if files[0].content.startswith(b"PK\x03\x04") else CSV
    return kind, files[0].content, options[0].content if options else None


def _options_of_query(text: str) -> GivenImport:
    try:
        return _options(parse_json(text.encode()))
    except InvalidQuery:
        raise
    except Invalid as refusal:
        faults = [Fault("parameter", fault.message, fault.pointer, fault.hint) for fault in refusal.faults]
        raise InvalidQuery(faults, Sentence("`options` is not valid: {fault}", fault=faults[0].message)) from None


def _options(value: Any) -> GivenImport:
    """Raises Invalid, pointers into the options."""
    sent = read(ImportOptionsIn, value)
    layout = sent.layout or LayoutIn(heading_row=None, sheet=None)
    if layout.encoding is not None and layout.encoding not in ENCODINGS:
        message = Sentence("an encoding is one of: {listed}", listed=", ".join(ENCODINGS))
        raise Invalid([Fault("value", message, "/layout/encoding", _near(layout.encoding, ENCODINGS))])
    entries = []
    for number, entry in enumerate(sent.columns if isinstance(sent.columns, list) else ()):
        # A column that an answer shows as not understood is sent back so, and stays so.
        if entry.field is not None or not _is_shown(entry):
            entries.append(ColumnMapping(f"/{number}", entry.column, entry.heading, entry.field))
    for heading, field in sent.columns.items() if isinstance(sent.columns, dict) else ():
        entries.append(ColumnMapping(f"/{pointer_step(heading)}", None, heading, field))
    given = GivenLayout(
        layout.encoding, layout.separator, layout.heading_row, layout.decimal, layout.dates, layout.sheet
    )
    cells = tuple(GivenCell(cell.line, cell.column, cell.text) for cell in sent.cells)
    return GivenImport(given, tuple(entries), sent.constants, sent.answers, cells)


def _is_shown(entry: ColumnIn) -> bool:
    return entry.why is not None and entry.why != "left out"


def _near(word: str, known: Iterable[str]) -> str | None:
    found = nearest(word, known)
    return Sentence("did you mean '{near}'?", near=found) if found else None


def _mapping_of_query(text: str | None) -> list[ColumnMapping] | None:
    if text is None:
        return None
    try:
        return _mapping(parse_json(text.encode()))
    except Invalid as refusal:
        faults = [Fault("parameter", fault.message, fault.pointer, fault.hint) for fault in refusal.faults]
        raise InvalidQuery(faults, Sentence("`mapping` is not valid: {fault}", fault=faults[0].message)) from None


def _mapping(value: Any) -> list[ColumnMapping]:
    """A list of columns, or an object of headings. Raises Invalid, pointers from /mapping on."""
    faults: list[Fault] = []
    entries: list[ColumnMapping] = []
    if not isinstance(value, list | dict) or len(value) > MOST_COLUMNS:
        hint = '{"heading": "field"}, or a list of {"column", "field"}'
        raise Invalid(
            [
                Fault.of(
                    "type", "a mapping says of up to {most} columns what they are", "/mapping", hint, most=MOST_COLUMNS
                )
            ]
        )
    for number, entry in enumerate(value if isinstance(value, list) else ()):
        try:
            sent = read(MappingIn, entry)
            entries.append(ColumnMapping(f"/{number}", sent.column, sent.heading, sent.field))
        except Invalid as refusal:
            faults += refusal.under(f"/mapping/{number}").faults
    for heading, field in value.items() if isinstance(value, dict) else ():
        step = f"/{pointer_step(heading)}"
        if field is not None and (not isinstance(field, str) or not field):
            message = "a field is named by a text; null leaves the column out"
            faults.append(Fault("type", message, f"/mapping{step}"))
        entries.append(ColumnMapping(step, None, heading, field))
    if faults:
        raise Invalid(faults)
    return entries

"""Importing issues: every row is checked by itself, and all complaints are reported at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import chain, islice
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.errors import Fault, Invalid, Sentence, Tell
from service.facts.attributes import Attributes, UnknownAttribute, unknown_attributes
from service.facts.recorded import RecordedFact
from service.facts.suggestions import nearest_value, pointer_steps
from service.formats.shapes import read
from service.reference import actions as reference
from service.reference.issue_table import IssueRow, read_sheet
from service.reference.model import MOST_IMPORTED, ImportedIssue, Issue, Sorted

MOST_SHOWN = 100
MOST_REFUSED = 1_000


@dataclass(frozen=True, slots=True)
class SentIssues:
    """The rows of an import as they were sent, and what is wrong around them. `source` and `edition` are those of the whole."""

    rows: Sequence[IssueRow]
    source: str | None = None
    edition: str | None = None
    faults: Sequence[Fault] = field(default=())


class RefusedRow(msgspec.Struct, frozen=True, kw_only=True):
    """One thing wrong with one row."""

    row: Annotated[int, Meta(description="Which issue, counted from 1.")]
    line: Annotated[int, Meta(description="The line of the CSV file where the row ends.")] | UnsetType = UNSET
    id: str | None
    code: str
    message: str
    pointer: Annotated[str, Meta(description="Into the body; for CSV, into the same rows as JSON.")]
    hint: str | UnsetType = UNSET
    nearest: Annotated[str | None, Meta(description="The value or name that may have been meant.")]


class ImportedIssueLine(msgspec.Struct, frozen=True):
    """One issue of the preview."""

    outcome: Literal["created", "updated", "unchanged"]
    id: str
    label: str
    facts: Mapping[str, RecordedFact]
    look_alikes: list[str]
    source: str
    edition: str
    replaces: str | UnsetType = UNSET


class IssuesImportReport(msgspec.Struct, frozen=True):
    """What an import did, or would do."""

    dry_run: bool
    created: int
    updated: int
    unchanged: int
    refused: list[RefusedRow]
    refused_rows: Annotated[int, Meta(description="How many rows were refused; the first 1,000 complaints are listed.")]
    unknown_attributes: Annotated[
        list[UnknownAttribute], Meta(description="Facts whose attribute is not declared; they are kept.")
    ]
    items: Annotated[list[ImportedIssueLine], Meta(description="The first 100, those that change something first.")]


@dataclass(frozen=True, slots=True)
class RefusedIssue:
    """A row that is not valid. `faults` point into the body; `row` counts from 1."""

    row: int
    line: int | None
    id: str | None
    faults: tuple[Fault, ...]
    facts: Any


@dataclass(frozen=True, slots=True)
class IssuesImport:
    """What of an import can be stored, and what not."""

    issues: tuple[Issue, ...]
    refused: tuple[RefusedIssue, ...]
    places: Mapping[str, tuple[int, int | None]] = field(default_factory=dict)
    """Of each issue, by its id: the number of its row from 0, and its line."""

    def without(self, faults: Mapping[str, Fault]) -> IssuesImport:
        """The same with these issues refused, which have a fault each."""
        refused = [
            RefusedIssue(place + 1, line, issue.id, (_placed(faults[issue.id], place, line),), issue.facts)
            for issue in self.issues
            if issue.id in faults
            for place, line in [self.places[issue.id]]
        ]
        return replace(
            self,
            issues=tuple(issue for issue in self.issues if issue.id not in faults),
            refused=tuple(sorted((*self.refused, *refused), key=lambda row: row.row)),
        )


def issues_of_csv(text: str, attributes: Attributes, source: str | None, edition: str | None) -> SentIssues:
    """The rows of a sheet. Raises Invalid, OverLimit, Unreadable as `read_sheet` does."""
    given = [name for name, said in (("source", source), ("edition", edition)) if said is not None]
    return SentIssues(read_sheet(text, attributes, most=MOST_IMPORTED, given=given), source, edition)


def issues_of_json(issues: Iterable[Any], source: str, edition: str, faults: Sequence[Fault] = ()) -> SentIssues:
    """The issues of a body; `faults` are what is wrong with the body around them."""
    return SentIssues([IssueRow(value) for value in islice(issues, MOST_IMPORTED)], source, edition, faults)


def read_import(sent: SentIssues, attributes: Attributes, *, lenient: bool) -> IssuesImport:
    """The issues that were sent. Raises Invalid when the import as a whole is not valid and, unless `lenient`, when any row is
    not."""
    found = _rows(sent, attributes)
    faults = [*sent.faults, *(fault for refused in found.refused for fault in refused.faults)]
    if sent.faults or (faults and not lenient):
        raise Invalid(faults)
    return found


def carry_out(
    connection: Connection,
    owner: Owner,
    found: IssuesImport,
    attributes: Attributes,
    now: datetime,
    *,
    dry_run: bool,
    lenient: bool,
    tell: Tell = str,
) -> IssuesImportReport:
    """Records or replaces the issues in the caller's transaction; with `dry_run` only says what it would do. Complaints are told
    in the language of `tell`. Raises Invalid where an issue cannot replace what it says, unless `lenient`."""
    # Without a refused issue another one may have nothing left to replace.
    while faults := reference.faults_of_replaced(connection, owner, found.issues):
        found = found.without(faults)
        if not lenient:
            raise Invalid(fault for refused in found.refused for fault in refused.faults)
    if dry_run:
        done = reference.compare_issues(connection, owner, found.issues)
    else:
        done = reference.import_issues(connection, owner, found.issues, now)
    return _report(found, done, attributes, tell, dry_run=dry_run)


def _report(
    found: IssuesImport, done: Sorted, attributes: Attributes, tell: Tell, *, dry_run: bool
) -> IssuesImportReport:
    complaints = (entry for refused in found.refused for entry in _complaints(refused, attributes, tell))
    lines = chain(_lines("created", done.created), _lines("updated", done.updated), _lines("unchanged", done.unchanged))
    names = dict.fromkeys(name for issue in found.issues for name in issue.facts)
    return IssuesImportReport(
        dry_run,
        len(done.created),
        len(done.updated),
        len(done.unchanged),
        list(islice(complaints, MOST_REFUSED)),
        len(found.refused),
        unknown_attributes(names, attributes),
        list(islice(lines, MOST_SHOWN)),
    )


def _rows(sent: SentIssues, attributes: Attributes) -> IssuesImport:
    stamp = {"source": sent.source, "edition": sent.edition}
    issues: list[Issue] = []
    refused: list[RefusedIssue] = []
    first: dict[str, int] = {}
    places: dict[str, tuple[int, int | None]] = {}
    for place, row in enumerate(sent.rows):
        issue, faults = _issue(row, stamp, attributes)
        value = row.value if isinstance(row.value, dict) else {}
        identity = value["id"] if isinstance(value.get("id"), str) else None
        if identity is not None:
            if identity in reference.shipped_issues():
                faults.append(
                    Fault.of("clashing-id", "the issue '{id}' comes with the service", "/id", id=identity[:80])
                )
            if identity in first:
                message = Sentence(
                    "the id '{id}' stands at row {first} already", id=identity[:80], first=first[identity]
                )
                faults.append(Fault("clashing-id", message, "/id"))
            first.setdefault(identity, place + 1)
        if faults or issue is None:
            told = tuple(_placed(fault, place, row.line) for fault in faults)
            refused.append(RefusedIssue(place + 1, row.line, identity, told, value.get("facts")))
        else:
            issues.append(issue)
            places[issue.id] = (place, row.line)
    return IssuesImport(tuple(issues), tuple(refused), places)


def _placed(fault: Fault, place: int, line: int | None) -> Fault:
    """The fault of a row, seen from the body."""
    return replace(fault.under(f"/issues/{place}"), line=line or fault.line)


def _issue(row: IssueRow, stamp: Mapping[str, str | None], attributes: Attributes) -> tuple[Issue | None, list[Fault]]:
    """The issue of a row, and all that is wrong with it, pointers relative to the row."""
    issue, faults = None, list(row.faults)
    try:
        sent = read(ImportedIssue, row.value)
        source, edition = sent.source or stamp["source"], sent.edition or stamp["edition"]
        if source and edition:
            alike = tuple(dict.fromkeys(sent.look_alikes))
            issue = Issue(sent.id, sent.label, sent.facts, alike, source, edition, sent.replaces)
        else:
            missing = [name for name, text in (("source", source), ("edition", edition)) if not text]
            faults += [Fault.of("missing", "'{name}' is needed", f"/{name}", name=name) for name in missing]
    except Invalid as refusal:
        told = {fault.pointer for fault in faults}
        faults += [fault for fault in refusal.faults if fault.pointer not in told]
    facts = row.value.get("facts") if isinstance(row.value, dict) else None
    if isinstance(facts, dict):
        faults += reference.faults_of_issue_facts(facts, attributes)
    return issue, faults


def _complaints(refused: RefusedIssue, attributes: Attributes, tell: Tell) -> Iterable[RefusedRow]:
    for fault in refused.faults:
        yield RefusedRow(
            row=refused.row,
            line=UNSET if refused.line is None else refused.line,
            id=refused.id,
            code=fault.code,
            message=tell(fault.message),
            pointer=fault.pointer,
            hint=UNSET if fault.hint is None else tell(fault.hint),
            nearest=nearest_value(fault, pointer_steps(fault.pointer)[2:], refused.facts, attributes),
        )


def _lines(outcome: Literal["created", "updated", "unchanged"], issues: Iterable[Issue]) -> Iterable[ImportedIssueLine]:
    for issue in issues:
        alike = list(issue.look_alikes)
        yield ImportedIssueLine(
            outcome,
            issue.id,
            issue.label,
            issue.facts,
            alike,
            issue.source,
            issue.edition,
            UNSET if issue.replaces is None else issue.replaces,
        )

"""Importing issues: every row is looked at by itself, and all complaints are told at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

from service.errors import Fault, Invalid, InvalidQuery
from service.facts.attributes import Attributes, unknown_attributes
from service.facts.suggestions import nearest_value, steps_of
from service.formats.strict_json import CSV
from service.http.declared import Body
from service.http.schemas.issues import (
    MOST_IMPORTED,
    MOST_REFUSED,
    MOST_SHOWN,
    ImportedIssueIn,
    ImportFrame,
    ImportQuery,
    an_issue,
    shown_content,
)
from service.http.wire import read
from service.reference import actions as reference
from service.reference.issue_table import IssueRow, read_sheet
from service.reference.model import Issue, Sorted


@dataclass(frozen=True, slots=True)
class RefusedIssue:
    """A row that is not right. `faults` point into the body; `row` counts from 1."""

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


def read_import(body: Body, query: ImportQuery, attributes: Attributes) -> IssuesImport:
    """The issues of the body. Raises Invalid when the body as a whole is not right, and, unless refused rows are to be
    skipped or it is a dry run, when any row is."""
    outside: Sequence[Fault] = ()
    if body.kind == CSV:
        stamp = {"source": query.source, "edition": query.edition}
        given = [name for name, text in stamp.items() if text is not None]
        rows = read_sheet(body.value, attributes, most=MOST_IMPORTED, given=given)
    else:
        _ensure_no_stamp(query)
        try:
            frame = read(ImportFrame, body.value)
            stamp, rows = (
                {"source": frame.source, "edition": frame.edition},
                [IssueRow(value) for value in frame.issues],
            )
        except Invalid as refusal:
            outside, stamp = refusal.faults, {"source": "?", "edition": "?"}
            found = body.value.get("issues") if isinstance(body.value, dict) else None
            rows = [IssueRow(value) for value in found[:MOST_IMPORTED]] if isinstance(found, list) else []
    looked = _rows(rows, stamp, attributes)
    faults = [*outside, *(fault for refused in looked.refused for fault in refused.faults)]
    if outside or (faults and not query.dry_run and not query.skip_refused):
        raise Invalid(faults)
    return looked


def imported(looked: IssuesImport, done: Sorted, attributes: Attributes, *, dry_run: bool) -> dict[str, Any]:
    """The answer: what was done or would be, and what was refused."""
    complaints = [entry for refused in looked.refused for entry in _shown(refused, attributes)]
    shown = chain(
        _outcome("created", done.created), _outcome("updated", done.updated), _outcome("unchanged", done.unchanged)
    )
    names = dict.fromkeys(name for issue in looked.issues for name in issue.facts)
    return {
        "dry_run": dry_run,
        "created": len(done.created),
        "updated": len(done.updated),
        "unchanged": len(done.unchanged),
        "refused": complaints[:MOST_REFUSED],
        "refused_rows": len(looked.refused),
        "unknown_attributes": unknown_attributes(names, attributes),
        "items": [entry for entry, _ in zip(shown, range(MOST_SHOWN), strict=False)],
    }


def _rows(rows: Sequence[IssueRow], stamp: Mapping[str, str | None], attributes: Attributes) -> IssuesImport:
    issues: list[Issue] = []
    refused: list[RefusedIssue] = []
    first: dict[str, int] = {}
    for place, row in enumerate(rows):
        issue, faults = _issue(row, stamp, attributes)
        sent = row.value if isinstance(row.value, dict) else {}
        identity = sent["id"] if isinstance(sent.get("id"), str) else None
        if identity is not None:
            if identity in reference.shipped_issues():
                faults.append(Fault("clashing-id", f"the issue '{identity[:80]}' comes with the service", "/id"))
            if identity in first:
                message = f"the id '{identity[:80]}' stands at row {first[identity]} already"
                faults.append(Fault("clashing-id", message, "/id"))
            first.setdefault(identity, place + 1)
        if faults or issue is None:
            told = tuple(replace(fault.under(f"/issues/{place}"), line=row.line or fault.line) for fault in faults)
            refused.append(RefusedIssue(place + 1, row.line, identity, told, sent.get("facts")))
        else:
            issues.append(issue)
    return IssuesImport(tuple(issues), tuple(refused))


def _issue(row: IssueRow, stamp: Mapping[str, str | None], attributes: Attributes) -> tuple[Issue | None, list[Fault]]:
    """The issue of a row, and all that is wrong with it, pointers relative to the row."""
    issue, faults = None, list(row.faults)
    try:
        sent = read(ImportedIssueIn, row.value)
        source, edition = sent.source or stamp["source"], sent.edition or stamp["edition"]
        if source and edition:
            issue = an_issue(sent.id, sent, source, edition)
        else:
            missing = [name for name, text in (("source", source), ("edition", edition)) if not text]
            faults += [Fault("missing", f"'{name}' is needed", f"/{name}") for name in missing]
    except Invalid as refusal:
        told = {fault.pointer for fault in faults}
        faults += [fault for fault in refusal.faults if fault.pointer not in told]
    facts = row.value.get("facts") if isinstance(row.value, dict) else None
    if isinstance(facts, dict):
        faults += reference.faults_of_issue_facts(facts, attributes)
    return issue, faults


def _shown(refused: RefusedIssue, attributes: Attributes) -> list[dict[str, Any]]:
    where = {"row": refused.row, **({} if refused.line is None else {"line": refused.line}), "id": refused.id}
    return [
        {
            **where,
            **{name: part for name, part in fault.as_json().items() if name not in ("line", "column")},
            "nearest": nearest_value(fault, steps_of(fault.pointer)[2:], refused.facts, attributes),
        }
        for fault in refused.faults
    ]


def _outcome(outcome: str, issues: Iterable[Issue]) -> Iterable[dict[str, Any]]:
    return ({"outcome": outcome, **shown_content(issue)} for issue in issues)


def _ensure_no_stamp(query: ImportQuery) -> None:
    faults = [
        Fault("parameter", f"`{name}` stands in the body when it is JSON")
        for name in ("source", "edition")
        if getattr(query, name) is not None
    ]
    if faults:
        raise InvalidQuery(faults, faults[0].message)

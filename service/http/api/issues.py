"""The catalogue: the issues that come with the service, and the owner's own beside them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, ClassVar, Literal
from urllib.parse import quote

from fastapi import Depends, Path, Query, Request
from msgspec import UNSET, Meta, UnsetType
from pydantic import AfterValidator, Field
from sqlalchemy import Connection
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.database.ids import new_id
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, InvalidQuery, NotFound
from service.facts.attributes import Attributes, UnknownAttribute, unknown_attributes
from service.facts.core_attributes import CORE
from service.facts.recorded import RecordedFact
from service.formats.strict_json import CSV
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, M, OptionalOwner, Received, Unread
from service.http.idempotency import IdempotencyKey
from service.http.inputs import refuse_beside_json
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import describes, problems, router
from service.http.pagination import PageQuery, name_key, page
from service.http.responses import NEXT_PAGE, PRIVATE, Created, Reply, Sends, Tagged, created, tagged
from service.http.wire import In, OtherForm, Out, QueryIn, read
from service.reference import actions, imports
from service.reference.actions import Picked
from service.reference.imports import IssuesImportReport, SentIssues
from service.reference.issue_table import write_sheet
from service.reference.languages import Language
from service.reference.model import (
    MOST_IMPORTED,
    Edition,
    ImportedIssue,
    Issue,
    IssueFields,
    IssueName,
    Source,
    StoredIssue,
)
from service.rules.shape_messages import complaint

issues = router("/v1/issues", "Reference")

_SHEET = (
    "One row for each issue. Columns: id, label, look_alikes, source, edition, replaces, and attributes. An empty cell: not "
    "recorded; a hyphen: known to be none; several terms: separated by ; ; what begins with { [ or a quote: JSON, as in facts."
)


# --- requests ------------------------------------------------------------------------------------------------------------


def _plain(value: str) -> str:
    # In a body this is refused for the whole; an address is not read so strictly.
    if "\0" in value:
        raise complaint("text", "a text has no NUL character in it")
    return value


class IssueFieldsIn(IssueFields, In):
    """An issue of the owner's own, changed."""


class NewIssueIn(IssueFields, In):
    """A new issue of the owner's own."""

    id: IssueName | None = Field(None, description="A name that no other issue has; left out, the server makes one.")


class IssuesImportIn(In):
    """Issues to record or replace, with where they come from."""

    body_limit: ClassVar[str] = "evaluation_body_bytes"
    other_forms: ClassVar[Mapping[str, OtherForm]] = {CSV: OtherForm(_SHEET)}

    source: Source
    edition: Edition
    issues: list[ImportedIssue] = Field(max_length=MOST_IMPORTED)


class _ImportFrame(In):
    """The same before its issues are checked, each by itself."""

    source: Source
    edition: Edition
    issues: list[Any] = Field(max_length=MOST_IMPORTED)


class IssuesImportQuery(QueryIn):
    """How to import. `source` and `edition` go with CSV."""

    dry_run: bool = Field(False, description="true: only tell what would be done.")
    skip_refused: bool = Field(False, description="true: leave refused rows out; else one refused row refuses all.")
    source: Annotated[Source, AfterValidator(_plain)] | None = Field(
        None, description="Where the rows come from, for CSV."
    )
    edition: Annotated[Edition, AfterValidator(_plain)] | None = Field(
        None, description="Which edition of the source, for CSV."
    )


class IssueQuery(PageQuery):
    """Which issues to list, and how."""

    contains: str | None = Field(
        None, max_length=200, description="Words that the id or the label contains, all of them."
    )
    private: bool | None = Field(None, description="true: only the owner's own; false: only those of the service.")
    format: Literal["json", "csv"] = Field("json", description="csv: all of them in one file, without pages.")


# Told in the document only: whatever is no id answers 404, and not what is wrong with it.
_SHORT: dict[str, Any] = {"maxLength": 200}


@describes(problems=("not-found",))
async def _issue_id(id: Annotated[str, Path(json_schema_extra=_SHORT)]) -> str:
    """The id in the path; what can be no id names nothing."""
    if len(id) > 200 or not id.isprintable():
        raise NotFound("issue", ascii(id[:60]))
    return id


IssueId = Annotated[str, Depends(_issue_id)]


# --- answers -------------------------------------------------------------------------------------------------------------


class IssueOut(Out, kw_only=True):
    """One issue."""

    id: str
    label: str
    facts: Mapping[str, RecordedFact]
    look_alikes: list[str]
    source: str
    edition: str
    private: Annotated[bool, Meta(description="Whether it is the owner's own.")]
    replaces: (
        Annotated[str, Meta(description="The issue in whose place it is a candidate, where it replaces one.")]
        | UnsetType
    ) = UNSET
    created_at: datetime | UnsetType = UNSET
    updated_at: datetime | UnsetType = UNSET
    unknown_attributes: (
        Annotated[
            list[UnknownAttribute],
            Meta(description="Advice, in the answer of one private issue; it is kept all the same."),
        ]
        | UnsetType
    ) = UNSET


class IssuePageOut(Out):
    """One page of the catalogue, in the order of ids."""

    items: list[IssueOut]
    next: Annotated[
        str | None,
        Meta(description="The address of the next page, the same as in the Link header; null on the last."),
    ]
    edition: Annotated[str, Meta(description="Of the reference data that comes with the service.")]


def issue_out(
    found: Issue | StoredIssue, attributes: Attributes | None = None, language: Language | None = None
) -> IssueOut:
    """An issue; with `attributes`, of an owner's issue also the names among its facts that are not declared. `language`: that of
    the label, of an issue that comes with the service."""
    is_own = isinstance(found, StoredIssue)
    issue = found.issue if isinstance(found, StoredIssue) else found
    unknown = unknown_attributes(issue.facts, attributes) if is_own and attributes is not None else UNSET
    return IssueOut(
        id=issue.id,
        label=issue.label if is_own or language is None else language.issue(issue.label),
        facts=issue.facts,
        look_alikes=list(issue.look_alikes),
        source=issue.source,
        edition=issue.edition,
        private=is_own,
        replaces=UNSET if issue.replaces is None else issue.replaces,
        created_at=found.created_at if isinstance(found, StoredIssue) else UNSET,
        updated_at=found.updated_at if isinstance(found, StoredIssue) else UNSET,
        unknown_attributes=unknown,
    )


def _issue_tag(found: Issue | StoredIssue, edition: str, language: Language | None = None) -> str:
    """Changes with every change of the issue. `edition` is that of what the service ships."""
    if isinstance(found, Issue):
        return entity_tag("issue", edition, found.id, *([language.stamp] if language is not None else []))
    # One import gives all its issues one version.
    return entity_tag("own issue", found.version, found.id)


# --- operations ----------------------------------------------------------------------------------------------------------


@issues.get("")
def list_issues(
    request: Request,
    context: Context,
    owner: OptionalOwner,
    query: Annotated[IssueQuery, Query()],
    language: AskedLanguage,
) -> Annotated[Reply[IssuePageOut], Sends(headers={**NEXT_PAGE, **CONTENT_LANGUAGE}, media=("text/csv",))]:
    """The catalogue: what comes with the service, and with a token the owner's own."""
    picked = Picked(query.contains, query.private)
    if query.format == "csv":
        return _sheet(context, owner, picked, query)  # type: ignore[return-value]

    def find(connection: Connection) -> Reply[IssuePageOut]:
        found = page(
            request,
            query,
            lambda after, limit: actions.issues_page(connection, owner, picked, name_key(after, 200), limit),
            lambda entry: entry.id,
            lambda entry: issue_out(entry, language=language),
        )
        headers = {**found.headers, **spoken(language)}
        return Reply(IssuePageOut(found.value.items, found.value.next, actions.edition()), headers)

    return context.database.read(find)


@issues.get("/{id}")
def get_issue(
    context: Context, owner: OptionalOwner, id: IssueId, known: IfNoneMatch, language: AskedLanguage
) -> Annotated[Reply[IssueOut], Sends(headers={"ETag": "The version, for If-Match.", **CONTENT_LANGUAGE})]:
    """One issue."""

    def find(connection: Connection) -> tuple[Issue | StoredIssue, IssueOut]:
        found = actions.find_issue(connection, owner, id)
        attributes = CORE if owner is None else known_attributes(connection, owner, CORE)
        return found, issue_out(found, attributes, language)

    found, shown = context.database.read(find)
    headers = dict(spoken(language))
    if isinstance(found, StoredIssue):
        del headers["Content-Language"]
    return known.not_modified_or(_issue_tag(found, actions.edition(), language), lambda: shown, headers)


@issues.post("", responses=problems("clash", "over-limit"))
def create_issue(
    context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Unread[NewIssueIn]
) -> Created[IssueOut]:
    """Record an issue of one's own."""
    sent = _read(body, context.database.read(lambda connection: known_attributes(connection, owner, CORE)))

    def act(connection: Connection) -> Reply[IssueOut]:
        attributes = known_attributes(connection, owner, CORE)
        stored = actions.record_issue(connection, owner, sent.issue(sent.id or new_id()), attributes, context.now())
        where = f"/v1/issues/{quote(stored.id, safe='')}"
        return created(issue_out(stored, attributes), where, _issue_tag(stored, ""))

    return key.once(context.database, owner, act)


@issues.put("/{id}", responses=problems("clash"))
def replace_issue(
    context: Context, owner: CurrentOwner, id: IssueId, expected: IfMatch, body: Unread[IssueFieldsIn]
) -> Tagged[IssueOut]:
    """Change an issue of one's own."""

    def act(connection: Connection) -> Reply[IssueOut]:
        # Whether it is there and may be changed comes before what is wrong with the body.
        actions.ensure_changeable(connection, owner, id, expect=lambda now: expected.check(_issue_tag(now, "")))
        attributes = known_attributes(connection, owner, CORE)
        stored = actions.replace_issue(connection, owner, _read(body, attributes).issue(id), attributes, context.now())
        return tagged(issue_out(stored, attributes), _issue_tag(stored, ""))

    return context.database.write(act)


@issues.delete("/{id}", responses=problems("clash"))
def delete_issue(context: Context, owner: CurrentOwner, id: IssueId, expected: IfMatch) -> None:
    """Delete an issue of one's own."""

    def act(connection: Connection) -> None:
        actions.ensure_changeable(connection, owner, id, expect=lambda now: expected.check(_issue_tag(now, "")))
        actions.delete_issue(connection, owner, id)

    context.database.write(act)


@issues.post("/imports", responses=problems("over-limit"))
def import_issues(
    context: Context,
    owner: CurrentOwner,
    query: Annotated[IssuesImportQuery, Query()],
    key: IdempotencyKey,
    body: Unread[IssuesImportIn],
    language: AskedLanguage,
) -> Annotated[Reply[IssuesImportReport], Sends(headers=CONTENT_LANGUAGE)]:
    """Record or change many issues at once, all or none. Complaints are told in the language that is asked for."""
    attributes = context.database.read(lambda connection: known_attributes(connection, owner, CORE))
    lenient = query.dry_run or query.skip_refused
    found = imports.read_import(_sent(body, query, attributes), attributes, lenient=lenient)

    def act(connection: Connection) -> Reply[IssuesImportReport]:
        done = imports.carry_out(
            connection,
            owner,
            found,
            attributes,
            context.now(),
            dry_run=query.dry_run,
            lenient=lenient,
            tell=language.refusal,
        )
        return Reply(done, spoken(language))

    if query.dry_run:
        return context.database.read(act)
    return key.once(context.database, owner, act)


def _sent(body: Received[IssuesImportIn], query: IssuesImportQuery, attributes: Attributes) -> SentIssues:
    """The rows of a body in either form. Raises InvalidQuery where parameters for CSV come with JSON."""
    if body.kind == CSV:
        return imports.issues_of_csv(body.value, attributes, query.source, query.edition)
    refuse_beside_json(source=query.source, edition=query.edition)
    try:
        frame = read(_ImportFrame, body.value)
    except Invalid as refusal:
        found = body.value.get("issues") if isinstance(body.value, dict) else None
        return imports.issues_of_json(found if isinstance(found, list) else [], "?", "?", refusal.faults)
    return imports.issues_of_json(frame.issues, frame.source, frame.edition)


def _sheet(context: runtime.Context, owner: Owner | None, picked: Picked, query: IssueQuery) -> Response:
    if query.cursor is not None:
        message = "format=csv has no pages: leave the cursor out"
        raise InvalidQuery([Fault("parameter", message)], message)

    def find(connection: Connection) -> str:
        known = CORE if owner is None else known_attributes(connection, owner, CORE)
        found = actions.issues_after(connection, owner, None, picked)
        return write_sheet((entry.issue if isinstance(entry, StoredIssue) else entry for entry in found), known)

    return Response(context.database.read(find), 200, PRIVATE, "text/csv; charset=utf-8")


def _read(body: Received[M], attributes: Attributes) -> M:
    """The issue that was sent; when its shape is wrong, what is wrong with its facts is reported as well."""
    return body.read_with_facts(lambda facts: actions.faults_of_issue_facts(facts, attributes))

"""The catalogue: the issues that come with the service, and the owner's own beside them."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Depends, Path, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service import runtime
from service.accounts.model import Owner
from service.database.ids import new_id
from service.definitions.actions import known_attributes
from service.errors import Fault, Invalid, NotFound
from service.facts.core import CORE
from service.formats.shapes import Model, read
from service.http.conditional import if_match
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    PERHAPS,
    JsonBody,
    TableBody,
    not_modified_or,
    operation,
    with_csv,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, OptionalOwner
from service.http.examples import ISSUE, ISSUE_FIELDS, ISSUES_CSV, ISSUES_IMPORT
from service.http.idempotency import idempotent
from service.http.pagination import bad_cursor, plain_page
from service.http.problems import Problem
from service.http.responses import Answer
from service.http.schemas.issues import (
    ImportQuery,
    IssueFields,
    IssueOut,
    IssuePageOut,
    IssueQuery,
    IssuesImportIn,
    IssuesImportOut,
    NewIssueIn,
    advised_issue,
    an_issue,
    issue_tag,
    shown_content,
    shown_issue,
)
from service.reference import actions
from service.reference.actions import Picked
from service.reference.imports import imported, read_import
from service.reference.issue_table import write_sheet
from service.reference.model import Issue, StoredIssue

router = APIRouter(prefix="/v1/issues")
_TAG = "Reference"
_ETAG = {"ETag": "The version, for If-Match."}
_SHEET = (
    "One row for each issue. Columns: id, label, look_alikes, source, edition, and attributes. An empty cell: not recorded; "
    "a hyphen: known to be none; several terms: separated by ; ; what begins with { [ or a quote: JSON, as in facts."
)


# Told in the document only: whatever is no id answers 404, and not what is wrong with it.
_SHORT: dict[str, Any] = {"maxLength": 200}


def _issue_id(id: Annotated[str, Path(json_schema_extra=_SHORT)]) -> str:
    """The id in the path; what can be no id names nothing."""
    if len(id) > 200 or not id.isprintable():
        raise NotFound("issue", ascii(id[:60]))
    return id


IssueId = Annotated[str, Depends(_issue_id)]


@router.get(
    "",
    **operation(
        "list_issues",
        "The catalogue: what comes with the service, and with a token the owner's own",
        tag=_TAG,
        access=PERHAPS,
        answer=IssuePageOut,
        also_as=["text/csv"],
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, owner: OptionalOwner, query: Annotated[IssueQuery, Query()]) -> Response:
    picked = Picked(query.contains, query.private)
    if query.format == "csv":
        return _sheet(parts, owner, picked, query)

    def find(connection: Connection) -> Answer:
        found = plain_page(
            request,
            query,
            lambda after, limit: actions.issues_page(connection, owner, picked, _key(after), limit),
            lambda entry: entry.id,
            shown_issue,
        )
        return Answer({**found.as_json(), "edition": actions.edition()}, 200, found.headers())

    return parts.database.read(find).response()


@router.get(
    "/{id}",
    **with_headers(
        operation(
            "get_issue",
            "One issue",
            tag=_TAG,
            access=PERHAPS,
            answer=IssueOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: OptionalOwner, id: IssueId) -> Response:
    def find(connection: Connection) -> tuple[Issue | StoredIssue, dict[str, Any]]:
        found = actions.find_issue(connection, owner, id)
        known = CORE if owner is None else known_attributes(connection, owner, CORE)
        return found, advised_issue(found, known)

    found, shown = parts.database.read(find)
    return not_modified_or(request, issue_tag(found, actions.edition()), lambda: Answer(shown))


@router.post(
    "",
    **with_headers(
        operation(
            "create_issue",
            "Record an issue of one's own",
            tag=_TAG,
            access=OWNER,
            body=NewIssueIn,
            example=ISSUE,
            answer=IssueOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused", "over-limit"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def create(request: Request, parts: Context, owner: CurrentOwner, body: JsonBody) -> Response:
    sent = _sent(parts, owner, NewIssueIn, body.value)

    def act(connection: Connection) -> Answer:
        attributes = known_attributes(connection, owner, CORE)
        issue = an_issue(sent.id or new_id(), sent, sent.source, sent.edition)
        stored = actions.record_issue(connection, owner, issue, attributes)
        headers = {"ETag": issue_tag(stored, ""), "Location": f"/v1/issues/{quote(stored.id, safe='')}"}
        return Answer(advised_issue(stored, attributes), 201, headers)

    return idempotent(request, parts.database, owner, body, act)


@router.put(
    "/{id}",
    **with_headers(
        operation(
            "replace_issue",
            "Change an issue of one's own",
            tag=_TAG,
            access=OWNER,
            body=IssueFields,
            example=ISSUE_FIELDS,
            answer=IssueOut,
            problems=["not-found", "bad-request", "clash", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def replace(request: Request, parts: Context, owner: CurrentOwner, id: IssueId, body: JsonBody) -> Response:
    expected = if_match(request)

    def act(connection: Connection) -> Answer:
        # Whether it is there and may be changed comes before what is wrong with the body.
        actions.ensure_changeable(connection, owner, id, expect=lambda now: expected.check(issue_tag(now, "")))
        attributes = known_attributes(connection, owner, CORE)
        sent = _read(IssueFields, body.value, attributes)
        issue = an_issue(id, sent, sent.source, sent.edition)
        stored = actions.replace_issue(connection, owner, issue, attributes)
        return Answer(advised_issue(stored, attributes), 200, {"ETag": issue_tag(stored, "")})

    return parts.database.write(act).response()


@router.delete(
    "/{id}",
    **with_headers(
        operation(
            "delete_issue",
            "Delete an issue of one's own",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "clash", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(request: Request, parts: Context, owner: CurrentOwner, id: IssueId) -> Response:
    expected = if_match(request)

    def act(connection: Connection) -> None:
        actions.ensure_changeable(connection, owner, id, expect=lambda now: expected.check(issue_tag(now, "")))
        actions.delete_issue(connection, owner, id)

    parts.database.write(act)
    return Answer(None, 204).response()


@router.post(
    "/imports",
    **with_csv(
        with_headers(
            operation(
                "import_issues",
                "Record or change many issues at once, all or none",
                tag=_TAG,
                access=OWNER,
                body=IssuesImportIn,
                example=ISSUES_IMPORT,
                answer=IssuesImportOut,
                problems=["bad-request", "invalid-query", "over-limit", "idempotency-key-reused"],
            ),
            IDEMPOTENCY_KEY,
        ),
        _SHEET,
        ISSUES_CSV,
    ),
)
def imports(
    request: Request, parts: Context, owner: CurrentOwner, query: Annotated[ImportQuery, Query()], body: TableBody
) -> Response:
    attributes = parts.database.read(lambda connection: known_attributes(connection, owner, CORE))
    looked = read_import(body, query, attributes)

    def act(connection: Connection) -> Answer:
        work = actions.compare_issues if query.dry_run else actions.import_issues
        done = work(connection, owner, looked.issues)
        return Answer(imported(looked, done, attributes, dry_run=query.dry_run))

    if query.dry_run:
        return parts.database.read(act).response()
    return idempotent(request, parts.database, owner, body, act)


def _sheet(parts: runtime.Context, owner: Owner | None, picked: Picked, query: IssueQuery) -> Response:
    if query.cursor is not None:
        message = "format=csv has no pages: leave the cursor out"
        raise Problem("invalid-query", message, [Fault("parameter", message)])

    def find(connection: Connection) -> str:
        known = CORE if owner is None else known_attributes(connection, owner, CORE)
        found = actions.issues_after(connection, owner, None, picked)
        contents = [entry.issue if isinstance(entry, StoredIssue) else entry for entry in found]
        return write_sheet(map(shown_content, contents), known)

    text = parts.database.read(find)
    return Response(text, 200, {"Cache-Control": "private, no-cache"}, "text/csv; charset=utf-8")


def _key(after: str | None) -> str | None:
    if after is not None and (len(after) > 200 or not after.isprintable()):
        raise bad_cursor()
    return after


def _sent(parts: runtime.Context, owner: Owner, model: type[Model], value: Any) -> Model:
    attributes = parts.database.read(lambda connection: known_attributes(connection, owner, CORE))
    return _read(model, value, attributes)


def _read(model: type[Model], value: Any, attributes: Any) -> Model:
    """The issue that was sent; when its form is wrong, what is wrong with its facts is told along."""
    try:
        return read(model, value)
    except Invalid as refusal:
        facts = value.get("facts") if isinstance(value, dict) else None
        if not isinstance(facts, dict):
            raise
        raise Invalid([*refusal.faults, *actions.faults_of_issue_facts(facts, attributes)]) from None

"""Definitions: drafted, changed, published as immutable revisions, evaluated against the owner's holdings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.accounts.store import AccountStore
from service.definitions import actions
from service.definitions.store import DefinitionStore, WantNoteStore
from service.errors import Fault, Invalid
from service.formats.strict_json import YAML
from service.holdings.model import StoredHolding
from service.http.conditional import accepted, entity_tag, if_match, is_known
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    OWNER,
    Body,
    DocumentBody,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.examples import DOCUMENT
from service.http.idempotency import idempotent
from service.http.pagination import PageQuery, identity_key, number_key, plain_page
from service.http.responses import Answer
from service.http.routes.evaluations import evaluated
from service.http.schemas.definitions import (
    DefinitionIn,
    DefinitionOut,
    DefinitionPageOut,
    DraftIn,
    line_tag,
    revision_tag,
    shown_revision,
    summary,
)
from service.http.schemas.evaluations import EvaluationOut, WantListOut
from service.http.wire import Day, In, RevisionNumber, read
from service.progress.actions.evaluate import ensure_sound, evaluation_tag, find_revision, load_stored_set, today
from service.progress.evaluate import evaluate
from service.progress.want_list import as_csv, as_html, as_text, want_list
from service.reference import actions as reference
from service.reference.store import IssueStore
from service.rules.definition import Definition
from service.rules.document import read as read_document

router = APIRouter(prefix="/v1/definitions")
_TAG = "Definitions"
_ETAG = {"ETag": "The version, for If-Match."}
_AS_YAML = "The document itself, as YAML."
Wrapper = TypeVar("Wrapper", bound=In)


_PAPER = {"text": "text/plain", "csv": "text/csv", "html": "text/html"}
_WRITERS = {"text": as_text, "csv": as_csv}
_FORMS = {"json": "application/json", **_PAPER}
_PRIVATE = {"Cache-Control": "private, no-cache", "X-Content-Type-Options": "nosniff"}


class WantQuery(BaseModel):
    """Which revision, for which day, and in which form."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")
    format: Literal["json", "text", "csv", "html"] | None = Field(
        None,
        description="text fits a card of 40 columns, html is a page to print; left out: the first that Accept prefers, or JSON.",
    )


class PublishQuery(BaseModel):
    """How to publish."""

    model_config = ConfigDict(extra="forbid")

    acknowledged: bool = Field(
        False, description="true: publish in spite of warnings of the check; errors always stand."
    )


class CheckQuery(BaseModel):
    """Which revision to check, and for which day."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the draft, or else the newest revision."
    )
    today: Day | None = Field(None, description="The day to check for; left out: today in UTC.")


class MineQuery(BaseModel):
    """Which revision, and for which day."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


@router.post(
    "",
    **with_headers(
        operation(
            "create_definition",
            "Draft a new definition",
            tag=_TAG,
            access=OWNER,
            body=DefinitionIn,
            also_yaml=_AS_YAML,
            example={"document": DOCUMENT},
            answer=DefinitionOut,
            status=201,
            problems=["bad-request", "clash", "over-limit", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def create(request: Request, parts: Context, owner: CurrentOwner, body: DocumentBody) -> Response:
    identity, document = _sent(body)
    definition = _checked(body, document)

    def act(connection: Connection) -> Answer:
        line, revision = actions.draft(connection, owner, identity, document)
        headers = {"ETag": line_tag(line), "Location": f"/v1/definitions/{line.id}"}
        return Answer(shown_revision(revision, definition), 201, headers)

    return idempotent(request, parts.database, owner, body, act)


@router.get(
    "",
    **operation(
        "list_definitions",
        "The owner's definitions, page by page",
        tag=_TAG,
        access=OWNER,
        answer=DefinitionPageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, owner: CurrentOwner, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: DefinitionStore(connection, owner).page(identity_key(after), limit),
            lambda entry: entry[0].id,
            lambda entry: summary(entry[1]),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/{id}",
    **with_headers(
        operation(
            "get_definition",
            "A definition: its draft, or else its newest revision",
            tag=_TAG,
            access=OWNER,
            answer=DefinitionOut,
            problems=["not-found", "bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    line, revision = parts.database.read(lambda connection: DefinitionStore(connection, owner).latest(id))
    return not_modified_or(request, line_tag(line), lambda: Answer(shown_revision(revision, _read(revision.document))))


@router.put(
    "/{id}",
    **with_headers(
        operation(
            "replace_draft",
            "Replace the draft, or begin the next one",
            tag=_TAG,
            access=OWNER,
            body=DraftIn,
            also_yaml=_AS_YAML,
            example={"document": DOCUMENT},
            answer=DefinitionOut,
            problems=["not-found", "bad-request", "stale", "precondition-required", "over-limit"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def replace(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, body: DocumentBody) -> Response:
    expected = if_match(request)
    document = body.value if body.kind == YAML else _wrapped(DraftIn, body).document
    definition = _checked(body, document)
    line, revision = parts.database.write(
        lambda connection: actions.redraft(
            connection, owner, id, document, expect=lambda line: expected.check(line_tag(line))
        )
    )
    return Answer(shown_revision(revision, definition), 200, {"ETag": line_tag(line)}).response()


@router.delete(
    "/{id}",
    **with_headers(
        operation(
            "delete_definition",
            "Delete a definition that was never published",
            tag=_TAG,
            access=OWNER,
            answer=None,
            status=204,
            problems=["not-found", "bad-request", "clash", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId) -> Response:
    expected = if_match(request)
    parts.database.write(
        lambda connection: actions.discard(connection, owner, id, expect=lambda line: expected.check(line_tag(line)))
    )
    return Answer(None, 204).response()


@router.get(
    "/{id}/revisions",
    **operation(
        "list_revisions",
        "Published revisions, page by page",
        tag=_TAG,
        access=OWNER,
        answer=DefinitionPageOut,
        problems=["not-found", "invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def revisions(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[PageQuery, Query()]
) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: DefinitionStore(connection, owner).revisions(id, number_key(after), limit),
            lambda revision: str(revision.number),
            summary,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.post(
    "/{id}/revisions",
    **with_headers(
        operation(
            "publish_revision",
            "Publish the draft as an immutable revision",
            tag=_TAG,
            access=OWNER,
            answer=DefinitionOut,
            status=201,
            problems=[
                "not-found",
                "bad-request",
                "clash",
                "stale",
                "precondition-required",
                "idempotency-key-reused",
                "unsound",
                "invalid-query",
            ],
            headers={**_ETAG, "Location": "Where the revision is kept."},
        ),
        IF_MATCH,
        IDEMPOTENCY_KEY,
    ),
)
async def publish(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[PublishQuery, Query()]
) -> Response:
    expected = if_match(request)
    line, own = await run_in_threadpool(
        parts.database.read, lambda c: (DefinitionStore(c, owner).line(id), IssueStore(c, owner).own_issues())
    )
    if line.draft is not None and expected.allows(line_tag(line)):
        document = line.draft.document
        await parts.limiter.run(lambda: ensure_sound(_read(document), acknowledged=query.acknowledged, own=own))

    def act(connection: Connection) -> Answer:
        line, revision = actions.publish(connection, owner, id, expect=lambda before: expected.check(line_tag(before)))
        headers = {"ETag": line_tag(line), "Location": f"/v1/definitions/{id}/revisions/{revision.number}"}
        return Answer(shown_revision(revision, _read(revision.document)), 201, headers)

    return await run_in_threadpool(idempotent, request, parts.database, owner, None, act)


@router.get(
    "/{id}/revisions/{number}",
    **with_headers(
        operation(
            "get_revision",
            "One published revision",
            tag=_TAG,
            access=OWNER,
            answer=DefinitionOut,
            problems=["not-found", "bad-request", "invalid-query"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_revision(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, number: RevisionNumber
) -> Response:
    revision = parts.database.read(lambda connection: DefinitionStore(connection, owner).revision(id, number))
    return not_modified_or(
        request, revision_tag(revision), lambda: Answer(shown_revision(revision, _read(revision.document)))
    )


@router.get(
    "/{id}/evaluation",
    **with_headers(
        operation(
            "evaluate_mine",
            "A definition kept here against the holdings kept here",
            tag="Evaluations",
            access=OWNER,
            answer=EvaluationOut,
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of the definition, the holdings, the editions and the day."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def evaluation(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[MineQuery, Query()]
) -> Response:
    day = query.today or today()

    def look(connection: Connection) -> str:
        revision = find_revision(connection, owner, id, query.revision)
        decisions = DefinitionStore(connection, owner).decisions(id)
        own_version = IssueStore(connection, owner).version()
        return evaluation_tag(revision, str(AccountStore(connection).state(owner)), day, decisions, own_version)

    tag = await run_in_threadpool(parts.database.read, look)
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))
    # Read again with holdings and issues, in one snapshot: the answer and its tag then speak of the same state.
    mine = await run_in_threadpool(parts.database.read, lambda c: load_stored_set(c, owner, id, query.revision))
    answer = await parts.limiter.run(lambda: evaluated(mine.ask(day)))
    tag = evaluation_tag(mine.revision, mine.state, day, mine.decisions, mine.own.version)
    return Answer(answer, 200, {"ETag": tag}).response()


@router.get(
    "/{id}/want-list",
    **with_headers(
        operation(
            "get_want_list",
            "What to look for next: empty places, then the weakest fillings",
            tag="Evaluations",
            access=OWNER,
            answer=WantListOut,
            also_as=list(_PAPER.values()),
            problems=["not-found", "bad-request", "invalid-query", "over-limit"],
            headers={"ETag": "Of the definition, the holdings, the editions, the day and the form."},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def get_want_list(
    request: Request, parts: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[WantQuery, Query()]
) -> Response:
    day = query.today or today()

    mine, notes = await run_in_threadpool(
        parts.database.read,
        lambda c: (load_stored_set(c, owner, id, query.revision), WantNoteStore(c, owner).of(id)),
    )
    revision, state, holdings = mine.revision, mine.state, mine.holdings
    form = query.format or accepted(request, _FORMS)
    tag = entity_tag(evaluation_tag(revision, state, day, mine.decisions, mine.own.version), form, notes.version)
    if is_known(request, tag):
        return not_modified_or(request, tag, lambda: Answer(None))

    def list_wants() -> dict[str, Any]:
        asked = mine.ask(day).measurement
        return numbered(want_list(asked, evaluate(asked), notes.notes), holdings)

    wants = await parts.limiter.run(list_wants)
    headers = {"ETag": tag, "Vary": "Accept"}
    if form == "json":
        return Answer(wants, 200, headers).response()
    language = str(revision.document.get("language", "en"))
    written = as_html(wants, language) if form == "html" else _WRITERS[form](wants)
    return Response(written, 200, {**headers, **_PRIVATE}, f"{_PAPER[form]}; charset=utf-8")


def numbered(wants: dict[str, Any], holdings: Sequence[StoredHolding]) -> dict[str, Any]:
    """The list with the owner's own numbers beside the ids, where there are any."""
    numbers = {held.id: held.data["number"] for held in holdings if held.data.get("number")}
    weakest = [{**entry, "number": numbers.get(entry["holding"])} for entry in wants["weakest"]]
    return {**wants, "weakest": weakest}


def _sent(body: Body) -> tuple[str | None, Mapping[str, Any]]:
    if body.kind == YAML:
        return None, body.value
    sent = _wrapped(DefinitionIn, body)
    return sent.id, sent.document


def _wrapped(model: type[Wrapper], body: Body) -> Wrapper:
    """What a document comes in; when its form is wrong, what is wrong with the document is told along."""
    try:
        return read(model, body.value)
    except Invalid as refusal:
        document = body.value.get("document") if isinstance(body.value, dict) else None
        if not isinstance(document, dict):
            raise
        raise Invalid([*refusal.faults, *_faults_of(body, document)]) from None


def _faults_of(body: Body, document: Any) -> Sequence[Fault]:
    try:
        _checked(body, document)
    except Invalid as refusal:
        return refusal.faults
    return ()


def _checked(body: Body, document: Any) -> Definition:
    """The document as a sound definition; faults point into the body as it was sent."""
    try:
        return _read(document)
    except Invalid as refusal:
        raise refusal if body.kind == YAML else refusal.under("/document") from None


def _read(document: Any) -> Definition:
    return read_document(document, vocabularies=reference.vocabularies())

"""Definitions: drafted, changed, published as immutable revisions, evaluated against the owner's holdings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.accounts.store import AccountStore
from service.definitions.store import DefinitionStore, WantNoteStore
from service.holdings.model import StoredHolding
from service.http.conditional import accepted, entity_tag, is_known
from service.http.declared import (
    IF_NONE_MATCH,
    OWNER,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.responses import Answer
from service.http.routes.evaluations import evaluated
from service.http.schemas.evaluations import EvaluationOut, WantListOut
from service.http.wire import Day
from service.progress.actions.evaluate import evaluation_tag, find_revision, load_stored_set, today
from service.progress.evaluate import evaluate
from service.progress.want_list import as_csv, as_html, as_text, want_list
from service.reference.store import IssueStore

router = APIRouter(prefix="/v1/definitions")
_TAG = "Definitions"
_ETAG = {"ETag": "The version, for If-Match."}


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

"""Where a definition came from: copies with their origin, newer revisions there, and merging one into the draft."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Request
from msgspec import Meta
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.clubs.actions.upstream import ClubUpstream
from service.definitions.details import DefinitionDetails, details_of
from service.definitions.merge import MergeConflict
from service.definitions.store import DefinitionStore
from service.errors import SetwrightError
from service.http.api.definitions import definition_tag
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Json, Unread
from service.http.idempotency import IdempotencyKey
from service.http.openapi import problems, router
from service.http.problems import base_url, problem_of
from service.http.responses import Created, Reply, Tagged, created, tagged
from service.http.wire import In, NewId, Out, RevisionNumber, SetDocument
from service.sharing.actions import origins as actions
from service.sharing.actions import polling, pulls
from service.sharing.model import Origin, OriginRevision
from service.sharing.store import OriginStore

origins = router("/v1/definitions/{id}", "Definitions")

OriginKind = Literal["share", "file", "own", "club"]
MergeSide = Literal["mine", "theirs"]


# --- requests ------------------------------------------------------------------------------------------------------------


class CopyIn(In):
    """How to copy."""

    id: NewId | None = Field(None, description="Of the new definition, made by the client; or left to the server.")
    revision: RevisionNumber | None = Field(None, description="Left out: the newest published one.")
    title: Annotated[str, StringConstraints(min_length=1, max_length=200)] | None = Field(
        None, description="The copy's; left out: the same."
    )


class PullIn(In):
    """Which revision of the origin to merge into the draft."""

    revision: RevisionNumber | None = Field(
        None, description="Left out: the newest that is known; ask the origin first."
    )
    keep: MergeSide = Field("mine", description="What the draft has where both changed the same thing.")


# --- answers -------------------------------------------------------------------------------------------------------------


class OfferedSummaryOut(Out):
    """A newer revision of the origin."""

    revision: int
    digest: str
    title: str
    fetched_at: datetime


class OfferedOut(OfferedSummaryOut):
    """A newer revision of the origin, with its document."""

    document: SetDocument


class OriginOut(Out):
    """Where a definition came from, as its owner sees it."""

    kind: OriginKind
    address: Annotated[str | None, Meta(description="A link is a key: keep it to yourself.")]
    definition: Annotated[str | None, Meta(description="The definition of yours that was copied.")]
    title: str
    revision: int | None
    digest: str
    recorded_at: datetime
    newest_revision: Annotated[int | None, Meta(description="The newest that is known at the origin.")]
    checked_at: datetime | None
    next_check_at: Annotated[
        datetime | None, Meta(description="After failures: before this the origin is not asked again.")
    ]
    failures: Annotated[int, Meta(description="In a row.")]
    last_problem: Annotated[str | None, Meta(description="The kind of problem of the last failure: see /problems.")]
    available: list[OfferedSummaryOut]


class OriginProblemOut(Out):
    """Why a check failed."""

    type: str
    title: str
    detail: str


class OriginCheckOut(Out):
    """The outcome of asking the origin."""

    outcome: Literal["unchanged", "newer", "failed"]
    problem: OriginProblemOut | None
    origin: OriginOut


class PulledOut(Out):
    """The revision of the origin that was merged into the draft."""

    revision: int
    digest: str


class PullOut(Out):
    """The outcome of a three-way merge."""

    pulled: PulledOut
    kept: MergeSide
    conflicts: list[MergeConflict]
    draft: DefinitionDetails


def _offered_fields(offered: OriginRevision) -> dict[str, Any]:
    return {
        "revision": offered.number,
        "digest": offered.digest,
        "title": offered.title,
        "fetched_at": offered.fetched_at,
    }


def _origin_out(origin: Origin, available: Sequence[OriginRevision]) -> OriginOut:
    return OriginOut(
        kind=origin.kind,  # type: ignore[arg-type]
        address=origin.address,
        definition=origin.source,
        title=origin.title,
        revision=origin.revision,
        digest=origin.digest,
        recorded_at=origin.recorded_at,
        newest_revision=origin.newest,
        checked_at=origin.checked_at,
        next_check_at=origin.next_check_at,
        failures=origin.failures,
        last_problem=origin.problem,
        available=[OfferedSummaryOut(**_offered_fields(revision)) for revision in available],
    )


def _problem_out(request: Request, error: SetwrightError) -> OriginProblemOut:
    problem = problem_of(error)
    kind = problem.kind
    return OriginProblemOut(f"{base_url(request)}/problems/{kind.name}", kind.title, problem.detail)


def _origin_tag(origin: Origin) -> str:
    """Whatever a check changes changes the moment of the check."""
    return entity_tag("origin", origin.recorded_at, origin.checked_at, origin.failures, origin.newest)


# --- copies and origins --------------------------------------------------------------------------------------------------


@origins.post("/copies", responses=problems("clash"))
async def copy_definition(
    context: Context, owner: CurrentOwner, id: DefinitionId, key: IdempotencyKey, body: Json[CopyIn]
) -> Created[DefinitionDetails]:
    """Draft a definition of one's own from a published revision, its origin recorded."""
    copy = await actions.prepare_copy(context, owner, id, body.revision, body.title)

    def add(connection: Connection) -> Reply[DefinitionDetails]:
        line, revision = actions.add_copy(connection, owner, body.id, copy, context.now())
        return created(details_of(revision, copy.definition), f"/v1/definitions/{line.id}", definition_tag(line))

    return await context.run(lambda: key.once(context.database, owner, add))


@origins.get("/origin")
def get_origin(context: Context, owner: CurrentOwner, id: DefinitionId, known: IfNoneMatch) -> Tagged[OriginOut]:
    """Where a definition came from, and what is newer there."""

    def find(connection: Connection) -> tuple[Origin, tuple[OriginRevision, ...]]:
        store = OriginStore(connection, owner)
        return store.get(id), store.available(id)

    origin, available = context.database.read(find)
    return known.not_modified_or(_origin_tag(origin), lambda: _origin_out(origin, available))


@origins.delete("/origin")
def forget_origin(context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch) -> None:
    """Forget where a definition came from, link and all."""
    context.database.write(
        lambda connection: actions.forget_origin(
            connection, owner, id, expect=lambda origin: expected.check(_origin_tag(origin))
        )
    )


@origins.post("/origin/checks", responses=problems("clash", "asked-too-soon", "storage-full"))
async def check_origin(request: Request, context: Context, owner: CurrentOwner, id: DefinitionId) -> OriginCheckOut:
    """Ask the origin whether there is something newer."""
    checked = await polling.check_origin(context, owner, id)
    problem = None if checked.error is None else _problem_out(request, checked.error)
    return OriginCheckOut(checked.outcome, problem, _origin_out(checked.origin, checked.available))


@origins.get("/origin/revisions/{number}")
def get_origin_revision(context: Context, owner: CurrentOwner, id: DefinitionId, number: RevisionNumber) -> OfferedOut:
    """A newer revision of the origin, as it was fetched."""
    offered = context.database.read(lambda connection: OriginStore(connection, owner).one_offered(id, number))
    assert offered.document is not None, "one is read with its document"
    return OfferedOut(**_offered_fields(offered), document=dict(offered.document))


@origins.post("/pulls", responses=problems("clash"))
async def pull_revision(
    context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch, body: Unread[PullIn]
) -> Tagged[PullOut]:
    """Merge a newer revision of the origin into the draft; the set stays as it is until that is adopted."""
    # Whether there is such a definition comes before what is wrong with the body.
    await context.read(lambda connection: DefinitionStore(connection, owner).line(id))
    asked = body.read()
    done = await pulls.pull(
        context,
        owner,
        id,
        asked.revision,
        asked.keep,
        ClubUpstream(),
        expect=lambda line: expected.check(definition_tag(line)),
    )
    pulled, draft = PulledOut(done.pulled.number, done.pulled.digest), details_of(done.draft, done.definition)
    return tagged(PullOut(pulled, asked.keep, list(done.conflicts), draft), definition_tag(done.line))

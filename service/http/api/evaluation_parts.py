"""Parts of the evaluation of a set kept here, where the whole is more than the caller needs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Query, Request
from pydantic import AfterValidator, Field, WithJsonSchema

from service.accounts.model import Owner
from service.http.dependencies import Context, CurrentOwner, DefinitionId
from service.http.elsewhere import Elsewhere, Work
from service.http.inputs import SetQuery, weigh_set
from service.http.openapi import problems, router
from service.http.pagination import PageQuery, after, bad_cursor, following, link
from service.http.responses import NEXT_PAGE, Reply, Sends
from service.http.wire import PageOut
from service.progress.actions import evaluate as evaluating
from service.progress.actions.stored_set import LoadedRequest, load_stored_set
from service.progress.named import Named
from service.progress.result import PARTS, EvaluationParts, UndecidedConflict, UnplacedHolding
from service.rules.shape_messages import complaint
from service.runtime import Context as Parts

evaluation_parts = router("/v1/definitions/{id}/evaluation", "Evaluations")

Answer = TypeVar("Answer")


# --- requests ------------------------------------------------------------------------------------------------------------


def _part(name: str) -> str:
    if name not in PARTS:
        raise complaint("part", "no part of an evaluation; there are {parts}", parts=", ".join(PARTS))
    return name


PartName = Annotated[str, AfterValidator(_part), WithJsonSchema({"type": "string", "enum": list(PARTS)})]


class PartsQuery(SetQuery):
    """Which parts, and of what."""

    part: list[PartName] = Field(
        ["summary"],
        min_length=1,
        max_length=len(PARTS),
        description="Members of the evaluation, one parameter each; left out: the headline figures.",
    )


class SetPageQuery(PageQuery, SetQuery):
    """One page, and of what."""


# --- answers -------------------------------------------------------------------------------------------------------------


class UnplacedPageOut(PageOut[UnplacedHolding]):
    """One page of the holdings that sit in no place, by id."""

    named: Named


class UndecidedPageOut(PageOut[UndecidedConflict]):
    """One page of the coins that may fit some place: those that sit somewhere come first, then by id."""

    named: Named


# --- operations ----------------------------------------------------------------------------------------------------------


@evaluation_parts.get("/parts", responses=problems("over-limit", "too-heavy"))
async def evaluate_mine_in_parts(
    context: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[PartsQuery, Query()], work: Work
) -> EvaluationParts:
    """Some members of the evaluation of a definition kept here; what is not asked for is not worked out."""
    return await _computed(
        work, context, owner, id, query, lambda loaded: evaluating.evaluated_parts(loaded, query.part)
    )


@evaluation_parts.get("/unplaced", responses=problems("over-limit", "too-heavy"))
async def list_unplaced(
    request: Request,
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[SetPageQuery, Query()],
    work: Work,
) -> Annotated[Reply[UnplacedPageOut], Sends(headers=NEXT_PAGE)]:
    """The holdings that sit in no place, page by page."""
    begin = after(request, query)
    found = await _computed(
        work, context, owner, id, query, lambda loaded: evaluating.unplaced_after(loaded, begin, query.limit)
    )
    address = following(request, query, found.next)
    return Reply(UnplacedPageOut(found.items, address, found.named), link(address))


@evaluation_parts.get("/doubts", responses=problems("over-limit", "too-heavy"))
async def list_undecided(
    request: Request,
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[SetPageQuery, Query()],
    work: Work,
) -> Annotated[Reply[UndecidedPageOut], Sends(headers=NEXT_PAGE)]:
    """The coins that may fit some place, with the facts that would tell, page by page."""
    begin = after(request, query)
    if begin is not None and begin[:2] not in ("0/", "1/"):
        raise bad_cursor()
    found = await _computed(
        work, context, owner, id, query, lambda loaded: evaluating.undecided_after(loaded, begin, query.limit)
    )
    address = following(request, query, found.next)
    return Reply(UndecidedPageOut(found.items, address, found.named), link(address))


async def _computed(
    work: Elsewhere,
    context: Parts,
    owner: Owner,
    identity: str,
    query: SetQuery,
    compute: Callable[[LoadedRequest], Answer],
) -> Answer:
    await weigh_set(work, context, owner, identity, query.revision)
    day = query.today or context.today()
    mine = await context.read(lambda connection: load_stored_set(connection, owner, identity, query.revision))
    return await context.compute(lambda: compute(mine.ask(day, presume=query.presume)))

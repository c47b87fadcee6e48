"""Which unknown facts of my coins change most, over all of my sets."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query
from pydantic import Field

from service.http.dependencies import Context, CurrentOwner
from service.http.inputs import Id
from service.http.openapi import problems, router
from service.http.wire import Day, QueryIn
from service.progress.actions import information
from service.progress.actions.candidates import MOST_SETS
from service.progress.doubts import Doubts

doubts = router("/v1", "Evaluations")


class DoubtsQuery(QueryIn):
    """Which sets, and for which day."""

    definition: list[Id] | None = Field(
        None,
        max_length=MOST_SETS,
        description="Ids of definitions kept here, one parameter each; left out: all of them.",
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


@doubts.get("/doubts", responses=problems("not-found", "over-limit"))
async def list_doubts(context: Context, owner: CurrentOwner, query: Annotated[DoubtsQuery, Query()]) -> Doubts:
    """What to look at: the unknown facts of my coins that change most."""
    day = query.today or context.today()
    return await context.compute(lambda: information.doubts_of(context.database, owner, query.definition, day))

"""The check of a definition: of one that is sent, and of one kept here."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Query
from pydantic import Field

from service.http.dependencies import Context, CurrentOwner, DefinitionId, Json, OptionalOwner
from service.http.inputs import InputsIn
from service.http.openapi import problems, router
from service.http.wire import Day, QueryIn, RevisionNumber
from service.progress.actions import inputs
from service.progress.actions.check import check_report
from service.progress.check import DefinitionCheck

checks = router("/v1", "Definitions")


class CheckIn(InputsIn):
    """Which definition to check, with the catalogue and vocabularies to check it against."""

    def inputs(self, today: date) -> inputs.Inputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        return inputs.Inputs(**self.common(today))


class CheckQuery(QueryIn):
    """Which revision to check, and for which day."""

    revision: RevisionNumber | None = Field(None, description="Left out: the draft, or else the newest revision.")
    today: Day | None = Field(None, description="The day to check for; left out: today in UTC.")


@checks.post("/definition-checks", responses=problems("not-found", "over-limit"))
async def check_definition(context: Context, owner: OptionalOwner, body: Json[CheckIn]) -> DefinitionCheck:
    """Check a set definition before a club relies on it."""
    return await context.compute(lambda: check_report(context.database, owner, body.inputs(context.today())))


@checks.get("/definitions/{id}/check", responses=problems("over-limit"))
async def check_mine(
    context: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[CheckQuery, Query()]
) -> DefinitionCheck:
    """Check a definition kept here: its draft, or one of its revisions."""
    asked = inputs.Inputs(inputs.DefinitionReference(id, query.revision), query.today or context.today())
    return await context.compute(lambda: check_report(context.database, owner, asked))

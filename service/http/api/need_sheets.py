"""Need sheets: what a program needs to answer "do I need this coin?" without a network."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import Query
from pydantic import Field
from starlette.responses import Response

from service.evaluation.cost import cost_of_evaluation, together
from service.http.answers import KeptAnswers, Question
from service.http.conditional import entity_tag
from service.http.dependencies import Context, CurrentOwner
from service.http.elsewhere import Work
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends
from service.http.wire import Day, QueryIn
from service.progress.actions.need_sheets import load_sets
from service.progress.actions.sizes import sizes_of_sets
from service.progress.actions.store import load_sets_key
from service.progress.actions.stored_set import SetsKey
from service.progress.need_sheet_answer import NeedSheets

need_sheets = router("/v1", "Evaluations")

_ETAG = {"ETag": "Of the definitions, the holdings, the editions and the day."}


class SheetsQuery(QueryIn):
    """For which day."""

    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


def _tag(key: SetsKey, day: date) -> str:
    return entity_tag("need-sheets", *key.version(day))


@need_sheets.get("/need-sheets", responses=problems("over-limit", "too-heavy"))
async def get_need_sheets(
    context: Context, owner: CurrentOwner, query: Annotated[SheetsQuery, Query()], answers: KeptAnswers, work: Work
) -> Annotated[Reply[NeedSheets], Sends(headers=_ETAG)]:
    """All sets kept here, ready to be asked without a network which coins they need."""
    day = query.today or context.today()

    async def make() -> tuple[SetsKey, Response]:
        sizes = await context.read(lambda connection: sizes_of_sets(connection, owner, None))
        await work.weigh(
            together("making the sheets", [cost_of_evaluation(one).if_not_kept() for one in sizes], "sets")
        )
        mine = await context.read(lambda connection: load_sets(connection, owner))

        def answer() -> Response:
            return Reply(mine.need_sheets(day), {"ETag": _tag(mine.key, day)}).response()

        return mine.key, await context.compute(answer)

    return await answers.give(
        owner,
        day,
        Question(None, query.today, _tag),
        lambda: context.read(lambda connection: load_sets_key(connection, owner)),
        make,
    )

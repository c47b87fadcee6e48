"""The insurance list: what is held, where, and its recorded values."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import Query
from pydantic import Field, WithJsonSchema

from service.holdings.model import ValueBasis
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner
from service.http.negotiation import Forms, TextForm
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends
from service.http.wire import Day, QueryIn, id_of
from service.progress.actions import insurance as actions
from service.progress.insurance import InsuranceList, insurance_csv, insurance_text

insurance = router("/v1", "Insurance")

_FORMS = Forms[InsuranceList](text=TextForm("text/plain", insurance_text), csv=TextForm("text/csv", insurance_csv))
_ETAG = {"ETag": "Of the holdings, the editions, the day, the form and what was asked for."}


DefinitionName = Annotated[str, id_of("definition"), WithJsonSchema({"type": "string", "format": "uuid"})]


class InsuranceQuery(QueryIn):
    """Which values, of which coins, on which day, and in which form."""

    basis: ValueBasis | None = Field(None, description="Values of this basis only; left out: the newest of each.")
    on: Day | None = Field(None, description="Later values do not count; left out: today in UTC.")
    definition: DefinitionName | None = Field(None, description="Only the pieces that sit in this set on that day.")
    format: Literal["json", "csv", "text"] | None = Field(
        None, description="text is 76 columns wide; left out: the first that Accept prefers, or JSON."
    )


@insurance.get("/insurance-list", responses=problems("not-found", "over-limit"))
async def get_insurance_list(
    context: Context, owner: CurrentOwner, query: Annotated[InsuranceQuery, Query()], known: IfNoneMatch
) -> Annotated[Reply[InsuranceList], Sends(headers=_ETAG, media=_FORMS.media)]:
    """What is held, where, and what the owner noted it to be worth."""
    day, form = query.on or context.today(), _FORMS.chosen(known.request, query.format)
    kept = await context.read(lambda connection: actions.load_insured(connection, owner, query.definition))
    tag = entity_tag("insurance", *kept.version(day, query.basis), form)
    return known.not_modified(tag) or _FORMS.reply(
        await context.compute(lambda: kept.insurance_list(day, query.basis)), form, tag
    )

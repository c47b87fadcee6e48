"""What a member's consents would show to the club: told to that member alone, before anything is shown."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta
from sqlalchemy import Connection

from service.clubs.actions.previews import ConsentPreview, preview
from service.clubs.actions.standings import BUDGET_SECONDS
from service.clubs.model import Membership
from service.clubs.standings import spare_id
from service.clubs.store.offers import OfferStore
from service.evaluation.cost import Cost, cost_of_evaluation
from service.evaluation.document_sizes import sizes_of_document
from service.facts.recorded import RecordedFact, RecordedIssue
from service.holdings.store import HoldingStore
from service.http.api.displayed_photos import DisplayedPhotoOut, photos_for_owner
from service.http.api.standings import CountsOut, OfferStampOut, PlaceStandingOut, counts_out, offer_stamp, places_out
from service.http.api.swaps import SwapCoinOut, coin_out
from service.http.dependencies import Context, CurrentMember, DefinitionId
from service.http.elsewhere import Work
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends
from service.http.wire import Out
from service.progress.actions.editions import editions

previews = router("/v1/clubs/{club_id}/definitions/{id}/consent", "Clubs")

_TIMES = 3
"""The coins are evaluated for progress and spares, described for swaps, and evaluated for the display."""


# --- answers -------------------------------------------------------------------------------------------------------------


class StandingPreviewOut(Out):
    """What `standing` shows. Null and empty where your coins cannot be evaluated."""

    counts: CountsOut | None
    places: list[PlaceStandingOut]


class SparePreviewOut(Out):
    """What `spares` shows of one coin, and what the sides of a swap are told of it."""

    id: str
    holding: Annotated[str, Meta(description="Your own coin; not told to anybody else.")]
    pieces: int
    places: list[str]
    told_in_swaps: SwapCoinOut


class LendablePreviewOut(Out):
    """What `display` shows of one coin, if the display takes it."""

    coin: str
    description: str
    facts: dict[str, RecordedFact]
    issue: RecordedIssue | None
    photos: Annotated[
        list[DisplayedPhotoOut],
        Meta(
            description="What `photos` shows of it; here `image` is your own address, which leads nowhere for others."
        ),
    ]


class ConsentPreviewOut(Out):
    """What others would see with each consent, whatever you consent to now. What is not here is not shown."""

    standing: StandingPreviewOut
    spares: list[SparePreviewOut]
    display: Annotated[
        list[LendablePreviewOut], Meta(description="Which of them are shown depends on what others lend.")
    ]
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


# --- operations ----------------------------------------------------------------------------------------------------------


@previews.get("/preview", responses=problems("over-limit", "too-heavy", "busy"))
async def preview_consent(
    context: Context, member: CurrentMember, id: DefinitionId, language: AskedLanguage, work: Work
) -> Annotated[Reply[ConsentPreviewOut], Sends(headers=CONTENT_LANGUAGE)]:
    """What others in the club would see of your coins with each consent. What coins are called is in the language that is asked
    for."""
    await work.weigh(await context.read(lambda connection: _cost(connection, member, id)))
    found = await preview(context, member, id, language)
    return Reply(_preview_out(member.club, found), spoken(language))


def _preview_out(club: str, found: ConsentPreview) -> ConsentPreviewOut:
    definition, shown = found.offered.definition, found.standing
    return ConsentPreviewOut(
        standing=StandingPreviewOut(counts_out(shown), places_out(shown)),
        spares=[
            SparePreviewOut(spare_id(club, definition, holding), holding, pieces, places, coin_out(found.told[holding]))
            for holding, pieces, places in shown.spares or ()
        ],
        display=[
            LendablePreviewOut(
                coin.name,
                coin.description,
                coin.recorded["facts"],
                coin.recorded["issue"],
                photos_for_owner(found.photos.get(coin.name, ())),
            )
            for coin in found.lendable
        ],
        definition=offer_stamp(found.offered),
        evaluated_on=found.day.isoformat(),
        **editions(),
    )


def _cost(connection: Connection, member: Membership, identity: str) -> Cost:
    offered = OfferStore(connection, member.club).newest(identity)
    coins = HoldingStore(connection, member.owner).number()
    sizes = sizes_of_document(offered.document, coins, BUDGET_SECONDS)
    return cost_of_evaluation(sizes).times(_TIMES, "evaluations", certain=1)

"""What others in a club would see of a member's coins, worked out for that member alone by what shows it to them. Nothing is
stored, and nobody else is asked for anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.clubs.actions.displayed_photos import DisplayedPhoto, photos_by_coin
from service.clubs.actions.displays import lendable_coins
from service.clubs.actions.standings import evaluated, newest_offered
from service.clubs.displays import LendableCoin
from service.clubs.model import NOTHING_SHOWN, ClubOffer, Membership
from service.clubs.store.offers import ShownDefinition
from service.clubs.swaps.actions.collections import Collections
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.runtime import Context


@dataclass(frozen=True, slots=True)
class ConsentPreview:
    """`standing` is what is shown of progress and spares; `told` what the sides of a swap are told of each spare coin, by
    holding; `lendable` the coins that the display may show, `photos` those of them."""

    offered: ClubOffer
    day: date
    standing: ShownDefinition
    told: Mapping[str, Mapping[str, Any]]
    lendable: Sequence[LendableCoin]
    photos: Mapping[str, Sequence[DisplayedPhoto]]


async def preview(
    context: Context, member: Membership, identity: str, speech: Speech = ENGLISH_SPEECH
) -> ConsentPreview:
    """What the member would show with every consent, whatever is consented to now; coins are described in the
    language of `speech`. Raises NotFound, OverLimit; Busy where the coins change meanwhile."""
    day, offered = context.today(), await newest_offered(context, member.club, identity)
    nothing = ShownDefinition(member.id, member.name, member.owner, NOTHING_SHOWN, None, None)

    def work() -> ConsentPreview:
        standing = evaluated(context, offered, nothing, day)
        coins = Collections(context, offered, {member.owner.id: standing}, {}, day)
        told = {holding: coins.tell(member.owner.id, holding) for holding, _, _ in standing.spares or ()}
        lendable = lendable_coins(context, offered, nothing, member.club, day, speech=speech)
        photos = context.database.read(lambda c: photos_by_coin(c, member.club, offered.definition, nothing))
        return ConsentPreview(offered, day, standing, told, lendable, photos)

    return await context.compute(work)

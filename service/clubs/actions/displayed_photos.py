"""Photos of coins in a club's display, under names of the display alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.clubs.standings import displayed_id, displayed_photo_id
from service.clubs.store.offers import ShownDefinition, ShownStore
from service.holdings.photos.store import PhotoStore, StoredPhoto

PHOTOS = "photos"


@dataclass(frozen=True, slots=True)
class DisplayedPhoto:
    """A photo of a coin that a display may show. `name`: what it is called there; `lender`: the member's id in the club."""

    name: str
    lender: str
    owner: Owner
    kept: StoredPhoto


def photos_by_coin(
    connection: Connection, club: str, definition: str, shown: ShownDefinition
) -> dict[str, list[DisplayedPhoto]]:
    """All photos of a member's coins, by the names that the coins have in the display; the obverse comes first. What the member
    consents to is not looked at."""
    owner = shown.owner

    def named(kept: StoredPhoto) -> DisplayedPhoto:
        name = displayed_photo_id(club, definition, owner.id, kept.id, kept.file.digest)
        return DisplayedPhoto(name, shown.member, owner, kept)

    by_holding = PhotoStore(connection, owner).by_holding()
    return {displayed_id(club, definition, owner.id, of): list(map(named, photos)) for of, photos in by_holding.items()}


def photos_shown(
    connection: Connection, club: str, definition: str, lenders: Sequence[ShownDefinition]
) -> dict[str, list[DisplayedPhoto]]:
    """The same of those lenders who let the club see photos now."""
    willing = ShownStore(connection, club, definition).still(PHOTOS, [shown.owner.id for shown in lenders])
    photos: dict[str, list[DisplayedPhoto]] = {}
    for shown in lenders:
        if shown.owner.id in willing:
            photos |= photos_by_coin(connection, club, definition, shown)
    return photos

"""What a club offers, announces and is shown, on the wire."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from service.clubs.model import Announcement, ClubOffer, Consent, Copy
from service.clubs.offers import ShownDefinition
from service.clubs.standings import spare_id
from service.database.ids import read_id
from service.http.conditional import entity_tag
from service.http.schemas.clubs import Note, SomebodyOut
from service.http.wire import In, OldOut, OldPageOut


def _kept(value: Any) -> str:
    identity = read_id(value) if isinstance(value, str) else None
    if identity is None:
        raise PydanticCustomError("id", "this is the id of a definition that is kept here")
    return identity


DefinitionKey = Annotated[str, BeforeValidator(_kept)]
RevisionNumber = Annotated[int, Field(ge=1, le=2**31 - 1)]


class OfferIn(In):
    """A published revision of a definition of your own."""

    definition_id: DefinitionKey
    revision: RevisionNumber | None = Field(None, description="Left out: the newest published one.")
    note: Note | None = Field(None, description="What the members should know; it is announced.")


class TakeIn(In):
    """Which revision to take."""

    revision: RevisionNumber | None = Field(None, description="The club's number; left out: the newest.")


class ConsentIn(In):
    """What you show the club of this definition; nothing unless you say so. Takes effect with the next request."""

    standing: bool = Field(description="Which places you have filled; never by which coin.")
    spares: bool = Field(description="Which places your spare coins fit; nothing else of them.")
    display: bool = Field(
        False,
        description="Your coins may be shown in the club's display: a coin that is shown with its facts and its issue.",
    )


class OfferQuery(BaseModel):
    """Which revision."""

    model_config = ConfigDict(extra="forbid")

    revision: int | None = Field(None, ge=1, le=2**31 - 1, description="The club's number; left out: the newest.")


class PlaceFilter(BaseModel):
    """For which place."""

    place: str | None = Field(None, max_length=200, description="Only coins that fit this place or group.")


class OfferSummaryOut(OldOut):
    """A definition that the club offers. The revision is the club's own number."""

    id: str
    revision: int
    digest: str
    title: str
    note: str | None
    offered_by: str
    offered_at: datetime


class CopyOut(OldOut):
    """Your own definition that was taken from it."""

    definition_id: str
    revision: int = Field(description="The club's number of the revision that was taken.")


class OfferOut(OfferSummaryOut):
    """A definition that the club offers, with its document and what is your own about it."""

    document: dict[str, Any]
    copy_: CopyOut | None = Field(alias="copy")


class OfferPageOut(OldPageOut):
    """A page of definitions, each with its newest revision."""

    items: list[OfferSummaryOut]


class AnnouncementOut(OldOut):
    """What is new about what the club offers."""

    id: str
    kind: Literal["offered", "revised", "withdrawn"]
    definition_id: str
    title: str
    revision: int
    note: str | None
    by: str
    at: datetime


class AnnouncementPageOut(OldPageOut):
    """A page of announcements, the oldest first."""

    items: list[AnnouncementOut]


class TakenOut(CopyOut):
    """Your new definition, published as the club offers it."""

    title: str
    digest: str


class ConsentOut(OldOut):
    """What you show the club of this definition."""

    standing: bool
    spares: bool
    display: bool


class StandingStampOut(OldOut):
    """What was evaluated: always the club's newest revision."""

    id: str
    revision: int
    digest: str
    title: str


class CountsOut(OldOut):
    """How many places are how."""

    places: int
    filled: int
    tentative: int
    empty: int
    proven_optimal: bool


class StandingOut(OldOut):
    """How far a member is. Counts are null where the member's coins cannot be evaluated."""

    member: SomebodyOut
    counts: CountsOut | None


class StampedOut(OldOut):
    """Against what, and when."""

    definition: StandingStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class StandingPageOut(OldPageOut, StampedOut):
    """A page of members who show their standing. A page may be short of its limit and still have a next one."""

    items: list[StandingOut]


class PlaceStandingOut(OldOut):
    """How one place stands."""

    place: str
    label: str
    status: Literal["filled", "tentative", "empty"]


class MemberStandingOut(StandingOut, StampedOut):
    """One member's standing, place by place."""

    places: list[PlaceStandingOut]


class SparesOut(OldOut):
    """How much a member can spare; null where the member's coins cannot be evaluated."""

    member: SomebodyOut
    holdings: int | None
    pieces: int | None


class SparesPageOut(OldPageOut, StampedOut):
    """A page of members who show what they can spare."""

    items: list[SparesOut]


class SpareOut(OldOut):
    """A coin that its owner's set does without. The id is made for this club and definition, and says nothing of the coin."""

    id: str
    pieces: int
    places: list[str] = Field(description="Places that it surely fits; the places of a free choice once, by its id.")


class MemberSparesOut(OldPageOut, StampedOut):
    """A page of one member's spare coins."""

    member: SomebodyOut
    items: list[SpareOut]


def summary_of_offer(offered: ClubOffer) -> dict[str, Any]:
    return {
        "id": offered.definition,
        "revision": offered.number,
        "digest": offered.digest,
        "title": offered.title,
        "note": offered.note,
        "offered_by": offered.offered_by,
        "offered_at": offered.offered_at,
    }


def shown_offer(offered: ClubOffer, copy: Copy | None) -> dict[str, Any]:
    return {**summary_of_offer(offered), "document": offered.document, "copy": shown_copy(copy)}


def shown_copy(copy: Copy | None) -> dict[str, Any] | None:
    return None if copy is None else {"definition_id": copy.definition, "revision": copy.revision}


def shown_announcement(made: Announcement) -> dict[str, Any]:
    named = {"id": made.id, "kind": made.kind, "definition_id": made.definition, "title": made.title}
    return {**named, "revision": made.revision, "note": made.note, "by": made.by, "at": made.at}


def shown_consent(consent: Consent) -> dict[str, bool]:
    return {"standing": consent.standing, "spares": consent.spares, "display": consent.display}


def stamp_of(offered: ClubOffer) -> dict[str, Any]:
    return {
        "id": offered.definition,
        "revision": offered.number,
        "digest": offered.digest,
        "title": offered.title,
    }


def shown_standing(shown: ShownDefinition) -> dict[str, Any]:
    """The counts alone: nothing of the coins."""
    names = ("places", "filled", "tentative", "empty", "proven_optimal")
    counts = None if shown.counts is None else {name: shown.counts[name] for name in names}
    return {"member": somebody(shown), "counts": counts}


def shown_places(shown: ShownDefinition) -> list[dict[str, str]]:
    return [{"place": place, "label": label, "status": status} for place, label, status in shown.places or ()]


def shown_spares(shown: ShownDefinition, place: str | None) -> dict[str, Any]:
    """How much there is to spare; with a place, how much that fits it."""
    if shown.counts is None:
        return {"member": somebody(shown), "holdings": None, "pieces": None}
    if place is None:
        return {
            "member": somebody(shown),
            "holdings": shown.counts["spare_holdings"],
            "pieces": shown.counts["spare_pieces"],
        }
    fitting = [pieces for _, pieces, places in shown.spares or () if place in places]
    return {"member": somebody(shown), "holdings": len(fitting), "pieces": sum(fitting)}


def spare_coins(club: str, definition: str, shown: ShownDefinition, place: str | None) -> list[dict[str, Any]]:
    """The spare coins in the order of their ids towards the club."""
    coins = [
        {"id": spare_id(club, definition, holding), "pieces": pieces, "places": places}
        for holding, pieces, places in shown.spares or ()
        if place is None or place in places
    ]
    return sorted(coins, key=lambda coin: str(coin["id"]))


def somebody(shown: ShownDefinition) -> dict[str, str]:
    return {"id": shown.member, "name": shown.name}


def offer_tag(offered: ClubOffer, copy: Copy | None) -> str:
    """Changes with the newest revision, and with one's own copy."""
    mine = ("", "") if copy is None else (copy.definition, copy.revision)
    return entity_tag("offer", offered.definition, offered.number, offered.digest, *mine)

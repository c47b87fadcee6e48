"""What members show their club of a definition: how far they are, what they can spare, one display of their coins."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import Query, Request
from msgspec import Meta
from pydantic import Field

from service.clubs.actions.displays import ShownDisplay, displayed
from service.clubs.actions.standings import SPARES, STANDING, ShownPage, shown_one, shown_page
from service.clubs.displays import DisplayLender
from service.clubs.model import ClubOffer
from service.clubs.standings import spare_id
from service.clubs.store.offers import ShownDefinition
from service.facts.recorded import RecordedFact, RecordedIssue
from service.formats.html import PRINT, page_policy, render
from service.http.api.clubs import SomebodyOut
from service.http.api.displayed_photos import DisplayedPhotoOut, photos_for_club
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentMember, DefinitionId, MemberId
from service.http.elsewhere import Work
from service.http.inputs import weigh_members
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken, stamped
from service.http.negotiation import accepted
from service.http.openapi import problems, router
from service.http.pagination import PageQuery, Paging, after, following, identity_key, link, page
from service.http.responses import Reply, Sends, encode
from service.http.wire import Out, QueryIn
from service.progress.actions.editions import editions
from service.progress.exhibition import Exhibit
from service.progress.named import Named, NamedHolding
from service.progress.result import Figures

standings = router("/v1/clubs/{club_id}/definitions/{id}", "Clubs")

_FORMS = {"json": "application/json", "html": "text/html"}
_OF_WHAT_IS_SHOWN = {"ETag": "Of what is shown, and of nothing else."}
_NEXT = {"Link": "The next page, with rel=next."}


class SparesQuery(PageQuery):
    """Which place, and which page."""

    place: str | None = Field(None, max_length=200, description="Only coins that fit this place or group.")


class DisplayQuery(QueryIn):
    """In which form."""

    format: Literal["json", "html"] | None = Field(
        None, description="html is a page to print; left out: the first that Accept prefers, or JSON."
    )


# --- answers -------------------------------------------------------------------------------------------------------------


class OfferStampOut(Out):
    """What was evaluated: always the club's newest revision."""

    id: str
    revision: int
    digest: str
    title: str


class CountsOut(Out):
    """How many places are how."""

    places: int
    filled: int
    tentative: int
    empty: int
    proven_optimal: bool


class StandingOut(Out):
    """How far a member is. Counts are null where the member's coins cannot be evaluated."""

    member: SomebodyOut
    counts: CountsOut | None


class StandingPageOut(Out):
    """A page of members who show their standing. A page may be short of its limit and still have a next one."""

    items: list[StandingOut]
    next: str | None
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class PlaceStandingOut(Out):
    """How one place stands."""

    place: str
    label: str
    status: Literal["filled", "tentative", "empty"]


class MemberStandingOut(StandingOut):
    """One member's standing, place by place."""

    places: list[PlaceStandingOut]
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class SparesOut(Out):
    """How much a member can spare; null where the member's coins cannot be evaluated."""

    member: SomebodyOut
    holdings: int | None
    pieces: int | None


class SparesPageOut(Out):
    """A page of members who show what they can spare."""

    items: list[SparesOut]
    next: str | None
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class SpareOut(Out):
    """A coin that its owner's set does without. The id is made for this club and definition, and says nothing of the coin."""

    id: str
    pieces: int
    places: Annotated[
        list[str], Meta(description="Places that it surely fits; the places of a free choice once, by its id.")
    ]


class MemberSparesOut(Out):
    """A page of one member's spare coins."""

    items: list[SpareOut]
    next: str | None
    member: SomebodyOut
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class DisplayedOut(Out):
    """A coin that is shown. Its id is made for this club and definition, and says nothing of the coin."""

    coin: str
    page: str | None
    place: str
    label: str
    status: Literal["filled", "tentative"]
    owner: Annotated[str, Meta(description="Who lends it, as the club knows the member.")]
    description: str
    facts: Annotated[dict[str, RecordedFact], Meta(description="Those that the definition knows.")]
    issue: Annotated[
        RecordedIssue | None, Meta(description="One that the service ships; what others say stands among the facts.")
    ]
    photos: Annotated[
        list[DisplayedPhotoOut], Meta(description="Where its owner consents to them; the obverse comes first.")
    ]


class DisplayLoanOut(Out):
    """A coin that is lent, and where it is shown."""

    coin: str
    owner: str
    label: str
    place: str
    place_label: str


class DisplayOut(Out):
    """One display made of the coins of all members who consent. Nothing of a coin that is not shown."""

    definition: OfferStampOut
    evaluated_on: date
    reference_edition: str
    engine_version: str
    summary: Figures
    proven_optimal: bool
    exhibits: Annotated[list[DisplayedOut], Meta(description="Page by page; those on no page at the end.")]
    loans: Annotated[list[DisplayLoanOut], Meta(description="By the names of their owners.")]
    lenders: list[DisplayLender]
    named: Named


def offer_stamp(offered: ClubOffer) -> OfferStampOut:
    """Which revision of the club's was evaluated."""
    return OfferStampOut(offered.definition, offered.number, offered.digest, offered.title)


def _stamp(listed: ShownPage) -> dict[str, Any]:
    return {"definition": offer_stamp(listed.offered), "evaluated_on": listed.day.isoformat(), **editions()}


def _somebody(shown: ShownDefinition) -> SomebodyOut:
    return SomebodyOut(shown.member, shown.name)


def counts_out(shown: ShownDefinition) -> CountsOut | None:
    """The counts alone: nothing of the coins."""
    names = ("places", "filled", "tentative", "empty", "proven_optimal")
    return None if shown.counts is None else CountsOut(*(shown.counts[name] for name in names))


def places_out(shown: ShownDefinition) -> list[PlaceStandingOut]:
    """The places, each without its coin."""
    return [PlaceStandingOut(*place) for place in shown.places or ()]  # type: ignore[arg-type]


def _spares(shown: ShownDefinition, place: str | None) -> SparesOut:
    """How much there is to spare; with a place, how much that fits it."""
    if shown.counts is None:
        return SparesOut(_somebody(shown), None, None)
    if place is None:
        return SparesOut(_somebody(shown), shown.counts["spare_holdings"], shown.counts["spare_pieces"])
    fitting = [pieces for _, pieces, places in shown.spares or () if place in places]
    return SparesOut(_somebody(shown), len(fitting), sum(fitting))


def _spare_coins(club: str, definition: str, shown: ShownDefinition, place: str | None) -> list[SpareOut]:
    """The spare coins in the order of their ids towards the club."""
    coins = [
        SpareOut(spare_id(club, definition, holding), pieces, places)
        for holding, pieces, places in shown.spares or ()
        if place is None or place in places
    ]
    return sorted(coins, key=lambda coin: coin.id)


def _display_out(club: str, shown: ShownDisplay) -> DisplayOut:
    offered, made = shown.offered, shown.display
    photos = {coin: photos_for_club(club, offered.definition, found) for coin, found in shown.photos.items()}
    return DisplayOut(
        definition=offer_stamp(offered),
        evaluated_on=made.evaluated_on,
        summary=made.summary,
        proven_optimal=made.proven_optimal,
        exhibits=[_displayed_out(exhibit, photos[exhibit.holding]) for exhibit in made.exhibits],
        loans=[DisplayLoanOut(one.loan, one.owner, one.label, one.place, one.place_label) for one in made.loans],
        lenders=made.lenders,
        named={one.holding: NamedHolding(None, one.description) for one in made.exhibits},
        **editions(),
    )


def _displayed_out(shown: Exhibit, photos: list[DisplayedPhotoOut]) -> DisplayedOut:
    assert shown.owner is not None
    return DisplayedOut(
        coin=shown.holding,
        page=shown.page,
        place=shown.place,
        label=shown.label,
        status=shown.status,
        owner=shown.owner,
        description=shown.description,
        facts=shown.facts,
        issue=shown.issue,
        photos=photos,
    )


def _content_tag(*values: object) -> str:
    """The entity tag of what is shown, and of nothing else: one that followed from the holdings' state would tell when somebody
    got a coin that changes nothing shown."""
    return entity_tag(*(encode(value).decode() for value in values))


# --- operations ----------------------------------------------------------------------------------------------------------


@standings.get("/standings", responses=problems("too-heavy"))
async def list_standings(
    request: Request,
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    query: Paging,
    known: IfNoneMatch,
    work: Work,
) -> Annotated[Reply[StandingPageOut], Sends(headers={**_NEXT, **_OF_WHAT_IS_SHOWN})]:
    """How far the members are who show it, against the club's newest revision."""
    begin = identity_key(after(request, query))
    await weigh_members(work, context, member)
    listed = await shown_page(context, member, id, STANDING, begin, query.limit)
    items = [StandingOut(_somebody(shown), counts_out(shown)) for shown in listed.members]
    value = StandingPageOut(items, following(request, query, listed.last), **_stamp(listed))
    return known.not_modified_or(_content_tag(value), lambda: value, link(value.next))


@standings.get("/standings/{member_id}", responses=problems("too-heavy"))
async def get_standing(
    context: Context, member: CurrentMember, id: DefinitionId, member_id: MemberId, known: IfNoneMatch, work: Work
) -> Annotated[Reply[MemberStandingOut], Sends(headers=_OF_WHAT_IS_SHOWN)]:
    """One member's standing, place by place."""
    await weigh_members(work, context, member, most=1)
    listed, shown = await shown_one(context, member, id, STANDING, member_id)
    value = MemberStandingOut(_somebody(shown), counts_out(shown), places_out(shown), **_stamp(listed))
    return known.not_modified_or(_content_tag(value), lambda: value)


@standings.get("/spares", responses=problems("too-heavy"))
async def list_spares(
    request: Request,
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    query: Annotated[SparesQuery, Query()],
    known: IfNoneMatch,
    work: Work,
) -> Annotated[Reply[SparesPageOut], Sends(headers={**_NEXT, **_OF_WHAT_IS_SHOWN})]:
    """How much the members can spare who show it."""
    begin, place = identity_key(after(request, query)), query.place
    await weigh_members(work, context, member)
    listed = await shown_page(context, member, id, SPARES, begin, query.limit, whole=place is not None)
    items = [_spares(shown, place) for shown in listed.members]
    value = SparesPageOut(items, following(request, query, listed.last), **_stamp(listed))
    return known.not_modified_or(_content_tag(value), lambda: value, link(value.next))


@standings.get("/spares/{member_id}", responses=problems("too-heavy"))
async def list_member_spares(
    request: Request,
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    member_id: MemberId,
    query: Annotated[SparesQuery, Query()],
    work: Work,
) -> Annotated[Reply[MemberSparesOut], Sends(headers=_NEXT)]:
    """The coins that one member can spare, and which places they fit."""
    await weigh_members(work, context, member, most=1)
    listed, shown = await shown_one(context, member, id, SPARES, member_id)
    coins = _spare_coins(member.club, id, shown, query.place)
    found = page(
        request,
        query,
        lambda after, limit: [coin for coin in coins if after is None or coin.id > after][:limit],
        lambda coin: coin.id,
        lambda coin: coin,
    )
    value = MemberSparesOut(found.value.items, found.value.next, _somebody(shown), **_stamp(listed))
    return Reply(value, found.headers)


@standings.get("/display", responses=problems("over-limit", "too-heavy"))
async def get_club_display(
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    query: Annotated[DisplayQuery, Query()],
    known: IfNoneMatch,
    language: AskedLanguage,
    work: Work,
) -> Annotated[Reply[DisplayOut], Sends(headers={**_OF_WHAT_IS_SHOWN, **CONTENT_LANGUAGE}, media=("text/html",))]:
    """One display of the coins of all members who consent, with the loans by owner. The page to print has no photos: they may be
    seen, not taken along. What coins are called is in the language that is asked for."""
    await weigh_members(work, context, member)
    shown = await displayed(context, member, id, language)
    form, value = query.format or accepted(known.request, _FORMS), _display_out(member.club, shown)
    tag, headers = _content_tag(form, *stamped(language), value), dict(spoken(language, "Accept"))
    if form == "json":
        return known.not_modified_or(tag, lambda: value, headers)
    unchanged = known.not_modified(tag, headers)
    if unchanged is not None:
        return unchanged
    headers |= {"ETag": tag, "Content-Security-Policy": page_policy(PRINT)}
    written = render("display.html", sheet=PRINT, speech=language, shown=value)
    return Reply(value, headers, encoded=written.encode(), media_type="text/html; charset=utf-8")

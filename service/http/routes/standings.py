"""Standings and spares of the members who show them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.clubs.actions.standings import SPARES, STANDING, content_tag, shown_one, shown_page
from service.clubs.model import MEMBER
from service.http.declared import IF_NONE_MATCH, SeatNeeded, not_modified_or, operation, with_headers
from service.http.dependencies import Context, DefinitionId, MemberId
from service.http.pagination import PageQuery, plain_page
from service.http.responses import Answer
from service.http.schemas.club_definitions import (
    MemberSparesOut,
    MemberStandingOut,
    PlaceFilter,
    SparesPageOut,
    StandingPageOut,
    shown_places,
    shown_spares,
    shown_standing,
    somebody,
    spare_coins,
)

router = APIRouter(prefix="/v1/clubs/{club_id}/definitions/{id}")
_TAG = "Clubs"
_NEXT = {"Link": "The next page, with rel=next."}
_ETAG = {"ETag": "Of what is shown, and of nothing else."}


class SparesQuery(PageQuery, PlaceFilter):
    """Which place, and which page."""


@router.get(
    "/standings",
    **with_headers(
        operation(
            "list_standings",
            "How far the members are who show it, against the club's newest revision",
            tag=_TAG,
            access=MEMBER,
            answer=StandingPageOut,
            problems=["invalid-query", "bad-request"],
            headers={**_NEXT, **_ETAG},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def standings(
    request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, query: Annotated[PageQuery, Query()]
) -> Response:
    listed = await shown_page(request, parts, seat, id, STANDING, query)
    value = listed.as_json(shown_standing)
    return not_modified_or(request, content_tag(value), lambda: Answer(value, 200, listed.headers()))


@router.get(
    "/standings/{member_id}",
    **with_headers(
        operation(
            "get_standing",
            "One member's standing, place by place",
            tag=_TAG,
            access=MEMBER,
            answer=MemberStandingOut,
            problems=["bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def standing(
    request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, member_id: MemberId
) -> Response:
    listed = await shown_one(parts, seat, id, STANDING, member_id)
    (shown,) = listed.members
    value = {**shown_standing(shown), "places": shown_places(shown), **listed.stamp()}
    return not_modified_or(request, content_tag(value), lambda: Answer(value))


@router.get(
    "/spares",
    **with_headers(
        operation(
            "list_spares",
            "How much the members can spare who show it",
            tag=_TAG,
            access=MEMBER,
            answer=SparesPageOut,
            problems=["invalid-query", "bad-request"],
            headers={**_NEXT, **_ETAG},
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
async def spares(
    request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, query: Annotated[SparesQuery, Query()]
) -> Response:
    place = query.place
    listed = await shown_page(request, parts, seat, id, SPARES, query, whole=place is not None)
    value = listed.as_json(lambda shown: shown_spares(shown, place))
    return not_modified_or(request, content_tag(value), lambda: Answer(value, 200, listed.headers()))


@router.get(
    "/spares/{member_id}",
    **operation(
        "list_member_spares",
        "The coins that one member can spare, and which places they fit",
        tag=_TAG,
        access=MEMBER,
        answer=MemberSparesOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
async def member_spares(
    request: Request,
    parts: Context,
    seat: SeatNeeded,
    id: DefinitionId,
    member_id: MemberId,
    query: Annotated[SparesQuery, Query()],
) -> Response:
    listed = await shown_one(parts, seat, id, SPARES, member_id)
    (shown,) = listed.members
    coins = spare_coins(seat.club, id, shown, query.place)
    found = plain_page(
        request,
        query,
        lambda after, limit: [coin for coin in coins if after is None or coin["id"] > after][:limit],
        lambda coin: str(coin["id"]),
        lambda coin: coin,
    )
    value = {**found.as_json(), "member": somebody(shown), **listed.stamp()}
    return Answer(value, 200, found.headers()).response()

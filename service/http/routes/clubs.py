"""Clubs and their members: founding, steering, handing over, leaving, removing."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service.clubs.actions import members as actions
from service.clubs.model import MEMBER, STEWARD, Club, Membership
from service.clubs.store import ClubStore
from service.formats.strict_json import MERGE_PATCH
from service.http.conditional import if_match
from service.http.dependencies import JsonBody, MemberId, OwnerNeeded, Parts, PatchBody, SeatNeeded
from service.http.examples import CLUB, CLUB_PATCH, MEMBER_PATCH
from service.http.idempotency import idempotent
from service.http.openapi import IDEMPOTENCY_KEY, IF_MATCH, IF_NONE_MATCH, OWNER, operation, with_headers
from service.http.pagination import PageQuery, identity_key, page
from service.http.responses import Answer, not_modified_or
from service.http.schemas.clubs import (
    ClubIn,
    ClubOut,
    ClubPageOut,
    ClubPatch,
    DeedPageOut,
    MemberOut,
    MemberPageOut,
    MemberPatch,
    club_tag,
    member_tag,
    shown_club,
    shown_deed,
    shown_member,
)
from service.http.schemas.common import read

router = APIRouter(prefix="/v1/clubs")
_TAG = "Clubs"
_ETAG = {"ETag": "The version, for If-Match."}
_NEXT = {"Link": "The next page, with rel=next."}


@router.post(
    "",
    **with_headers(
        operation(
            "create_club",
            "Found a club, as its steward",
            tag=_TAG,
            access=OWNER,
            body=ClubIn,
            example=CLUB,
            answer=ClubOut,
            status=201,
            problems=["bad-request", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def create(request: Request, parts: Parts, owner: OwnerNeeded, body: JsonBody) -> Response:
    sent = read(ClubIn, body.value)

    def act(connection: Connection) -> Answer:
        club, seat = actions.found(connection, owner, sent.name, sent.note, sent.own_name, parts.clock())
        return Answer(shown_club(club, seat), 201, _where(club, seat))

    return idempotent(request, parts.database, owner, body, act)


@router.get(
    "",
    **operation(
        "list_clubs",
        "The clubs that you are a member of, page by page",
        tag=_TAG,
        access=OWNER,
        answer=ClubPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def listing(request: Request, parts: Parts, owner: OwnerNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).of(owner, identity_key(after), limit),
            lambda entry: entry[0].id,
            lambda entry: shown_club(*entry),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/{club_id}",
    **with_headers(
        operation(
            "get_club",
            "A club",
            tag=_TAG,
            access=MEMBER,
            answer=ClubOut,
            problems=["bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Parts, seat: SeatNeeded) -> Response:
    club = parts.database.read(lambda connection: ClubStore(connection).get(seat.club))
    return not_modified_or(request, club_tag(club, seat), lambda: Answer(shown_club(club, seat)))


@router.patch(
    "/{club_id}",
    **with_headers(
        operation(
            "change_club",
            "Change a club's name or note (JSON Merge Patch)",
            tag=_TAG,
            access=STEWARD,
            body=ClubPatch,
            body_type=MERGE_PATCH,
            example=CLUB_PATCH,
            answer=ClubOut,
            problems=["bad-request", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def change(request: Request, parts: Parts, seat: SeatNeeded, body: PatchBody) -> Response:
    expected, sent = if_match(request), read(ClubPatch, body.value)
    club = parts.database.write(
        lambda connection: actions.change(
            connection, seat, sent.alter, parts.clock(), expect=lambda before: expected.check(club_tag(before, seat))
        )
    )
    return Answer(shown_club(club, seat), 200, {"ETag": club_tag(club, seat)}).response()


@router.delete(
    "/{club_id}",
    **with_headers(
        operation(
            "delete_club",
            "End a club that has no other members",
            tag=_TAG,
            access=STEWARD,
            answer=None,
            status=204,
            problems=["bad-request", "clash", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def delete(request: Request, parts: Parts, seat: SeatNeeded) -> Response:
    expected = if_match(request)
    parts.database.write(
        lambda connection: actions.close(connection, seat, expect=lambda before: expected.check(club_tag(before, seat)))
    )
    return Answer(None, 204).response()


@router.get(
    "/{club_id}/members",
    **operation(
        "list_members",
        "The members, in the order of their joining",
        tag=_TAG,
        access=MEMBER,
        answer=MemberPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def members(request: Request, parts: Parts, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).seats(seat.club, identity_key(after), limit),
            lambda member: member.id,
            lambda member: shown_member(member, seat),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/{club_id}/members/{member_id}",
    **with_headers(
        operation(
            "get_member",
            "One member",
            tag=_TAG,
            access=MEMBER,
            answer=MemberOut,
            problems=["bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get_member(request: Request, parts: Parts, seat: SeatNeeded, member_id: MemberId) -> Response:
    member = parts.database.read(lambda connection: ClubStore(connection).seat(seat.club, member_id))
    return not_modified_or(request, member_tag(member), lambda: Answer(shown_member(member, seat)))


@router.patch(
    "/{club_id}/members/{member_id}",
    **with_headers(
        operation(
            "change_member",
            "Make a member a steward, or a steward a member (JSON Merge Patch)",
            tag=_TAG,
            access=STEWARD,
            body=MemberPatch,
            body_type=MERGE_PATCH,
            example=MEMBER_PATCH,
            answer=MemberOut,
            problems=["bad-request", "clash", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
def change_member(request: Request, parts: Parts, seat: SeatNeeded, member_id: MemberId, body: PatchBody) -> Response:
    expected = if_match(request)

    def act(connection: Connection) -> Membership:
        # Whether there is such a member comes before what is wrong with the body.
        ClubStore(connection).seat(seat.club, member_id)
        role = read(MemberPatch, body.value).role
        return actions.set_role(
            connection, seat, member_id, role, parts.clock(), expect=lambda before: expected.check(member_tag(before))
        )

    member = parts.database.write(act)
    return Answer(shown_member(member, seat), 200, {"ETag": member_tag(member)}).response()


@router.delete(
    "/{club_id}/members/{member_id}",
    **operation(
        "remove_member",
        "Remove a member: from the next request on the club does not exist for them",
        tag=_TAG,
        access=STEWARD,
        answer=None,
        status=204,
        problems=["clash"],
    ),
)
def remove(parts: Parts, seat: SeatNeeded, member_id: MemberId) -> Response:
    # Without If-Match: whoever has to go has to go in whatever role.
    parts.database.write(lambda connection: actions.remove(connection, seat, member_id, parts.clock()))
    return Answer(None, 204).response()


@router.delete(
    "/{club_id}/membership",
    **operation(
        "leave_club",
        "Leave: what you showed the club goes along, what you took from it stays yours",
        tag=_TAG,
        access=MEMBER,
        answer=None,
        status=204,
        problems=["clash"],
    ),
)
def leave(parts: Parts, seat: SeatNeeded) -> Response:
    parts.database.write(lambda connection: actions.leave(connection, seat, parts.clock()))
    return Answer(None, 204).response()


@router.get(
    "/{club_id}/audit",
    **operation(
        "list_deeds",
        "What stewards did, in order",
        tag=_TAG,
        access=MEMBER,
        answer=DeedPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def audit(request: Request, parts: Parts, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).deeds(seat.club, identity_key(after), limit),
            lambda deed: deed.id,
            shown_deed,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


def _where(club: Club, seat: Membership) -> dict[str, str]:
    return {"ETag": club_tag(club, seat), "Location": f"/v1/clubs/{club.id}"}

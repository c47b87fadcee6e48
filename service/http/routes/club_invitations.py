"""Invitations into a club, and the memberships that they become."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service.clubs.actions import members
from service.clubs.model import STEWARD
from service.clubs.store import ClubInvitationStore
from service.http.dependencies import ClubInvitationId, JsonBody, OwnerNeeded, Parts, SeatNeeded
from service.http.examples import CLUB_INVITATION, JOIN
from service.http.idempotency import idempotent
from service.http.openapi import IDEMPOTENCY_KEY, OWNER, operation, with_headers
from service.http.pagination import PageQuery, identity_key, page
from service.http.responses import Answer
from service.http.routes.account import NO_STORE
from service.http.schemas.clubs import (
    ClubInvitationIn,
    ClubInvitationMadeOut,
    ClubInvitationPageOut,
    ClubOut,
    JoinIn,
    club_tag,
    shown_club,
    shown_club_invitation,
)
from service.http.schemas.common import read

router = APIRouter(prefix="/v1")
_TAG = "Clubs"
_NEXT = {"Link": "The next page, with rel=next."}


@router.post(
    "/clubs/{club_id}/invitations",
    **operation(
        "invite_to_club",
        "Invite somebody into the club",
        tag=_TAG,
        access=STEWARD,
        body=ClubInvitationIn,
        example=CLUB_INVITATION,
        answer=ClubInvitationMadeOut,
        status=201,
    ),
)
def invite(parts: Parts, seat: SeatNeeded, body: JsonBody) -> Response:
    sent, now = read(ClubInvitationIn, body.value), parts.clock()
    lifetime = timedelta(seconds=sent.expires_in_seconds)
    # Without Idempotency-Key: the answer, which would be kept, has the secret in it.
    made, text = parts.database.write(
        lambda connection: members.invite(connection, seat, sent.role, sent.note, lifetime, now)
    )
    return Answer({**shown_club_invitation(made, now), "invitation": text}, 201, NO_STORE).response()


@router.get(
    "/clubs/{club_id}/invitations",
    **operation(
        "list_club_invitations",
        "The club's invitations, page by page",
        tag=_TAG,
        access=STEWARD,
        answer=ClubInvitationPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def invitations(request: Request, parts: Parts, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubInvitationStore(connection).page(seat.club, identity_key(after), limit),
            lambda invitation: invitation.way.id,
            lambda invitation: shown_club_invitation(invitation, parts.clock()),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.delete(
    "/clubs/{club_id}/invitations/{invitation_id}",
    **operation(
        "revoke_club_invitation",
        "Revoke an invitation that nobody has used",
        tag=_TAG,
        access=STEWARD,
        answer=None,
        status=204,
    ),
)
def revoke(parts: Parts, seat: SeatNeeded, invitation_id: ClubInvitationId) -> Response:
    parts.database.write(lambda connection: members.revoke_invitation(connection, seat, invitation_id, parts.clock()))
    return Answer(None, 204).response()


@router.post(
    "/club-memberships",
    **with_headers(
        operation(
            "join_club",
            "Become a member by an invitation",
            tag=_TAG,
            access=OWNER,
            body=JoinIn,
            example=JOIN,
            answer=ClubOut,
            status=201,
            problems=["bad-request", "wrong-credentials", "clash", "idempotency-key-reused"],
            headers={"ETag": "The club's version, for If-Match.", "Location": "Where the club is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def join(request: Request, parts: Parts, owner: OwnerNeeded, body: JsonBody) -> Response:
    sent = read(JoinIn, body.value)

    def act(connection: Connection) -> Answer:
        secret = sent.invitation.get_secret_value()
        club, seat = members.join(connection, owner, secret, sent.name, parts.clock())
        headers = {"ETag": club_tag(club, seat), "Location": f"/v1/clubs/{club.id}"}
        return Answer(shown_club(club, seat), 201, headers)

    return idempotent(request, parts.database, owner, body, act)

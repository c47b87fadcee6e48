"""What a club offers: definitions with revisions of the club's own, announced, taken by each member as a copy."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.responses import Response

from service.clubs.actions import offers
from service.clubs.model import MEMBER, STEWARD, ClubOffer, Consent, Copy
from service.clubs.offers import CopyStore, OfferStore, ShownStore
from service.http.conditional import if_match
from service.http.declared import (
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_NONE_MATCH,
    JsonBody,
    SeatNeeded,
    not_modified_or,
    operation,
    with_headers,
)
from service.http.dependencies import Context, DefinitionId
from service.http.examples import CONSENT, OFFER, TAKE
from service.http.idempotency import idempotent
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.club_definitions import (
    AnnouncementPageOut,
    ConsentIn,
    ConsentOut,
    OfferIn,
    OfferOut,
    OfferPageOut,
    OfferQuery,
    TakeIn,
    TakenOut,
    offer_tag,
    shown_announcement,
    shown_consent,
    shown_copy,
    shown_offer,
    summary_of_offer,
)
from service.http.wire import read

router = APIRouter(prefix="/v1/clubs/{club_id}")
_TAG = "Clubs"
_ETAG = {"ETag": "The version, for If-Match."}
_NEXT = {"Link": "The next page, with rel=next."}


@router.post(
    "/definitions",
    **with_headers(
        operation(
            "offer_definition",
            "Offer the club a definition of your own",
            tag=_TAG,
            access=STEWARD,
            body=OfferIn,
            example=OFFER,
            answer=OfferOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def offer(request: Request, parts: Context, seat: SeatNeeded, body: JsonBody) -> Response:
    sent = read(OfferIn, body.value)

    def act(connection: Connection) -> Answer:
        offered = offers.offer(connection, seat, sent.definition_id, sent.revision, sent.note, parts.clock())
        return _made(seat.club, offered, None)

    return idempotent(request, parts.database, seat.owner, body, act)


@router.get(
    "/definitions",
    **operation(
        "list_offers",
        "The definitions that the club offers, page by page",
        tag=_TAG,
        access=MEMBER,
        answer=OfferPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def listing(request: Request, parts: Context, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: OfferStore(connection, seat.club).page(identity_key(after), limit),
            lambda offered: offered.definition,
            summary_of_offer,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/definitions/{id}",
    **with_headers(
        operation(
            "get_offer",
            "A definition that the club offers, with its document",
            tag=_TAG,
            access=MEMBER,
            answer=OfferOut,
            problems=["bad-request", "invalid-query"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(
    request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, query: Annotated[OfferQuery, Query()]
) -> Response:
    def find(connection: Connection) -> tuple[ClubOffer, Copy | None]:
        store = OfferStore(connection, seat.club)
        offered = store.newest(id) if query.revision is None else store.revision(id, query.revision)
        return offered, CopyStore(connection, seat.owner).of(id)

    found = parts.database.read(find)
    return not_modified_or(request, offer_tag(*found), lambda: Answer(shown_offer(*found)))


@router.delete(
    "/definitions/{id}",
    **with_headers(
        operation(
            "withdraw_offer",
            "Offer it no longer; copies stay with whoever took them",
            tag=_TAG,
            access=STEWARD,
            answer=None,
            status=204,
            problems=["bad-request", "stale", "precondition-required"],
        ),
        IF_MATCH,
    ),
)
def withdraw(request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId) -> Response:
    expected = if_match(request)

    def act(connection: Connection) -> None:
        copy = CopyStore(connection, seat.owner).of(id)
        offers.withdraw(
            connection, seat, id, parts.clock(), expect=lambda before: expected.check(offer_tag(before, copy))
        )

    parts.database.write(act)
    return Answer(None, 204).response()


@router.post(
    "/definitions/{id}/revisions",
    **with_headers(
        operation(
            "offer_revision",
            "Offer a newer revision; members' own sets stay as they are until they take it",
            tag=_TAG,
            access=STEWARD,
            body=OfferIn,
            example=OFFER,
            answer=OfferOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where the definition is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def revise(request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, body: JsonBody) -> Response:
    sent = read(OfferIn, body.value)

    def act(connection: Connection) -> Answer:
        offered = offers.revise(connection, seat, id, sent.definition_id, sent.revision, sent.note, parts.clock())
        return _made(seat.club, offered, CopyStore(connection, seat.owner).of(id))

    return idempotent(request, parts.database, seat.owner, body, act)


@router.post(
    "/definitions/{id}/copies",
    **with_headers(
        operation(
            "take_offer",
            "Take a definition of the club's as one of your own",
            tag=_TAG,
            access=MEMBER,
            body=TakeIn,
            example=TAKE,
            answer=TakenOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused"],
            headers={"Location": "Where your own definition is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
def take(request: Request, parts: Context, seat: SeatNeeded, id: DefinitionId, body: JsonBody) -> Response:
    sent = read(TakeIn, body.value)

    def act(connection: Connection) -> Answer:
        line, revision, copy = offers.take(connection, seat, id, sent.revision)
        shown = {**(shown_copy(copy) or {}), "title": revision.title, "digest": revision.digest}
        return Answer(shown, 201, {"Location": f"/v1/definitions/{line.id}"})

    return idempotent(request, parts.database, seat.owner, body, act)


@router.get(
    "/definitions/{id}/consent",
    **operation(
        "get_consent",
        "What you show the club of this definition",
        tag=_TAG,
        access=MEMBER,
        answer=ConsentOut,
    ),
)
def get_consent(parts: Context, seat: SeatNeeded, id: DefinitionId) -> Response:
    def find(connection: Connection) -> Consent:
        OfferStore(connection, seat.club).newest(id)
        return ShownStore(connection, seat.club, id).consent(seat.owner)

    return Answer(shown_consent(parts.database.read(find))).response()


@router.put(
    "/definitions/{id}/consent",
    **operation(
        "set_consent",
        "Show the club your standing, your spares or your coins in its display, or cease to: from the next request on",
        tag=_TAG,
        access=MEMBER,
        body=ConsentIn,
        example=CONSENT,
        answer=ConsentOut,
    ),
)
def set_consent(parts: Context, seat: SeatNeeded, id: DefinitionId, body: JsonBody) -> Response:
    # Without If-Match: ceasing to show something never fails for what was said before.
    sent = read(ConsentIn, body.value)
    consent = parts.database.write(
        lambda connection: offers.show(
            connection, seat, id, Consent(sent.standing, sent.spares, sent.display), parts.clock()
        )
    )
    return Answer(shown_consent(consent)).response()


@router.get(
    "/announcements",
    **operation(
        "list_announcements",
        "What was offered, revised and withdrawn, in order",
        tag=_TAG,
        access=MEMBER,
        answer=AnnouncementPageOut,
        problems=["invalid-query"],
        headers=_NEXT,
    ),
)
def announcements(request: Request, parts: Context, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: OfferStore(connection, seat.club).announcements(identity_key(after), limit),
            lambda made: made.id,
            shown_announcement,
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


def _made(club: str, offered: ClubOffer, copy: Copy | None) -> Answer:
    where = f"/v1/clubs/{club}/definitions/{offered.definition}"
    return Answer(shown_offer(offered, copy), 201, {"ETag": offer_tag(offered, copy), "Location": where})

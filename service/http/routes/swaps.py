"""Swaps among members: what there is to swap, proposals, and each side's answer."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.clubs.actions.members import admit
from service.clubs.actions.offers import sharing
from service.clubs.model import MEMBER, Membership
from service.clubs.swaps.actions import proposals as actions
from service.clubs.swaps.actions.search import failing_sides, propose, search, seats_of
from service.clubs.swaps.proposal import Proposal
from service.errors import Conflict
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
from service.http.dependencies import Context, DefinitionId, SwapId
from service.http.examples import SWAP_ANSWER, SWAP_PROPOSAL
from service.http.idempotency import done_before, idempotent
from service.http.pagination import PageQuery, identity_key, plain_page
from service.http.responses import Answer
from service.http.schemas.swaps import (
    ProposalIn,
    ProposalOut,
    ProposalPageOut,
    Seats,
    SwapAnswerIn,
    SwapsOut,
    proposal_tag,
    shown_proposal,
)
from service.http.wire import read

router = APIRouter(prefix="/v1/clubs/{club_id}")
_TAG = "Clubs"
_ETAG = {"ETag": "The version, for If-Match."}


@router.get(
    "/definitions/{id}/swaps",
    **operation(
        "find_swaps",
        "The swaps that fill your places and others', of the best exchange among all who share their spares",
        tag=_TAG,
        access=MEMBER,
        answer=SwapsOut,
    ),
)
async def find(parts: Context, seat: SeatNeeded, id: DefinitionId) -> Response:
    searched = await search(parts, seat, id)
    return Answer(searched.as_json(seat)).response()


@router.post(
    "/swaps",
    **with_headers(
        operation(
            "propose_swap",
            "Propose a swap to its sides; you accept it by that",
            tag=_TAG,
            access=MEMBER,
            body=ProposalIn,
            example=SWAP_PROPOSAL,
            answer=ProposalOut,
            status=201,
            problems=["bad-request", "clash", "idempotency-key-reused"],
            headers={**_ETAG, "Location": "Where it is kept."},
        ),
        IDEMPOTENCY_KEY,
    ),
)
async def create(request: Request, parts: Context, seat: SeatNeeded, body: JsonBody) -> Response:
    sent = read(ProposalIn, body.value)
    known = await run_in_threadpool(done_before, request, parts.database, seat.owner, body)
    if known is not None:
        return known
    swap = (await search(parts, seat, sent.definition_id)).named(sent.swap, seat)

    def act(connection: Connection) -> Answer:
        if swap is None:
            raise Conflict("the swap is not among yours any more: search again")
        made = propose(connection, seat, sent.definition_id, swap, parts.clock())
        headers = {"Location": f"/v1/clubs/{seat.club}/swaps/{made.id}", "ETag": proposal_tag(seat, made)}
        return Answer(shown_proposal(seat, made, seats_of(connection, seat.club, made.sides)), 201, headers)

    def hold(connection: Connection) -> None:
        actions.hold(connection, [leg.giver for leg in swap or ()])

    return await run_in_threadpool(idempotent, request, parts.database, seat.owner, body, act, hold=hold)


@router.get(
    "/swaps",
    **operation(
        "list_swaps",
        "The proposed swaps that you are a side of, page by page",
        tag=_TAG,
        access=MEMBER,
        answer=ProposalPageOut,
        problems=["invalid-query"],
        headers={"Link": "The next page, with rel=next."},
    ),
)
def listing(request: Request, parts: Context, seat: SeatNeeded, query: Annotated[PageQuery, Query()]) -> Response:
    now = parts.clock()

    def look(connection: Connection, after: str | None, limit: int) -> list[tuple[Proposal, Seats]]:
        mine = (connection, seat.owner, seat.club, now, identity_key(after), limit, sharing(connection))
        found = actions.page(*mine)
        seats = seats_of(connection, seat.club, {side for made in found for side in made.sides})
        return [(made, seats) for made in found]

    found = parts.database.read(
        lambda connection: plain_page(
            request,
            query,
            lambda after, limit: look(connection, after, limit),
            lambda entry: entry[0].id,
            lambda entry: shown_proposal(seat, *entry),
        )
    )
    return Answer(found.as_json(), 200, found.headers()).response()


@router.get(
    "/swaps/{swap_id}",
    **with_headers(
        operation(
            "get_swap",
            "A proposed swap, with who said yes; for its sides alone",
            tag=_TAG,
            access=MEMBER,
            answer=ProposalOut,
            problems=["bad-request"],
            headers=_ETAG,
            conditional=True,
        ),
        IF_NONE_MATCH,
    ),
)
def get(request: Request, parts: Context, seat: SeatNeeded, swap_id: SwapId) -> Response:
    def look(connection: Connection) -> tuple[Proposal, Seats]:
        mine = (connection, seat.owner, seat.club, swap_id, parts.clock(), sharing(connection))
        made = actions.get(*mine)
        return made, seats_of(connection, seat.club, made.sides)

    made, seats = parts.database.read(look)
    return not_modified_or(request, proposal_tag(seat, made), lambda: Answer(shown_proposal(seat, made, seats)))


@router.put(
    "/swaps/{swap_id}/answer",
    **with_headers(
        operation(
            "answer_swap",
            "Say yes or no; a yes to what can no longer come about ends it as overtaken, and nothing is ever moved",
            tag=_TAG,
            access=MEMBER,
            body=SwapAnswerIn,
            example=SWAP_ANSWER,
            answer=ProposalOut,
            problems=["bad-request", "clash", "stale", "precondition-required"],
            headers=_ETAG,
        ),
        IF_MATCH,
    ),
)
async def answer(request: Request, parts: Context, seat: SeatNeeded, swap_id: SwapId, body: JsonBody) -> Response:
    expected, accepts = if_match(request), read(SwapAnswerIn, body.value).accepts
    changed = await failing_sides(parts, seat, swap_id) if accepts else []

    def act(connection: Connection) -> tuple[Proposal, Membership, Seats]:
        shares, own = sharing(connection, hold=True), admit(connection, seat.club, seat.owner, MEMBER)
        made = actions.answer(
            connection,
            own.owner,
            own.club,
            swap_id,
            accepts,
            shares,
            parts.clock(),
            expect=lambda before: expected.check(proposal_tag(own, before)),
            changed=changed,
        )
        return made, own, seats_of(connection, own.club, made.sides)

    made, own, seats = await run_in_threadpool(parts.database.write, act)
    return Answer(shown_proposal(own, made, seats), 200, {"ETag": proposal_tag(own, made)}).response()

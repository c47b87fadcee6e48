"""Swaps among members: what there is to swap, proposals, and each side's answer."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Request
from msgspec import UNSET, Meta, UnsetType
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.clubs.actions.members import admit
from service.clubs.actions.offers import sharing
from service.clubs.model import MEMBER, Membership
from service.clubs.standings import spare_id
from service.clubs.swaps.actions import proposals as actions
from service.clubs.swaps.actions.search import Members, failing_sides, members_of, propose, search, swap_key
from service.clubs.swaps.model import NOBODY, Leg, Swap
from service.clubs.swaps.proposal import Proposal
from service.errors import Conflict
from service.facts.recorded import RecordedFact, RecordedIssue
from service.http.api.standings import OfferStampOut, offer_stamp
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentMember, DefinitionId, Json, SwapId
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import weigh_members
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import Created, Paged, Reply, Tagged, created, tagged
from service.http.wire import In, Out, StoredId, Text
from service.progress.actions.editions import editions

swaps = router("/v1/clubs/{club_id}", "Clubs")


# --- requests ------------------------------------------------------------------------------------------------------------


class ProposalIn(In):
    """A swap that the search shows, to be proposed to its sides."""

    definition_id: StoredId = Field(description="The club's.")
    swap: Annotated[Text, StringConstraints(min_length=1, max_length=64)] = Field(description="Its `key`.")


class SwapAnswerIn(In):
    """Yes or no."""

    accepts: bool


# --- answers -------------------------------------------------------------------------------------------------------------


class SideOut(Out):
    """A member, in this club alone; the id of noughts stands for an account that was deleted."""

    member_id: str
    name: str


class SwapCoinOut(Out):
    """All that is told of a coin."""

    label: str
    issue: Annotated[RecordedIssue | None, Meta(description="As its owner recorded it: an id, several, or null.")]
    grade: Annotated[RecordedFact | None, Meta(description="Its owner's opinion, as it is recorded.")]


class LegOut(Out, kw_only=True):
    """One coin from one member to the next, for an empty place of the next one's set."""

    giver: SideOut
    receiver: SideOut
    spare: Annotated[str, Meta(description="The id that the coin has among its owner's spares.")]
    holding: Annotated[str, Meta(description="The coin's own id; of your own coins alone.")] | UnsetType = UNSET
    coin: SwapCoinOut
    place: str
    place_label: str


class SwapOut(Out):
    """A swap that you are a side of: it goes round, and each gives to the next. The key stands for these members, coins and
    places."""

    key: str
    legs: list[LegOut]


class SwapsOut(Out):
    """Your swaps of the best exchange among all who share their spares; nothing of those of others."""

    items: list[SwapOut]
    next: Annotated[None, Meta(description="All of them are on this page.")]
    sharing: Annotated[bool, Meta(description="Whether you share your spares; whoever does not is no side of a swap.")]
    proven: Annotated[bool, Meta(description="Whether no better exchange among all is known to exist.")]
    definition: OfferStampOut
    evaluated_on: str
    reference_edition: str
    engine_version: str


class SwapSideOut(Out):
    """A side, and whether it said yes; null as long as it did not. Who said no is not told."""

    member: SideOut
    accepted: Annotated[bool | None, Meta(description="true or null.")]
    is_you: bool


class ProposalOut(Out):
    """A proposed swap. Accepted by all it still moves nothing: its sides hand the coins over, and each records it."""

    id: str
    definition_id: str
    state: Literal["proposed", "accepted", "declined", "expired", "overtaken"]
    reason: Annotated[str | None, Meta(description="Why it was overtaken.")]
    proposed_by: SideOut
    created_at: datetime
    expires_at: datetime
    decided_at: datetime | None
    sides: list[SwapSideOut]
    legs: list[LegOut]


def _side(members: Members, owner: str) -> SideOut:
    if owner == NOBODY:
        return SideOut(NOBODY, "deleted account")
    return SideOut(members[owner].id, members[owner].name)


def coin_out(told: Mapping[str, Any]) -> SwapCoinOut:
    """What the sides of a swap are told of a coin."""
    return SwapCoinOut(told["label"], told["issue"], told["grade"])


def _leg(viewer: Membership, definition: str, leg: Leg, members: Members) -> LegOut:
    return LegOut(
        giver=_side(members, leg.giver),
        receiver=_side(members, leg.receiver),
        spare=spare_id(viewer.club, definition, leg.holding),
        holding=leg.holding if leg.giver == viewer.owner.id else UNSET,
        coin=coin_out(leg.coin),
        place=leg.place,
        place_label=leg.place_label,
    )


def _swap_out(viewer: Membership, definition: str, swap: Swap, members: Members) -> SwapOut:
    legs = [_leg(viewer, definition, leg, members) for leg in swap]
    return SwapOut(swap_key(viewer.club, definition, swap), legs)


def _proposal_out(viewer: Membership, made: Proposal, members: Members) -> ProposalOut:
    state: Any = made.state
    return ProposalOut(
        made.id,
        made.definition_id,
        state,
        made.reason,
        _side(members, made.proposed_by),
        made.created_at,
        made.expires_at,
        made.decided_at,
        sides=[
            SwapSideOut(_side(members, owner), True if at else None, owner == viewer.owner.id)
            for owner, at in made.answers.items()
        ],
        legs=[_leg(viewer, made.definition_id, leg, members) for leg in made.legs],
    )


def _proposal_tag(viewer: Membership, made: Proposal) -> str:
    """Changes with every answer, and with what time or others do to it."""
    return entity_tag("swap", viewer.id, made.id, made.version, made.state, made.reason)


# --- operations ----------------------------------------------------------------------------------------------------------


@swaps.get("/definitions/{id}/swaps", responses=problems("too-heavy"))
async def find_swaps(context: Context, member: CurrentMember, id: DefinitionId, work: Work) -> SwapsOut:
    """The swaps that fill your places and others', of the best exchange among all who share their spares."""
    await weigh_members(work, context, member)
    found = await search(context, member, id)
    items = [_swap_out(member, found.offered.definition, swap, found.members) for swap in found.swaps]
    stamp: dict[str, Any] = {
        "definition": offer_stamp(found.offered),
        "evaluated_on": found.day.isoformat(),
        **editions(),
    }
    return SwapsOut(items, None, found.sharing, found.proven, **stamp)


@swaps.post("/swaps", responses=problems("clash", "too-heavy"))
async def propose_swap(
    context: Context, member: CurrentMember, key: IdempotencyKey, body: Json[ProposalIn], work: Work
) -> Created[ProposalOut]:
    """Propose a swap to its sides; you accept it by that."""
    known: Reply[ProposalOut] | None = await context.run(lambda: key.done_before(context.database, member.owner))
    if known is not None:
        return known
    await weigh_members(work, context, member)
    swap = (await search(context, member, body.definition_id)).named(body.swap, member)

    def act(connection: Connection) -> Reply[ProposalOut]:
        if swap is None:
            raise Conflict("the swap is not among yours any more: search again")
        made = propose(connection, member, body.definition_id, swap, context.now())
        shown = _proposal_out(member, made, members_of(connection, member.club, made.sides))
        return created(shown, f"/v1/clubs/{member.club}/swaps/{made.id}", _proposal_tag(member, made))

    def hold(connection: Connection) -> None:
        actions.hold(connection, [leg.giver for leg in swap or ()])

    return await context.run(lambda: key.once(context.database, member.owner, act, hold=hold))


@swaps.get("/swaps")
def list_swaps(request: Request, context: Context, member: CurrentMember, query: Paging) -> Paged[ProposalOut]:
    """The proposed swaps that you are a side of, page by page."""
    now = context.now()

    def look(connection: Connection, after: str | None, limit: int) -> list[tuple[Proposal, Members]]:
        mine = (connection, member.owner, member.club, now, identity_key(after), limit, sharing(connection))
        found = actions.page(*mine)
        members = members_of(connection, member.club, {side for made in found for side in made.sides})
        return [(made, members) for made in found]

    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: look(connection, after, limit),
            lambda entry: entry[0].id,
            lambda entry: _proposal_out(member, *entry),
        )
    )


@swaps.get("/swaps/{swap_id}")
def get_swap(context: Context, member: CurrentMember, swap_id: SwapId, known: IfNoneMatch) -> Tagged[ProposalOut]:
    """A proposed swap, with who said yes; for its sides alone."""

    def look(connection: Connection) -> tuple[Proposal, Members]:
        mine = (connection, member.owner, member.club, swap_id, context.now(), sharing(connection))
        made = actions.get(*mine)
        return made, members_of(connection, member.club, made.sides)

    made, members = context.database.read(look)
    return known.not_modified_or(_proposal_tag(member, made), lambda: _proposal_out(member, made, members))


@swaps.put("/swaps/{swap_id}/answer", responses=problems("clash"))
async def answer_swap(
    context: Context, member: CurrentMember, swap_id: SwapId, expected: IfMatch, body: Json[SwapAnswerIn], work: Work
) -> Tagged[ProposalOut]:
    """Say yes or no; a yes to what can no longer come about ends it as overtaken, and nothing is ever moved."""
    if body.accepts:
        await weigh_members(work, context, member)
    changed = await failing_sides(context, member, swap_id) if body.accepts else []

    def act(connection: Connection) -> Reply[ProposalOut]:
        shares, own = sharing(connection, hold=True), admit(connection, member.club, member.owner, MEMBER)
        made = actions.answer(
            connection,
            own.owner,
            own.club,
            swap_id,
            body.accepts,
            shares,
            context.now(),
            expect=lambda before: expected.check(_proposal_tag(own, before)),
            changed=changed,
        )
        shown = _proposal_out(own, made, members_of(connection, own.club, made.sides))
        return tagged(shown, _proposal_tag(own, made))

    return await context.write(act)

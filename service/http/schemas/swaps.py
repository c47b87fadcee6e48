"""Swaps that a member is a side of, found and proposed, on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from service.clubs.model import Membership
from service.clubs.standings import basis, spare_id
from service.clubs.swaps.model import Leg, Swap
from service.clubs.swaps.proposal import Proposal
from service.http.conditional import entity_tag
from service.http.schemas.club_definitions import DefinitionKey, StampedOut
from service.http.wire import In, OldOut, OldPageOut, Text

Seats = Mapping[str, Membership]
"""Members by their owners' ids, which never leave the service."""


class ProposalIn(In):
    """A swap that the search shows, to be proposed to its sides."""

    definition_id: DefinitionKey = Field(description="The club's.")
    swap: Annotated[Text, StringConstraints(min_length=1, max_length=64)] = Field(description="Its `key`.")


class SwapAnswerIn(In):
    """Yes or no."""

    accepts: bool


class SideOut(OldOut):
    """A member, in this club alone."""

    member_id: str
    name: str


class SwapCoinOut(OldOut):
    """All that is told of a coin."""

    label: str
    issue: Any = Field(description="As its owner recorded it: an id, several, or null.")
    grade: Any = Field(description="Its owner's opinion, as it is recorded.")


class LegOut(OldOut):
    """One coin from one member to the next, for an empty place of the next one's set."""

    giver: SideOut
    receiver: SideOut
    spare: str = Field(description="The id that the coin has among its owner's spares.")
    holding: str | None = Field(None, description="The coin's own id; of your own coins alone.")
    coin: SwapCoinOut
    place: str
    place_label: str


class SwapOut(OldOut):
    """A swap that you are a side of: it goes round, and each gives to the next. The key stands for these members, coins and
    places."""

    key: str
    legs: list[LegOut]


class SwapsOut(OldPageOut, StampedOut):
    """Your swaps of the best exchange among all who share their spares; nothing of those of others."""

    items: list[SwapOut]
    sharing: bool = Field(description="Whether you share your spares; whoever does not is no side of a swap.")
    proven: bool = Field(description="Whether no better exchange among all is known to exist.")


class SwapSideOut(OldOut):
    """A side, and whether it said yes; null as long as it did not. Who said no is not told."""

    member: SideOut
    accepted: Literal[True] | None
    is_you: bool


class ProposalOut(OldOut):
    """A proposed swap. Accepted by all it still moves nothing: its sides hand the coins over, and each records it."""

    id: str
    definition_id: str
    state: Literal["proposed", "accepted", "declined", "expired", "overtaken"]
    reason: str | None = Field(description="Why it was overtaken.")
    proposed_by: SideOut
    created_at: datetime
    expires_at: datetime
    decided_at: datetime | None
    sides: list[SwapSideOut]
    legs: list[LegOut]


class ProposalPageOut(OldPageOut):
    """A page of the proposed swaps that you are a side of."""

    items: list[ProposalOut]


def swap_key(club: str, definition: str, swap: Swap) -> str:
    """One name for a swap, the same for each of its sides."""
    legs = (part for leg in swap for part in (leg.giver, leg.holding, leg.receiver, leg.place))
    return basis("swap", club, definition, *legs)


def shown_swap(seat: Membership, definition: str, swap: Swap, seats: Seats) -> dict[str, Any]:
    legs = [_leg(seat, definition, leg, seats) for leg in swap]
    return {"key": swap_key(seat.club, definition, swap), "legs": legs}


def shown_proposal(seat: Membership, made: Proposal, seats: Seats) -> dict[str, Any]:
    sides = [
        {"member": _side(seats[owner]), "accepted": True if at else None, "is_you": owner == seat.owner.id}
        for owner, at in made.answers.items()
    ]
    times = {"created_at": made.created_at, "expires_at": made.expires_at, "decided_at": made.decided_at}
    return {
        "id": made.id,
        "definition_id": made.definition_id,
        "state": made.state,
        "reason": made.reason,
        "proposed_by": _side(seats[made.proposed_by]),
        **times,
        "sides": sides,
        "legs": [_leg(seat, made.definition_id, leg, seats) for leg in made.legs],
    }


def proposal_tag(seat: Membership, made: Proposal) -> str:
    """Changes with every answer, and with what time or others do to it."""
    return entity_tag("swap", seat.id, made.id, made.version, made.state, made.reason)


def _leg(seat: Membership, definition: str, leg: Leg, seats: Seats) -> dict[str, Any]:
    own = {"holding": leg.holding} if leg.giver == seat.owner.id else {}
    return {
        "giver": _side(seats[leg.giver]),
        "receiver": _side(seats[leg.receiver]),
        "spare": spare_id(seat.club, definition, leg.holding),
        **own,
        "coin": dict(leg.coin),
        "place": leg.place,
        "place_label": leg.place_label,
    }


def _side(seat: Membership) -> dict[str, str]:
    return {"member_id": seat.id, "name": seat.name}

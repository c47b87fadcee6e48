"""Swaps among those who share their spares of one of the club's definitions: searched, proposed, measured again for an answer.

Nobody's coins are read but those of members who share their spares of it; his other sets are looked at only to keep them
whole. Sessions are closed before anything is computed, and after computing it is looked again who still shares.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import partial

from sqlalchemy import Connection

from service.clubs.actions.members import admit
from service.clubs.actions.offers import sharing
from service.clubs.actions.standings import MOST_NEW, SPARES, basis_of, newest_offered, renewed
from service.clubs.model import MEMBER, ClubOffer, Membership
from service.clubs.standings import basis
from service.clubs.store.members import ClubStore
from service.clubs.store.offers import ShownDefinition, ShownStore
from service.clubs.swaps.actions import proposals as actions
from service.clubs.swaps.actions.collections import Collections
from service.clubs.swaps.guard import SetGuard
from service.clubs.swaps.model import FoundSwap, Side, Swap
from service.clubs.swaps.proposal import PROPOSED, Coin, Proposal
from service.clubs.swaps.reevaluation import Reevaluation
from service.clubs.swaps.search import failing_members, find_swaps
from service.errors import Busy
from service.runtime import Context

Members = Mapping[str, Membership]
"""Members by their owners' ids, which never leave the service."""

# Of the solver's time, in each round of the search.
SEARCH_SECONDS = 2.0
MOST_ROUNDS = 10


@dataclass(frozen=True, slots=True)
class SwapSearch:
    """The swaps that whoever asked is a side of. `sharing` False: he does not share his spares, and nothing was searched."""

    offered: ClubOffer
    day: date
    sharing: bool
    swaps: Sequence[Swap] = ()
    members: Members = field(default_factory=dict)
    proven: bool = False

    def named(self, key: str, member: Membership) -> Swap | None:
        """The swap of this key."""
        identity = self.offered.definition
        return next((swap for swap in self.swaps if swap_key(member.club, identity, swap) == key), None)


def swap_key(club: str, definition: str, swap: Swap) -> str:
    """One name for a swap, the same for each of its sides."""
    legs = (part for leg in swap for part in (leg.giver, leg.holding, leg.receiver, leg.place))
    return basis("swap", club, definition, *legs)


async def search(context: Context, member: Membership, identity: str) -> SwapSearch:
    """The swaps of the best exchange that the member is a side of. Raises NotFound; Busy as long as standings of members are to
    be evaluated, of which each request does some."""
    day, offered = context.today(), await newest_offered(context, member.club, identity)
    if member.owner.id not in await _still(context, member, identity, [member.owner.id]):
        return SwapSearch(offered, day, False)
    members = await _current(context, member, offered, day)
    found, proven = await _found(context, member, offered, members, day)
    mine = found.seen_by(member.owner.id)
    owners = {member.owner.id, *(leg.giver for swap in mine for leg in swap)}
    still = await _still(context, member, identity, owners)
    if member.owner.id not in still:
        return SwapSearch(offered, day, False)
    kept = [swap for swap in mine if still.issuperset(leg.giver for leg in swap)]
    seats = await context.read(lambda connection: members_of(connection, member.club, owners))
    kept = [swap for swap in kept if seats.keys() >= {leg.giver for leg in swap}]
    return SwapSearch(offered, day, True, kept, seats, proven)


async def failing_sides(context: Context, member: Membership, swap_id: str) -> list[str]:
    """The sides whose sets do not hold with the proposed swap as things are now; none where nothing is left to decide. Raises
    NotFound for whoever is no side."""

    def look(connection: Connection) -> Proposal:
        return actions.get(connection, member.owner, member.club, swap_id, context.clock(), sharing(connection))

    made = await context.read(look)
    if made.state != PROPOSED or made.answers[member.owner.id] is not None:
        return []
    day = context.today()
    offered = await newest_offered(context, member.club, made.definition_id)
    members = await _current(context, member, offered, day, made.sides)
    prepared = await _prepared(context, member, offered, members, day)
    return await context.compute(partial(failing_members, prepared.sides, prepared.check, made.legs))


def members_of(connection: Connection, club: str, owners: Collection[str]) -> Members:
    """The members by owner."""
    return {member.owner.id: member for member in ClubStore(connection).seats_of(club, owners)}


async def _still(context: Context, member: Membership, identity: str, owners: Collection[str]) -> set[str]:
    return await context.read(lambda connection: ShownStore(connection, member.club, identity).still(SPARES, owners))


async def _current(
    context: Context, member: Membership, offered: ClubOffer, day: date, owners: Collection[str] | None = None
) -> Sequence[ShownDefinition]:
    """Everybody who shares spares (or those of these owners), with the standings of now. Raises Busy when more of them than one
    request evaluates are out of date: those evaluated stay remembered."""
    bases: dict[str, str] = {}

    def look(connection: Connection) -> tuple[ShownDefinition, ...]:
        found = ShownStore(connection, member.club, offered.definition).whole(SPARES, owners)
        bases.update((shown.owner.id, basis_of(connection, shown, offered, day)) for shown in found)
        return found

    found = await context.read(look)
    old = [shown for shown in found if shown.basis != bases[shown.owner.id]]
    done = await renewed(context, member.club, SPARES, offered, old[:MOST_NEW], bases, day)
    if len(old) > MOST_NEW:
        ready = len(found) - len(old) + len(done)
        raise Busy(
            "the sets of {ready} of {all} members are evaluated; ask again for the others",
            1,
            ready=ready,
            all=len(found),
        )
    by_member = {shown.member: shown for shown in done}
    gone = {shown.member for shown in old} - by_member.keys()
    return [by_member.get(shown.member, shown) for shown in found if shown.member not in gone]


@dataclass(frozen=True, slots=True)
class _Kept:
    """A search of lately, and in which version the other sets were that it looked at, by owner."""

    found: FoundSwap
    proven: bool
    others: Mapping[str, str]


# The members of a club search one after another for the same; and whoever proposes a swap has searched just before.
KEPT: OrderedDict[str, _Kept] = OrderedDict()
MOST_KEPT = 16


async def _found(
    context: Context, member: Membership, offered: ClubOffer, members: Sequence[ShownDefinition], day: date
) -> tuple[FoundSwap, bool]:
    """The best exchange and whether that is proven: searched, or as it was found lately if all that it follows from is as it
    was then."""
    prepared = await _prepared(context, member, offered, members, day)
    of, kept = prepared.collections, KEPT.get(prepared.name)

    def is_so_still(connection: Connection) -> bool:
        return kept is not None and all(of.version(connection, owner) == v for owner, v in kept.others.items())

    if kept is not None and await context.read(is_so_still):
        return kept.found, kept.proven
    check = prepared.check
    searching = partial(
        find_swaps, prepared.sides, check, of.tell, budget_seconds=SEARCH_SECONDS, most_rounds=MOST_ROUNDS
    )
    found = await context.compute(searching)
    kept = KEPT[prepared.name] = _Kept(found, found.proven and not check.is_spent, dict(of.versions))
    KEPT.move_to_end(prepared.name)
    while len(KEPT) > MOST_KEPT:
        KEPT.popitem(last=False)
    return kept.found, kept.proven


@dataclass(frozen=True, slots=True)
class _Prepared:
    """What a search begins with; `name` names all of it but the other sets."""

    name: str
    sides: list[Side]
    check: SetGuard
    collections: Collections


async def _prepared(
    context: Context, member: Membership, offered: ClubOffer, members: Sequence[ShownDefinition], day: date
) -> _Prepared:
    # Whose coins cannot be evaluated has nothing to swap.
    members = [shown for shown in members if shown.counts is not None]
    owners = [shown.owner.id for shown in members]
    pieces, places = await context.read(lambda c: actions.promised(c, owners, offered.definition, context.clock()))
    sides = [_side(shown, pieces, places) for shown in members]
    of = Collections(context, offered, {shown.owner.id: shown for shown in members}, pieces, day)
    who = sorted((shown.owner.id, shown.basis) for shown in members)
    promised = (sorted(pieces.items()), sorted((owner, *sorted(found)) for owner, found in places.items()))
    name = basis(member.club, offered.definition, offered.digest, day, who, promised)
    return _Prepared(name, sides, SetGuard(Reevaluation(of.request), of.others), of)


def _side(shown: ShownDefinition, pieces: Mapping[Coin, int], places: Mapping[str, frozenset[str]]) -> Side:
    owner, spares = shown.owner.id, shown.spares or []
    # What is promised already is not offered a second time.
    most = {name: max(0, left - pieces[owner, name]) for name, left, _ in spares if (owner, name) in pieces}
    return Side(owner, shown.places or [], spares, most, places.get(owner, frozenset()))


def propose(connection: Connection, member: Membership, identity: str, swap: Swap, now: datetime) -> Proposal:
    """The proposal of a swap that a search just found. Raises NotFound for whoever is no member any more."""
    shares, own = sharing(connection, hold=True), admit(connection, member.club, member.owner, MEMBER)
    return actions.propose(connection, own.owner, own.club, identity, swap, shares, now)

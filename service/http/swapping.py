"""Swaps among those who share their spares of one of the club's definitions: searched, proposed, measured again for an answer.

Nobody's coins are read but those of members who share their spares of it; his other sets are looked at only to keep them
whole. Sessions are closed before anything is computed, and after computing it is looked again who still shares.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import partial
from typing import Any

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from service.accounts.model import Owner
from service.clubs import swap_actions as actions
from service.clubs.keeping import Keeping
from service.clubs.model import Offered, Seat
from service.clubs.offer_store import CopyStore, Shown, ShownStore
from service.clubs.offering import sharing
from service.clubs.proposals import PROPOSED, Coin, Proposal
from service.clubs.remeasuring import Remeasured
from service.clubs.sides import Side, Swap, Tell, told
from service.clubs.store import ClubStore
from service.clubs.swaps import failing, find_swaps
from service.definitions.model import Decisions, Line, Revision
from service.definitions.store import DefinitionStore
from service.errors import Busy, Invalid
from service.facts.holding import Holding
from service.http.evaluating import ask_mine, editions, today
from service.http.needs import Service
from service.http.schemas.club_definitions import stamp_of
from service.http.schemas.swaps import Seats, shown_swap, swap_key
from service.http.showing import (
    BUDGET_SECONDS,
    MOST_NEW,
    SPARES,
    Theirs,
    basis_of,
    newest_offered,
    read_offered,
    renewed,
    theirs_of,
)
from service.progress.description import Describer, describer
from service.progress.measure import Measurement
from service.reference import actions as reference

# Of the solver's time, in each round of the search.
SEARCH_SECONDS = 2.0
MOST_ROUNDS = 10


@dataclass(frozen=True, slots=True)
class Searched:
    """The swaps that whoever asked is a side of. `sharing` False: he does not share his spares, and nothing was searched."""

    offered: Offered
    day: date
    sharing: bool
    swaps: Sequence[Swap] = ()
    seats: Seats = field(default_factory=dict)
    proven: bool = False

    def as_json(self, seat: Seat) -> dict[str, Any]:
        items = [shown_swap(seat, self.offered.definition, swap, self.seats) for swap in self.swaps]
        stamp = {"definition": stamp_of(self.offered), "evaluated_on": self.day.isoformat(), **editions()}
        return {"items": items, "next": None, "sharing": self.sharing, "proven": self.proven, **stamp}

    def named(self, key: str, seat: Seat) -> Swap | None:
        """The swap of this key."""
        identity = self.offered.definition
        return next((swap for swap in self.swaps if swap_key(seat.club, identity, swap) == key), None)


async def search(parts: Service, seat: Seat, identity: str) -> Searched:
    """The swaps of the best exchange that the member is a side of. Raises NotFound; Busy as long as standings of members are to
    be evaluated, of which each request does some."""
    day, offered = today(), await newest_offered(parts, seat, identity)
    if seat.owner.id not in await _still(parts, seat, identity, [seat.owner.id]):
        return Searched(offered, day, False)
    members = await _current(parts, seat, offered, day)
    check, sides, tell = await _prepared(parts, seat, offered, members, day)
    searching = partial(find_swaps, sides, check, tell, budget_seconds=SEARCH_SECONDS, most_rounds=MOST_ROUNDS)
    found = await parts.gate.run(searching)
    mine = found.seen_by(seat.owner.id)
    owners = {seat.owner.id, *(leg.giver for swap in mine for leg in swap)}
    still = await _still(parts, seat, identity, owners)
    if seat.owner.id not in still:
        return Searched(offered, day, False)
    kept = [swap for swap in mine if still.issuperset(leg.giver for leg in swap)]
    seats = await run_in_threadpool(parts.database.read, lambda connection: seats_of(connection, seat.club, owners))
    kept = [swap for swap in kept if seats.keys() >= {leg.giver for leg in swap}]
    return Searched(offered, day, True, kept, seats, found.proven and not check.is_spent)


async def failing_sides(parts: Service, seat: Seat, swap_id: str) -> list[str]:
    """The sides whose sets do not hold with the proposed swap as things are now; none where nothing is left to decide. Raises
    NotFound for whoever is no side."""

    def look(connection: Connection) -> Proposal:
        return actions.get(connection, seat.owner, seat.club, swap_id, parts.clock(), sharing(connection))

    made = await run_in_threadpool(parts.database.read, look)
    if made.state != PROPOSED or made.answers[seat.owner.id] is not None:
        return []
    day = today()
    offered = await newest_offered(parts, seat, made.definition_id)
    members = await _current(parts, seat, offered, day, made.sides)
    check, sides, _ = await _prepared(parts, seat, offered, members, day)
    return await parts.gate.run(partial(failing, sides, check, made.legs))


def seats_of(connection: Connection, club: str, owners: Collection[str]) -> Seats:
    """The members by owner."""
    return {seat.owner.id: seat for seat in ClubStore(connection).seats_of(club, owners)}


async def _still(parts: Service, seat: Seat, identity: str, owners: Collection[str]) -> set[str]:
    return await run_in_threadpool(
        parts.database.read, lambda connection: ShownStore(connection, seat.club, identity).still(SPARES, owners)
    )


async def _current(
    parts: Service, seat: Seat, offered: Offered, day: date, owners: Collection[str] | None = None
) -> Sequence[Shown]:
    """Everybody who shares spares (or those of these owners), with the standings of now. Raises Busy when more of them than one
    request evaluates are out of date: those evaluated stay remembered."""
    bases: dict[str, str] = {}

    def look(connection: Connection) -> tuple[Shown, ...]:
        found = ShownStore(connection, seat.club, offered.definition).whole(SPARES, owners)
        bases.update((shown.owner.id, basis_of(connection, shown, offered, day)) for shown in found)
        return found

    found = await run_in_threadpool(parts.database.read, look)
    old = [shown for shown in found if shown.basis != bases[shown.owner.id]]
    done = await renewed(parts, seat.club, SPARES, offered, old[:MOST_NEW], bases, day)
    if len(old) > MOST_NEW:
        ready = len(found) - len(old) + len(done)
        raise Busy(f"the sets of {ready} of {len(found)} members are evaluated; ask again for the others", 1)
    by_member = {shown.member: shown for shown in done}
    gone = {shown.member for shown in old} - by_member.keys()
    return [by_member.get(shown.member, shown) for shown in found if shown.member not in gone]


async def _prepared(
    parts: Service, seat: Seat, offered: Offered, members: Sequence[Shown], day: date
) -> tuple[Keeping, list[Side], Tell]:
    """The check, the sides, and what is told of a coin."""
    # Whose coins cannot be evaluated has nothing to swap.
    members = [shown for shown in members if shown.counts is not None]
    owners = [shown.owner.id for shown in members]
    pieces, places = await run_in_threadpool(
        parts.database.read, lambda c: actions.promised(c, owners, offered.definition, parts.clock())
    )
    sides = [_side(shown, pieces, places) for shown in members]
    of = _Collections(parts, seat.club, offered, {shown.owner.id: shown for shown in members}, pieces, day)
    return Keeping(Remeasured(of.measurement), of.others), sides, of.tell


def _side(shown: Shown, pieces: Mapping[Coin, int], places: Mapping[str, frozenset[str]]) -> Side:
    owner, spares = shown.owner.id, shown.spares or []
    # What is promised already is not offered a second time.
    most = {name: max(0, left - pieces[owner, name]) for name, left, _ in spares if (owner, name) in pieces}
    return Side(owner, shown.places or [], spares, most, places.get(owner, frozenset()))


class _Collections:
    """What members have, each loaded once and only when it is asked for, without the pieces that accepted swaps speak for.
    Called where it may take its time."""

    def __init__(
        self,
        parts: Service,
        club: str,
        offered: Offered,
        members: Mapping[str, Shown],
        promised: Mapping[Coin, int],
        day: date,
    ) -> None:
        self._parts, self._club, self._offered, self._members = parts, club, offered, members
        self._promised, self._day = promised, day
        self._theirs: dict[str, Theirs] = {}
        self._describers: dict[str, Describer] = {}

    def measurement(self, owner: str) -> Measurement:
        return self._without_promised(owner, self._loaded(owner).measurement(self._offered, self._day))

    def others(self, owner: str) -> list[Measurement]:
        """The owner's other sets: of each definition that has a published revision the one that he follows."""
        theirs, shown = self._loaded(owner), self._members[owner]
        found = self._parts.database.read(lambda c: _others(c, shown.owner, self._offered))
        measurements = []
        for revision, decisions in found:
            try:
                asked = ask_mine(revision, theirs.held, theirs.basis, self._day, decisions, theirs.own)
            except Invalid:
                # It was stored when other things were right; there is nothing in it to lose.
                continue
            cheaper = replace(asked.measurement, budget_seconds=BUDGET_SECONDS)
            measurements.append(self._without_promised(owner, cheaper))
        return measurements

    def tell(self, owner: str, holding: str) -> Mapping[str, Any]:
        """What the sides of a swap are told of the coin."""
        if owner not in self._describers:
            definition, own = read_offered(self._offered), self._loaded(owner).own
            issues = ChainMap(dict(own.facts), dict(reference.issue_facts()))
            self._describers[owner] = describer(definition.attributes, definition.vocabularies, issues)
        recorded = next(kept.data for kept in self._loaded(owner).held if kept.id == holding)
        return told(recorded, self._describers[owner])

    def _loaded(self, owner: str) -> Theirs:
        """Raises Busy when the member's coins are others by now than those that the search began with."""
        if owner not in self._theirs:
            shown = self._members[owner]
            theirs = self._parts.database.read(lambda c: theirs_of(c, shown, self._offered, self._day))
            if theirs.basis != shown.basis:
                raise Busy("somebody's collection changed meanwhile; ask again", 1)
            self._theirs[owner] = theirs
        return self._theirs[owner]

    def _without_promised(self, owner: str, request: Measurement) -> Measurement:
        kept = (self._fewer(owner, holding) for holding in request.holdings)
        return replace(request, holdings=tuple(holding for holding in kept if holding.quantity > 0))

    def _fewer(self, owner: str, holding: Holding) -> Holding:
        count = self._promised.get((owner, holding.id), 0)
        return replace(holding, quantity=max(0, holding.quantity - count)) if count else holding


def _others(connection: Connection, owner: Owner, offered: Offered) -> list[tuple[Revision, Decisions]]:
    """The owner's sets but the copy of this definition that says the same. A draft is no set yet: under it the newest published
    revision counts."""
    store, copy = DefinitionStore(connection, owner), CopyStore(connection, owner).of(offered.definition)
    found, after = [], None
    while some := store.page(after, 200):
        after = some[-1][0].id
        for line, latest in some:
            if not line.published:
                continue
            revision = _followed(store, line, latest)
            if not (copy and copy.definition == line.id and revision.digest == offered.digest):
                found.append((revision, store.decisions(line.id)))
    return found


def _followed(store: DefinitionStore, line: Line, latest: Revision) -> Revision:
    if line.adopted is not None:
        return store.revision(line.id, line.adopted)
    return store.unadopted(latest if latest.status != "draft" else store.revision(line.id, line.published))


def propose(connection: Connection, seat: Seat, identity: str, swap: Swap, now: datetime) -> Proposal:
    """The proposal of a swap that a search just found."""
    shares = sharing(connection, hold=True)
    return actions.propose(connection, seat.owner, seat.club, identity, swap, shares, now)

"""Proposing swaps, answering them, and what overtakes them. Each action is part of the caller's transaction. None moves a
holding: that an accepted swap came about is recorded by its sides, each in his own collection."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from datetime import datetime, timedelta
from functools import cache

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.clubs.swaps.model import Leg
from service.clubs.swaps.proposal import (
    ACCEPTED,
    CONSENT_REVOKED,
    LASTING,
    OFFER_WITHDRAWN,
    PROPOSED,
    SET_CHANGED,
    Coin,
    Present,
    Proposal,
    coins_promised,
    places_promised,
    proposed,
    what_overtakes,
)
from service.clubs.swaps.store import SwapStore
from service.database.ids import new_id
from service.errors import Conflict
from service.facts.holding import HELD
from service.holdings.store import HoldingStore

Consents = Callable[[str, str, str], bool]
"""Whether an owner, in a club and for a definition of it, shares his spares now: asked inside the transaction."""


def propose(
    connection: Connection,
    owner: Owner,
    club: str,
    definition: str,
    legs: Sequence[Leg],
    consents: Consents,
    now: datetime,
    lasting: timedelta = LASTING,
) -> Proposal:
    """A new proposal, which the owner makes and so accepts. The legs are those that a search just found. Raises Invalid when they
    are no cycle, NotFound when the owner is no side, Conflict when it cannot come about any more or is proposed already."""
    made = proposed(new_id(), club, definition, tuple(legs), owner.id, now, lasting)
    hold(connection, made.sides)
    store = SwapStore(connection)
    others = store.of(made.sides)
    reason = what_overtakes(made, _present(connection, made, consents), _accepted(others), now)
    if reason is not None:
        raise Conflict("the swap cannot come about: {reason}", reason=reason)
    if any(_is_same(made, other.as_of(now)) for other in others):
        raise Conflict("the same swap is proposed already")
    store.add(made)
    return store.get(club, made.id)


def answer(
    connection: Connection,
    owner: Owner,
    club: str,
    identity: str,
    accepts: bool,
    consents: Consents,
    now: datetime,
    *,
    expect: Callable[[Proposal], None] = lambda _: None,
    changed: Collection[str] = (),
) -> Proposal:
    """The proposal after the owner's yes or no. `expect` raises Stale when it changed since it was read. `changed` are the
    sides whose sets, measured again just now, do not hold with it (`service.clubs.swaps.search.failing_members`).

    A yes to what can no longer come about does not count: the proposal comes back overtaken, with its reason. The last yes
    overtakes what else needs the same coins and places. Raises NotFound for whoever is no side, Conflict when it is over.
    """
    store = SwapStore(connection)
    known = store.get(club, identity)
    known.ensure_seen_by(owner.id)
    hold(connection, known.sides)
    before = store.get(club, identity)
    expect(before.as_of(now))
    if not accepts:
        return store.replace(before, before.declined_by(owner.id, now))
    others = [other for other in store.of(before.sides) if other.id != identity]
    reason = what_overtakes(before, _present(connection, before, consents), _accepted(others), now)
    reason = reason or (SET_CHANGED if changed else None)
    if before.as_of(now).state == PROPOSED and reason is not None:
        return store.replace(before, before.overtaken(reason, now))
    after = store.replace(before, before.accepted_by(owner.id, now))
    if after.state == ACCEPTED:
        _overtake(connection, store, others, consents, [*_accepted(others), after], now)
    return after


def get(
    connection: Connection, owner: Owner, club: str, identity: str, now: datetime, consents: Consents | None = None
) -> Proposal:
    """The proposal as it is by now. Raises NotFound for whoever is no side."""
    found = SwapStore(connection).get(club, identity)
    found.ensure_seen_by(owner.id)
    return _as_seen(found, consents, now)


def page(
    connection: Connection,
    owner: Owner,
    club: str,
    now: datetime,
    after: str | None,
    limit: int,
    consents: Consents | None = None,
) -> tuple[Proposal, ...]:
    """The owner's proposals in the club, as they are by now, in the order of their ids."""
    known = consents and cache(consents)
    return tuple(_as_seen(found, known, now) for found in SwapStore(connection).page(club, owner, after, limit))


def _as_seen(found: Proposal, consents: Consents | None, now: datetime) -> Proposal:
    """With `consents`, one of which a side shares its spares no more is overtaken, whether or not that is written down yet."""
    if consents is None or _consenting(found, consents).issuperset(found.sides):
        return found.as_of(now)
    return found.overtaken(CONSENT_REVOKED, now)


def promised(
    connection: Connection, owners: Collection[str], definition: str, now: datetime
) -> tuple[dict[Coin, int], dict[str, frozenset[str]]]:
    """What accepted swaps keep out of a new search: pieces by coin, and by owner the places of the definition that they will
    fill."""
    accepted = _accepted(SwapStore(connection).of(owners))
    places: dict[str, set[str]] = {}
    for owner, of, place in places_promised(accepted, now):
        if of == definition:
            places.setdefault(owner, set()).add(place)
    return dict(coins_promised(accepted, now)), {owner: frozenset(found) for owner, found in places.items()}


def revoke(connection: Connection, owner: Owner, club: str, definition: str, now: datetime) -> None:
    """What the owner was asked or asked himself about this set, and nobody decided, is overtaken: he no longer shares his
    spares of it."""
    hold(connection, [owner.id])
    store = SwapStore(connection)
    for before in store.all_of(owner, club):
        if before.definition_id == definition:
            store.replace(before, before.overtaken(CONSENT_REVOKED, now))


def withdraw(connection: Connection, club: str, definition: str, now: datetime) -> None:
    """What nobody decided about a set that the club no longer offers is overtaken. Holds no account, since the club is held: a
    yes given meanwhile stands, and none is given after."""
    SwapStore(connection).overtake(club, definition, OFFER_WITHDRAWN, now)


def forget(connection: Connection, owner: Owner, club: str | None = None) -> None:
    """Takes every proposal away that the owner is a side of, in one club or in all: whoever leaves takes his data along."""
    hold(connection, [owner.id])
    store = SwapStore(connection)
    store.delete(store.all_of(owner, club))


def end(connection: Connection, owner: Owner, now: datetime) -> None:
    """What becomes of the swaps of an account that is deleted: those that are open, or accepted lately, tell their other sides
    that they are over, with nothing of the owner left in them; all others go."""
    store = SwapStore(connection)
    hold(connection, {owner.id, *(side for found in store.all_of(owner, None) for side in found.sides)})
    for before in store.all_of(owner, None):
        after = before.without(owner.id, now)
        if after is None or not after.sides:
            store.delete([before])
        else:
            store.strip(after, owner)


def hold(connection: Connection, owners: Iterable[str]) -> None:
    """Holds the accounts, in the order of their ids, so that two that hold several never wait for each other; before anything
    else is held (see `service.clubs.actions.members`)."""
    for identity in sorted(owners):
        AccountStore(connection).lock(Owner(identity))


def _present(connection: Connection, proposal: Proposal, consents: Consents) -> Present:
    # A side gives one coin.
    pieces: dict[Coin, int] = {}
    for leg in proposal.legs:
        for kept in HoldingStore(connection, Owner(leg.giver)).some([leg.holding]):
            if kept.data.get("status", "held") in HELD:
                pieces[leg.giver, kept.id] = int(kept.data.get("quantity", 1))
    return Present(pieces, _consenting(proposal, consents))


def _consenting(proposal: Proposal, consents: Consents) -> frozenset[str]:
    return frozenset(s for s in proposal.sides if consents(s, proposal.club_id, proposal.definition_id))


def _accepted(proposals: Iterable[Proposal]) -> list[Proposal]:
    return [proposal for proposal in proposals if proposal.state == ACCEPTED]


def _is_same(made: Proposal, other: Proposal) -> bool:
    same = (other.club_id, other.definition_id) == (made.club_id, made.definition_id)
    return same and other.state == PROPOSED and other.coins == made.coins and other.places == made.places


def _overtake(
    connection: Connection,
    store: SwapStore,
    others: Iterable[Proposal],
    consents: Consents,
    accepted: Sequence[Proposal],
    now: datetime,
) -> None:
    for before in others:
        if before.as_of(now).state == PROPOSED:
            reason = what_overtakes(before, _present(connection, before, consents), accepted, now)
            if reason is not None:
                store.replace(before, before.overtaken(reason, now))

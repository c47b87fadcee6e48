"""Steering a club: founding, inviting, joining, handing over, leaving, removing. Each action is part of the caller's
transaction; whoever changes something holds the club's row, so that changes come one after another.

The order of locks, everywhere: accounts in the order of their ids, then the club's row, then consents, then proposals of
swaps. A request with an Idempotency-Key holds its owner's account from the start, so no account may come after the club.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.accounts.model import (
    CLUB_INVITATION_PREFIX,
    Invitation,
    Owner,
    WrongCredentials,
    new_token,
    token_digest,
)
from service.accounts.store import AccountStore
from service.clubs import swap_actions
from service.clubs.model import MEMBER, STEWARD, Club, ClubInvitation, Deed, Seat
from service.clubs.store import ClubInvitationStore, ClubStore
from service.database.identities import new_identity
from service.errors import Clash, NotFound


def admit(connection: Connection, club: str, owner: Owner, role: str, *, hold: bool = False) -> Seat:
    """The owner's seat in the club: the one place where membership and role are looked at. Raises NotFound for whoever has none,
    as if there were no such club, and Forbidden when the role is not enough. With `hold` the club stays as it is until the
    transaction ends."""
    store = ClubStore(connection)
    if hold:
        store.get(club, hold=True)
    seat = store.seat_of(club, owner)
    if seat is None:
        raise NotFound("club", club)
    seat.ensure(role)
    return seat


def found(
    connection: Connection, owner: Owner, name: str, note: str | None, own_name: str, now: datetime
) -> tuple[Club, Seat]:
    """A new club, with its founder as the only steward."""
    store, made = ClubStore(connection), Club(new_identity(), name, note, now, new_identity())
    store.add(made)
    seat = Seat(made.id, owner, new_identity(), STEWARD, own_name, now)
    store.seat_in(seat)
    note_deed(connection, seat, "founded", now)
    return made, seat


def change(
    connection: Connection,
    seat: Seat,
    alter: Callable[[Club], Club],
    now: datetime,
    *,
    expect: Callable[[Club], None],
) -> Club:
    """The club under other words. `expect` raises Stale when they changed since they were read."""
    store = ClubStore(connection)
    before = store.get(seat.club, hold=True)
    by = admit(connection, seat.club, seat.owner, STEWARD)
    expect(before)
    changed = replace(alter(before), version=new_identity())
    store.replace(changed)
    note_deed(connection, by, "changed-club", now, about=changed.name)
    return changed


def close(connection: Connection, seat: Seat, *, expect: Callable[[Club], None]) -> None:
    """Ends the club. Raises Clash while there are other members."""
    store = ClubStore(connection)
    before = store.get(seat.club, hold=True)
    by = admit(connection, seat.club, seat.owner, STEWARD)
    expect(before)
    store.roll(seat.club).ensure_only(by.id)
    store.delete(seat.club)


def set_role(
    connection: Connection, seat: Seat, member: str, role: str, now: datetime, *, expect: Callable[[Seat], None]
) -> Seat:
    """The member in another role. Raises Clash when nobody would be left to steer."""
    by, store = admit(connection, seat.club, seat.owner, STEWARD, hold=True), ClubStore(connection)
    before = store.seat(seat.club, member)
    expect(before)
    store.roll(seat.club).with_role(member, role)
    after = replace(before, role=role)
    if after != before:
        store.set_role(before, role)
        note_deed(connection, by, "changed-role", now, whom=before, about=role)
    return after


def remove(connection: Connection, seat: Seat, member: str, now: datetime) -> None:
    """Ends somebody's membership; one's own as `leave` does."""
    store = ClubStore(connection)
    # Whoever leaves takes proposals along, so the account is held, and before the club.
    AccountStore(connection).lock(store.seat(seat.club, member).owner)
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    if member == by.id:
        return leave(connection, seat, now)
    gone = store.seat(seat.club, member)
    store.roll(seat.club).without(member)
    swap_actions.forget(connection, gone.owner, seat.club)
    store.unseat(gone)
    return note_deed(connection, by, "removed-member", now, whom=gone)


def leave(connection: Connection, seat: Seat, now: datetime) -> None:
    """Ends the membership. The last one takes the club along. Raises Clash when members would be left without a steward."""
    AccountStore(connection).lock(seat.owner)
    own, store = admit(connection, seat.club, seat.owner, MEMBER, hold=True), ClubStore(connection)
    left = store.roll(seat.club).without(own.id)
    swap_actions.forget(connection, own.owner, seat.club)
    if not left.roles:
        store.delete(seat.club)
        return
    store.unseat(own)
    if own.role == STEWARD:
        note_deed(connection, own, "left", now)


def invite(
    connection: Connection, seat: Seat, role: str, note: str | None, lifetime: timedelta, now: datetime
) -> tuple[ClubInvitation, str]:
    """An invitation, and the text to hand over, which is not stored and cannot be had again."""
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    way, secret = Invitation(new_identity(), note, now, now + lifetime), new_token(CLUB_INVITATION_PREFIX)
    made = ClubInvitation(role, way)
    ClubInvitationStore(connection).add(seat.club, token_digest(secret), made)
    note_deed(connection, by, "invited", now, about=role)
    return made, secret


def revoke_invitation(connection: Connection, seat: Seat, invitation: str, now: datetime) -> None:
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    ClubInvitationStore(connection).revoke(seat.club, invitation, now)
    note_deed(connection, by, "revoked-invitation", now)


def join(connection: Connection, owner: Owner, secret: str, name: str, now: datetime) -> tuple[Club, Seat]:
    """A membership for an invitation, which is used up. Raises WrongCredentials; Clash when the owner is a member already or
    the name is taken in the club, which leaves the invitation open."""
    store, invitations, digest = ClubStore(connection), ClubInvitationStore(connection), token_digest(secret)
    found = invitations.find(digest)
    # Looked at again once the club is held: of two with one invitation the second finds it used.
    if found is not None:
        store.get(found[0], hold=True)
        found = invitations.find(digest)
    if found is None or found[1].way.status(now) != "open":
        raise WrongCredentials("the invitation is not valid: unknown, used, revoked or expired")
    club, invitation = found
    if store.seat_of(club, owner) is not None:
        raise Clash("you are a member of this club already")
    seat = Seat(club, owner, new_identity(), invitation.role, name, now)
    store.seat_in(seat)
    invitations.use(club, invitation.way.id, seat.id, now)
    return store.get(club), seat


def note_deed(
    connection: Connection,
    by: Seat,
    what: str,
    now: datetime,
    *,
    whom: Seat | None = None,
    about: str | None = None,
) -> None:
    """Writes down what a steward did."""
    whom_names = None if whom is None else (whom.id, whom.name)
    deed = Deed(new_identity(), now, what, (by.id, by.name), whom_names, about)
    ClubStore(connection).note(by.club, deed)

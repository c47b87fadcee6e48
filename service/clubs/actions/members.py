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
from service.clubs.model import MEMBER, STEWARD, AuditEntry, Club, ClubInvitation, Membership
from service.clubs.store.members import ClubInvitationStore, ClubStore
from service.clubs.swaps.actions import proposals
from service.database.ids import new_id
from service.errors import Conflict, NotFound


def admit(connection: Connection, club: str, owner: Owner, role: str, *, hold: bool = False) -> Membership:
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
) -> tuple[Club, Membership]:
    """A new club, with its founder as the only steward."""
    store, made = ClubStore(connection), Club(new_id(), name, note, now, new_id())
    store.add(made)
    seat = Membership(made.id, owner, new_id(), STEWARD, own_name, now)
    store.seat_in(seat)
    note_deed(connection, seat, "founded", now)
    return made, seat


def change(
    connection: Connection,
    seat: Membership,
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
    changed = replace(alter(before), version=new_id())
    store.replace(changed)
    note_deed(connection, by, "changed-club", now, about=changed.name)
    return changed


def close(connection: Connection, seat: Membership, *, expect: Callable[[Club], None]) -> None:
    """Ends the club, with the swaps that were proposed in it. Raises Conflict while there are other members."""
    # Before the club, as to leave.
    AccountStore(connection).lock(seat.owner)
    store = ClubStore(connection)
    before = store.get(seat.club, hold=True)
    by = admit(connection, seat.club, seat.owner, STEWARD)
    expect(before)
    store.roll(seat.club).ensure_only(by.id)
    proposals.forget(connection, by.owner, seat.club)
    store.delete(seat.club)


def set_role(
    connection: Connection,
    seat: Membership,
    member: str,
    role: str,
    now: datetime,
    *,
    expect: Callable[[Membership], None],
) -> Membership:
    """The member in another role. Raises Conflict when nobody would be left to steer."""
    by, store = admit(connection, seat.club, seat.owner, STEWARD, hold=True), ClubStore(connection)
    before = store.seat(seat.club, member)
    expect(before)
    store.roll(seat.club).with_role(member, role)
    after = replace(before, role=role)
    if after != before:
        store.set_role(before, role)
        note_deed(connection, by, "changed-role", now, whom=before, about=role)
    return after


def remove(connection: Connection, seat: Membership, member: str, now: datetime) -> None:
    """Ends somebody's membership; one's own as `leave` does."""
    store = ClubStore(connection)
    # Whoever leaves takes proposals along, so the account is held, and before the club.
    AccountStore(connection).lock(store.seat(seat.club, member).owner)
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    if member == by.id:
        return leave(connection, seat, now)
    gone = store.seat(seat.club, member)
    store.roll(seat.club).without(member)
    proposals.forget(connection, gone.owner, seat.club)
    store.unseat(gone)
    return note_deed(connection, by, "removed-member", now, whom=gone)


def leave(connection: Connection, seat: Membership, now: datetime) -> None:
    """Ends the membership. The last one takes the club along. Raises Conflict when members would be left without a steward."""
    AccountStore(connection).lock(seat.owner)
    own, store = admit(connection, seat.club, seat.owner, MEMBER, hold=True), ClubStore(connection)
    left = store.roll(seat.club).without(own.id)
    proposals.forget(connection, own.owner, seat.club)
    if not left.roles:
        store.delete(seat.club)
        return
    store.unseat(own)
    if own.role == STEWARD:
        note_deed(connection, own, "left", now)


def leave_all(connection: Connection, owner: Owner, now: datetime) -> None:
    """Ends every membership of an account that is deleted; clubs in which nobody else is end too. The account is held, and its
    swaps are over. Raises Conflict, with the names of the clubs, when members would be left without a steward."""
    store, stuck = ClubStore(connection), []
    for identity in store.ids_of(owner):
        club = store.get(identity, hold=True)
        own = admit(connection, identity, owner, MEMBER)
        others = store.roll(identity).roles.keys() - {own.id}
        if not others:
            store.delete(identity)
        elif not store.roll(identity).can_do_without(own.id):
            stuck.append(club.name)
        else:
            store.unseat(own)
            if own.role == STEWARD:
                note_deed(connection, own, "left", now)
    if stuck:
        names = ", ".join(f"'{name}'" for name in stuck)
        raise Conflict(
            "members would be left without a steward: make another member a steward first in {names}", names=names
        )


def invite(
    connection: Connection, seat: Membership, role: str, note: str | None, lifetime: timedelta, now: datetime
) -> tuple[ClubInvitation, str]:
    """An invitation, and the text to hand over, which is not stored and cannot be had again."""
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    way, secret = Invitation(new_id(), note, now, now + lifetime), new_token(CLUB_INVITATION_PREFIX)
    made = ClubInvitation(role, way)
    ClubInvitationStore(connection).add(seat.club, token_digest(secret), made)
    note_deed(connection, by, "invited", now, about=role)
    return made, secret


def revoke_invitation(connection: Connection, seat: Membership, invitation: str, now: datetime) -> None:
    by = admit(connection, seat.club, seat.owner, STEWARD, hold=True)
    ClubInvitationStore(connection).revoke(seat.club, invitation, now)
    note_deed(connection, by, "revoked-invitation", now)


def join(connection: Connection, owner: Owner, secret: str, name: str, now: datetime) -> tuple[Club, Membership]:
    """A membership for an invitation, which is used up. Raises WrongCredentials; Conflict when the owner is a member already or
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
        raise Conflict("you are a member of this club already")
    seat = Membership(club, owner, new_id(), invitation.role, name, now)
    store.seat_in(seat)
    invitations.use(club, invitation.way.id, seat.id, now)
    return store.get(club), seat


def note_deed(
    connection: Connection,
    by: Membership,
    what: str,
    now: datetime,
    *,
    whom: Membership | None = None,
    about: str | None = None,
) -> None:
    """Writes down what a steward did."""
    whom_names = None if whom is None else (whom.id, whom.name)
    deed = AuditEntry(new_id(), now, what, (by.id, by.name), whom_names, about)
    ClubStore(connection).note(by.club, deed)

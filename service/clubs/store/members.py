"""Clubs, their members, invitations and the list of what stewards did, in the database."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.accounts.model import Invitation, Owner, folded
from service.clubs.model import AuditEntry, Club, ClubInvitation, MemberRoles, Membership
from service.clubs.tables import club, club_audit, club_invitation, club_member
from service.errors import Conflict, NotFound

# Made once: making a statement anew takes as long as running it.
_CLUBS = (
    select(club, *(column.label(f"member_{column.name}") for column in club_member.c))
    .join_from(club, club_member)
    .where(club_member.c.owner_id == bindparam("owner"))
    .order_by(club.c.id)
    .limit(bindparam("most"))
)
_NEXT_CLUBS = _CLUBS.where(club.c.id > bindparam("after"))
_SEAT = select(club_member).where(
    club_member.c.club_id == bindparam("club"), club_member.c.owner_id == bindparam("owner")
)


class ClubStore:
    """Within one transaction. Whoever changes something holds the club first."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def get(self, identity: str, *, hold: bool = False) -> Club:
        """The club; with `hold` nobody else changes it until the transaction ends."""
        query = select(club).where(club.c.id == identity)
        row = self._connection.execute(query.with_for_update() if hold else query).first()
        if row is None:
            raise NotFound("club", identity)
        return Club(row.id, row.name, row.note, row.created_at, row.version)

    def of(self, owner: Owner, after: str | None, limit: int) -> tuple[tuple[Club, Membership], ...]:
        """Up to `limit` clubs in which the owner is a member, in the order of their ids."""
        rows = self._connection.execute(
            _CLUBS if after is None else _NEXT_CLUBS, {"owner": owner.id, "after": after, "most": limit}
        )
        return tuple((Club(r.id, r.name, r.note, r.created_at, r.version), _seat(r, "member_")) for r in rows)

    def ids_of(self, owner: Owner) -> list[str]:
        """The ids of all clubs in which the owner is a member, in their order."""
        query = select(club_member.c.club_id).where(club_member.c.owner_id == owner.id).order_by(club_member.c.club_id)
        return list(self._connection.execute(query).scalars())

    def add(self, made: Club) -> None:
        row = {"id": made.id, "name": made.name, "note": made.note, "version": made.version}
        self._connection.execute(insert(club).values(**row, created_at=made.created_at))

    def replace(self, changed: Club) -> None:
        values = {"name": changed.name, "note": changed.note, "version": changed.version}
        self._connection.execute(update(club).where(club.c.id == changed.id).values(**values))

    def delete(self, identity: str) -> None:
        self._connection.execute(delete(club).where(club.c.id == identity))

    def seat_of(self, identity: str, owner: Owner) -> Membership | None:
        """The owner's membership in the club, if there is one."""
        row = self._connection.execute(_SEAT, {"club": identity, "owner": owner.id}).first()
        return None if row is None else _seat(row)

    def seat(self, identity: str, member: str) -> Membership:
        """The member with this id of the club's."""
        this = (club_member.c.club_id == identity, club_member.c.id == member)
        row = self._connection.execute(select(club_member).where(*this)).first()
        if row is None:
            raise NotFound("member", member)
        return _seat(row)

    def seats(self, identity: str, after: str | None, limit: int) -> tuple[Membership, ...]:
        """Up to `limit` members in the order of their ids, which is that of their joining."""
        query = select(club_member).where(club_member.c.club_id == identity).order_by(club_member.c.id).limit(limit)
        if after is not None:
            query = query.where(club_member.c.id > after)
        return tuple(_seat(row) for row in self._connection.execute(query))

    def seats_of(self, identity: str, owners: Collection[str]) -> tuple[Membership, ...]:
        """Those of the owners who are members."""
        query = select(club_member).where(club_member.c.club_id == identity, club_member.c.owner_id.in_(owners))
        return tuple(_seat(row) for row in self._connection.execute(query))

    def number(self, identity: str) -> int:
        """How many members there are."""
        query = select(func.count()).where(club_member.c.club_id == identity)
        return int(self._connection.execute(query).scalar_one())

    def roll(self, identity: str) -> MemberRoles:
        rows = self._connection.execute(
            select(club_member.c.id, club_member.c.role).where(club_member.c.club_id == identity)
        )
        return MemberRoles({row.id: row.role for row in rows})

    def seat_in(self, made: Membership) -> None:
        """Raises Conflict when another member's name counts as the same."""
        row = {"club_id": made.club, "owner_id": made.owner.id, "id": made.id, "role": made.role, "name": made.name}
        dialect = sqlite if self._connection.dialect.name == "sqlite" else postgresql
        adding = dialect.insert(club_member).values(**row, folded_name=folded(made.name), joined_at=made.joined_at)
        added = adding.on_conflict_do_nothing(index_elements=["club_id", "folded_name"]).returning(club_member.c.id)
        if self._connection.execute(added).first() is None:
            raise Conflict("a member of the club has this name already")

    def set_role(self, seat: Membership, role: str) -> None:
        self._connection.execute(update(club_member).where(*_is(seat)).values(role=role))

    def unseat(self, seat: Membership) -> None:
        """Ends the membership; what the member showed the club goes with it."""
        self._connection.execute(delete(club_member).where(*_is(seat)))

    def note(self, identity: str, deed: AuditEntry) -> None:
        row: dict[str, Any] = {"id": deed.id, "at": deed.at, "what": deed.what, "about": deed.about}
        (by_id, by_name), (whom_id, whom_name) = deed.by, deed.whom or (None, None)
        names = {"by_id": by_id, "by_name": by_name, "whom_id": whom_id, "whom_name": whom_name}
        self._connection.execute(insert(club_audit).values(club_id=identity, **row, **names))

    def deeds(self, identity: str, after: str | None, limit: int) -> tuple[AuditEntry, ...]:
        """Up to `limit` deeds in the order in which they were done."""
        query = select(club_audit).where(club_audit.c.club_id == identity).order_by(club_audit.c.id).limit(limit)
        if after is not None:
            query = query.where(club_audit.c.id > after)
        return tuple(_deed(row) for row in self._connection.execute(query))


class ClubInvitationStore:
    """Invitations into clubs, within one transaction."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, identity: str, digest: str, made: ClubInvitation) -> None:
        way = made.way
        row = {"id": way.id, "note": way.note, "created_at": way.created_at, "expires_at": way.expires_at}
        self._connection.execute(insert(club_invitation).values(club_id=identity, digest=digest, role=made.role, **row))

    def find(self, digest: str) -> tuple[str, ClubInvitation] | None:
        """The club and the invitation with this digest."""
        row = self._connection.execute(select(club_invitation).where(club_invitation.c.digest == digest)).first()
        return None if row is None else (row.club_id, _invitation(row))

    def use(self, identity: str, invitation: str, member: str, now: datetime) -> None:
        values = {"used_at": now, "used_by": member}
        self._connection.execute(update(club_invitation).where(*_named(identity, invitation)).values(**values))

    def page(self, identity: str, after: str | None, limit: int) -> tuple[ClubInvitation, ...]:
        """Up to `limit` invitations in the order of their ids."""
        table = club_invitation
        query = select(table).where(table.c.club_id == identity).order_by(table.c.id).limit(limit)
        if after is not None:
            query = query.where(table.c.id > after)
        return tuple(_invitation(row) for row in self._connection.execute(query))

    def revoke(self, identity: str, invitation: str, now: datetime) -> None:
        """Raises NotFound when there is no such invitation, or it is used or revoked already."""
        unused = (club_invitation.c.used_at.is_(None), club_invitation.c.revoked_at.is_(None))
        revoking = update(club_invitation).where(*_named(identity, invitation), *unused)
        if self._connection.execute(revoking.values(revoked_at=now)).rowcount == 0:
            raise NotFound("open invitation", invitation)


def _is(seat: Membership) -> tuple[Any, Any]:
    return club_member.c.club_id == seat.club, club_member.c.owner_id == seat.owner.id


def _named(identity: str, invitation: str) -> tuple[Any, Any]:
    return club_invitation.c.club_id == identity, club_invitation.c.id == invitation


def _seat(row: Row[Any], prefix: str = "") -> Membership:
    parts = row._mapping
    names = ("club_id", "owner_id", "id", "role", "name", "joined_at")
    identity, owner, member, role, name, joined_at = (parts[prefix + name] for name in names)
    return Membership(identity, Owner(owner), member, role, name, joined_at)


def _invitation(row: Row[Any]) -> ClubInvitation:
    way = Invitation(row.id, row.note, row.created_at, row.expires_at, row.used_at, row.revoked_at)
    return ClubInvitation(row.role, way, row.used_by)


def _deed(row: Row[Any]) -> AuditEntry:
    whom = None if row.whom_id is None else (row.whom_id, row.whom_name)
    return AuditEntry(row.id, row.at, row.what, (row.by_id, row.by_name), whom, row.about)

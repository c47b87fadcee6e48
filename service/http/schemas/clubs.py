"""Clubs, members and invitations into clubs on the wire."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from service.clubs.model import AuditEntry, Club, ClubInvitation, Membership
from service.http.conditional import entity_tag
from service.http.wire import AccountName, In, Name, OldOut, OldPageOut, Secret, Text

_DAY_SECONDS = 24 * 60 * 60
Note = Annotated[Text, StringConstraints(max_length=2_000)]
Role = Literal["member", "steward"]
_OWN_NAME = "The name under which you are shown in the club; differs from every other member's in more than case."


def _no_default(schema: dict[str, Any]) -> None:
    schema.pop("default", None)


class ClubIn(In):
    """A new club. Whoever founds it is its first steward."""

    name: Name
    note: Note | None = None
    own_name: AccountName = Field(description=_OWN_NAME)


class ClubPatch(In):
    """A JSON Merge Patch of a club."""

    name: Name = Field("", json_schema_extra=_no_default)
    note: Note | None = None

    def alter(self, before: Club) -> Club:
        """The club under the words that were sent; the others stay."""
        name = self.name if "name" in self.model_fields_set else before.name
        note = self.note if "note" in self.model_fields_set else before.note
        return Club(before.id, name, note, before.created_at, before.version)


class MemberPatch(In):
    """A JSON Merge Patch of a member."""

    role: Role


class ClubInvitationIn(In):
    """An invitation into the club."""

    role: Role = Field("member", description="What whoever uses it becomes.")
    note: Annotated[Text, StringConstraints(max_length=200)] | None = Field(None, description="For whom it is.")
    expires_in_seconds: int = Field(7 * _DAY_SECONDS, ge=60, le=30 * _DAY_SECONDS)


class JoinIn(In):
    """What makes a membership of an invitation."""

    invitation: Secret
    name: AccountName = Field(description=_OWN_NAME)


class ClubOut(OldOut):
    """A club, as one of its members sees it."""

    id: str
    name: str
    note: str | None
    created_at: datetime
    role: Role = Field(description="Your own.")
    member_id: str = Field(description="Your own, in this club alone.")
    own_name: str


class ClubPageOut(OldPageOut):
    """A page of clubs."""

    items: list[ClubOut]


class MemberOut(OldOut):
    """A member; the id and the name are those of this club alone."""

    id: str
    name: str
    role: Role
    joined_at: datetime
    is_you: bool


class MemberPageOut(OldPageOut):
    """A page of members, in the order of their joining."""

    items: list[MemberOut]


class ClubInvitationOut(OldOut):
    """An invitation into the club; its text is shown once, when it is made."""

    id: str
    role: Role
    note: str | None
    status: str = Field(description="open, used, revoked or expired.")
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None
    used_by: str | None = Field(description="The member's id that it became, who may be gone since.")


class ClubInvitationMadeOut(ClubInvitationOut):
    """A new invitation with the text to hand over."""

    invitation: str


class ClubInvitationPageOut(OldPageOut):
    """A page of invitations."""

    items: list[ClubInvitationOut]


class SomebodyOut(OldOut):
    """A member, perhaps gone since, under the name of then."""

    id: str
    name: str


class DeedOut(OldOut):
    """What a steward did."""

    id: str
    at: datetime
    what: str = Field(
        description="founded, changed-club, changed-role, removed-member, left, invited, revoked-invitation, "
        "offered-definition, revised-definition or withdrawn-definition."
    )
    by: SomebodyOut
    whom: SomebodyOut | None
    about: str | None = Field(description="The role, the club's name, or the definition.")


class DeedPageOut(OldPageOut):
    """A page of what stewards did, in order."""

    items: list[DeedOut]


def shown_club(club: Club, seat: Membership) -> dict[str, Any]:
    return {
        "id": club.id,
        "name": club.name,
        "note": club.note,
        "created_at": club.created_at,
        "role": seat.role,
        "member_id": seat.id,
        "own_name": seat.name,
    }


def shown_member(member: Membership, seat: Membership) -> dict[str, Any]:
    """The member as whoever has the seat sees it."""
    known = {"id": member.id, "name": member.name, "role": member.role, "joined_at": member.joined_at}
    return {**known, "is_you": member.id == seat.id}


def shown_club_invitation(invitation: ClubInvitation, now: datetime) -> dict[str, Any]:
    way = invitation.way
    return {
        "id": way.id,
        "role": invitation.role,
        "note": way.note,
        "status": way.status(now),
        "created_at": way.created_at,
        "expires_at": way.expires_at,
        "used_at": way.used_at,
        "used_by": invitation.used_by,
    }


def shown_deed(deed: AuditEntry) -> dict[str, Any]:
    whom = None if deed.whom is None else _somebody(deed.whom)
    return {
        "id": deed.id,
        "at": deed.at,
        "what": deed.what,
        "by": _somebody(deed.by),
        "whom": whom,
        "about": deed.about,
    }


def _somebody(named: tuple[str, str]) -> dict[str, str]:
    return {"id": named[0], "name": named[1]}


def club_tag(club: Club, seat: Membership) -> str:
    """Changes with the club's words, and with the role of whoever sees it."""
    return entity_tag("club", club.id, club.version, seat.id, seat.role)


def member_tag(member: Membership) -> str:
    return entity_tag("member", member.id, member.role, member.name)

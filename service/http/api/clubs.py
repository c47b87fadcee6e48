"""Clubs: founding, steering, members, invitations, the list of what stewards did."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import Request
from msgspec import Meta
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.clubs.actions import members
from service.clubs.model import AuditEntry, Club, ClubInvitation, Membership
from service.clubs.store.members import ClubInvitationStore, ClubStore
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import (
    ClubInvitationId,
    Context,
    CurrentMember,
    CurrentOwner,
    Json,
    MemberId,
    Patch,
    Steward,
    UnreadPatch,
)
from service.http.idempotency import IdempotencyKey
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import Created, Paged, Reply, Tagged, WithSecret, created, tagged, with_secret
from service.http.wire import AccountName, In, Name, Out, Secret, Text

clubs = router("/v1", "Clubs")

_DAY_SECONDS = 24 * 60 * 60
_OWN_NAME = "The name under which you are shown in the club; differs from every other member's in more than case."
Note = Annotated[Text, StringConstraints(max_length=2_000)]
Role = Literal["member", "steward"]


# --- requests ------------------------------------------------------------------------------------------------------------


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

    def applied_to(self, before: Club) -> Club:
        """The club with the members that were sent; the others stay."""
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


# --- answers -------------------------------------------------------------------------------------------------------------


class ClubOut(Out):
    """A club, as one of its members sees it."""

    id: str
    name: str
    note: str | None
    created_at: datetime
    role: Annotated[Role, Meta(description="Your own.")]
    member_id: Annotated[str, Meta(description="Your own, in this club alone.")]
    own_name: str


class MemberOut(Out):
    """A member; the id and the name are those of this club alone."""

    id: str
    name: str
    role: Role
    joined_at: datetime
    is_you: bool


class ClubInvitationOut(Out):
    """An invitation into the club; its text is shown once, when it is made."""

    id: str
    role: Role
    note: str | None
    status: Annotated[Literal["open", "used", "revoked", "expired"], Meta(description="Whether it can still be used.")]
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None
    used_by: Annotated[str | None, Meta(description="The member's id that it became, who may be gone since.")]


class ClubInvitationMadeOut(ClubInvitationOut):
    """A new invitation with the text to hand over."""

    invitation: str


class SomebodyOut(Out):
    """A member, perhaps gone since, under the name of then."""

    id: str
    name: str


class AuditEntryOut(Out):
    """What a steward did."""

    id: str
    at: datetime
    what: Annotated[
        str,
        Meta(
            description="founded, changed-club, changed-role, removed-member, left, invited, revoked-invitation, "
            "offered-definition, revised-definition or withdrawn-definition."
        ),
    ]
    by: SomebodyOut
    whom: SomebodyOut | None
    about: Annotated[str | None, Meta(description="The role, the club's name, or the definition.")]


def club_out(club: Club, member: Membership) -> ClubOut:
    """The club as this member sees it."""
    return ClubOut(club.id, club.name, club.note, club.created_at, member.role, member.id, member.name)  # type: ignore[arg-type]


def member_out(shown: Membership, viewer: Membership) -> MemberOut:
    """A member as the viewer sees it."""
    return MemberOut(shown.id, shown.name, shown.role, shown.joined_at, shown.id == viewer.id)  # type: ignore[arg-type]


def _invitation_fields(invitation: ClubInvitation, now: datetime) -> dict[str, Any]:
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


def _audit_entry_out(entry: AuditEntry) -> AuditEntryOut:
    whom = None if entry.whom is None else SomebodyOut(*entry.whom)
    return AuditEntryOut(entry.id, entry.at, entry.what, SomebodyOut(*entry.by), whom, entry.about)


def club_tag(club: Club, member: Membership) -> str:
    """Changes with the club's words, and with the role of whoever sees it."""
    return entity_tag("club", club.id, club.version, member.id, member.role)


def member_tag(member: Membership) -> str:
    return entity_tag("member", member.id, member.role, member.name)


# --- clubs ---------------------------------------------------------------------------------------------------------------


@clubs.post("/clubs")
def create_club(context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Json[ClubIn]) -> Created[ClubOut]:
    """Found a club, as its steward."""

    def found(connection: Connection) -> Reply[ClubOut]:
        return _created(*members.found(connection, owner, body.name, body.note, body.own_name, context.now()))

    return key.once(context.database, owner, found)


@clubs.get("/clubs")
def list_clubs(request: Request, context: Context, owner: CurrentOwner, query: Paging) -> Paged[ClubOut]:
    """The clubs that you are a member of, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).of(owner, identity_key(after), limit),
            lambda entry: entry[0].id,
            lambda entry: club_out(*entry),
        )
    )


@clubs.get("/clubs/{club_id}")
def get_club(context: Context, member: CurrentMember, known: IfNoneMatch) -> Tagged[ClubOut]:
    """A club."""
    club = context.database.read(lambda connection: ClubStore(connection).get(member.club))
    return known.not_modified_or(club_tag(club, member), lambda: club_out(club, member))


@clubs.patch("/clubs/{club_id}")
def change_club(context: Context, member: Steward, expected: IfMatch, body: Patch[ClubPatch]) -> Tagged[ClubOut]:
    """Change a club's name or note (JSON Merge Patch)."""
    club = context.database.write(
        lambda connection: members.change(
            connection,
            member,
            body.applied_to,
            context.now(),
            expect=lambda before: expected.check(club_tag(before, member)),
        )
    )
    return tagged(club_out(club, member), club_tag(club, member))


@clubs.delete("/clubs/{club_id}", responses=problems("clash"))
def delete_club(context: Context, member: Steward, expected: IfMatch) -> None:
    """End a club that has no other members."""
    context.database.write(
        lambda connection: members.close(
            connection, member, expect=lambda before: expected.check(club_tag(before, member))
        )
    )


# --- members -------------------------------------------------------------------------------------------------------------


@clubs.get("/clubs/{club_id}/members")
def list_members(request: Request, context: Context, member: CurrentMember, query: Paging) -> Paged[MemberOut]:
    """The members, in the order of their joining."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).seats(member.club, identity_key(after), limit),
            lambda shown: shown.id,
            lambda shown: member_out(shown, member),
        )
    )


@clubs.get("/clubs/{club_id}/members/{member_id}")
def get_member(context: Context, member: CurrentMember, member_id: MemberId, known: IfNoneMatch) -> Tagged[MemberOut]:
    """One member."""
    shown = context.database.read(lambda connection: ClubStore(connection).seat(member.club, member_id))
    return known.not_modified_or(member_tag(shown), lambda: member_out(shown, member))


@clubs.patch("/clubs/{club_id}/members/{member_id}", responses=problems("clash"))
def change_member(
    context: Context, member: Steward, member_id: MemberId, expected: IfMatch, body: UnreadPatch[MemberPatch]
) -> Tagged[MemberOut]:
    """Make a member a steward, or a steward a member (JSON Merge Patch)."""

    def act(connection: Connection) -> Membership:
        # Whether there is such a member comes before what is wrong with the body.
        ClubStore(connection).seat(member.club, member_id)
        role = body.read().role
        return members.set_role(
            connection, member, member_id, role, context.now(), expect=lambda now: expected.check(member_tag(now))
        )

    changed = context.database.write(act)
    return tagged(member_out(changed, member), member_tag(changed))


@clubs.delete("/clubs/{club_id}/members/{member_id}", responses=problems("clash"))
def remove_member(context: Context, member: Steward, member_id: MemberId) -> None:
    """Remove a member: from the next request on the club does not exist for them."""
    # Without If-Match: whoever has to go has to go in whatever role.
    context.database.write(lambda connection: members.remove(connection, member, member_id, context.now()))


@clubs.delete("/clubs/{club_id}/membership", responses=problems("clash"))
def leave_club(context: Context, member: CurrentMember) -> None:
    """Leave: what you showed the club goes along, what you took from it stays yours."""
    context.database.write(lambda connection: members.leave(connection, member, context.now()))


@clubs.get("/clubs/{club_id}/audit")
def list_deeds(request: Request, context: Context, member: CurrentMember, query: Paging) -> Paged[AuditEntryOut]:
    """What stewards did, in order."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubStore(connection).deeds(member.club, identity_key(after), limit),
            lambda entry: entry.id,
            _audit_entry_out,
        )
    )


# --- invitations ---------------------------------------------------------------------------------------------------------


@clubs.post("/clubs/{club_id}/invitations")
def invite_to_club(
    context: Context, member: Steward, body: Json[ClubInvitationIn]
) -> WithSecret[ClubInvitationMadeOut]:
    """Invite somebody into the club."""
    now, lifetime = context.now(), timedelta(seconds=body.expires_in_seconds)
    # Without Idempotency-Key: the answer, which would be kept, has the secret in it.
    made, text = context.database.write(
        lambda connection: members.invite(connection, member, body.role, body.note, lifetime, now)
    )
    return with_secret(ClubInvitationMadeOut(**_invitation_fields(made, now), invitation=text))


@clubs.get("/clubs/{club_id}/invitations")
def list_club_invitations(
    request: Request, context: Context, member: Steward, query: Paging
) -> Paged[ClubInvitationOut]:
    """The club's invitations, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ClubInvitationStore(connection).page(member.club, identity_key(after), limit),
            lambda invitation: invitation.way.id,
            lambda invitation: ClubInvitationOut(**_invitation_fields(invitation, context.now())),
        )
    )


@clubs.delete("/clubs/{club_id}/invitations/{invitation_id}")
def revoke_club_invitation(context: Context, member: Steward, invitation_id: ClubInvitationId) -> None:
    """Revoke an invitation that nobody has used."""
    context.database.write(
        lambda connection: members.revoke_invitation(connection, member, invitation_id, context.now())
    )


@clubs.post("/club-memberships", responses=problems("wrong-credentials", "clash"))
def join_club(context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Json[JoinIn]) -> Created[ClubOut]:
    """Become a member by an invitation."""

    def join(connection: Connection) -> Reply[ClubOut]:
        secret = body.invitation.get_secret_value()
        return _created(*members.join(connection, owner, secret, body.name, context.now()))

    return key.once(context.database, owner, join)


def _created(club: Club, member: Membership) -> Reply[ClubOut]:
    return created(club_out(club, member), f"/v1/clubs/{club.id}", club_tag(club, member))

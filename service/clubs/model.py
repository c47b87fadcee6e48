"""Clubs: who may do what in them, what keeps them steered, and what they offer. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.accounts.model import Invitation, Owner
from service.definitions.model import Revision
from service.errors import Conflict, Forbidden

MEMBER, STEWARD = "member", "steward"
# A role may do all that stands before it, too.
ROLES = (MEMBER, STEWARD)


@dataclass(frozen=True, slots=True)
class Club:
    """`version` changes with every change of the club's own words and never comes again."""

    id: str
    name: str
    note: str | None
    created_at: datetime
    version: str


@dataclass(frozen=True, slots=True)
class Membership:
    """Somebody's membership. `id` is the member's id in this club alone and `name` the name shown in it: nobody is recognised
    across clubs by them."""

    club: str
    owner: Owner
    id: str
    role: str
    name: str
    joined_at: datetime

    def ensure(self, role: str) -> None:
        """Raises Forbidden unless the member may do what takes this role."""
        if ROLES.index(self.role) < ROLES.index(role):
            raise Forbidden("this takes a {role} of the club", role=role)


@dataclass(frozen=True, slots=True)
class MemberRoles:
    """The role of each member of one club, by the member's id. A club with members has a steward; so it stays."""

    roles: Mapping[str, str]

    @property
    def stewards(self) -> int:
        return sum(1 for role in self.roles.values() if role == STEWARD)

    def with_role(self, member: str, role: str) -> MemberRoles:
        """The roll when somebody, perhaps new, has this role. Raises Conflict when nobody would be left to steer."""
        return _steered({**self.roles, member: role})

    def without(self, member: str) -> MemberRoles:
        """The roll when somebody is gone. Raises Conflict when members would be left without a steward."""
        return _steered({name: role for name, role in self.roles.items() if name != member})

    def can_do_without(self, member: str) -> bool:
        """Whether the other members, if there are any, would still have a steward."""
        others = [role for name, role in self.roles.items() if name != member]
        return not others or STEWARD in others

    def ensure_only(self, member: str) -> None:
        """Raises Conflict while there are other members."""
        others = len(self.roles.keys() - {member})
        if others:
            raise Conflict(
                "the club has {others} other members: hand it over and leave, or remove them first", others=others
            )


def _steered(roles: Mapping[str, str]) -> MemberRoles:
    roll = MemberRoles(roles)
    if roles and not roll.stewards:
        raise Conflict("the club would be left without a steward: make another member a steward first")
    return roll


@dataclass(frozen=True, slots=True)
class ClubInvitation:
    """A way into the club with a role, used once. `used_by` is the member's id that it became."""

    role: str
    way: Invitation
    used_by: str | None = None


@dataclass(frozen=True, slots=True)
class ClubOffer:
    """One revision of a definition that the club offers, as it was when a steward offered it. The club counts revisions of
    its own; what they were made from stays with whoever made them."""

    definition: str
    number: int
    digest: str
    title: str
    document: Mapping[str, Any]
    note: str | None
    offered_by: str
    offered_at: datetime

    @property
    def as_revision(self) -> Revision:
        """The same, as a revision of one's own would be."""
        parts = (self.digest, self.title, self.document, self.offered_at, self.offered_at)
        return Revision(self.definition, self.number, "published", *parts)


@dataclass(frozen=True, slots=True)
class Copy:
    """A member's own definition that was taken from the club; `revision` is the club's number."""

    definition: str
    revision: int


@dataclass(frozen=True, slots=True)
class Consent:
    """What a member shows the club of one of its definitions. `photos` are those of coins in the display: see `as_kept`."""

    standing: bool = False
    spares: bool = False
    display: bool = False
    photos: bool = False

    @property
    def is_any(self) -> bool:
        return self.counts or self.display

    @property
    def counts(self) -> bool:
        """Whether the member's own standing is worth remembering."""
        return self.standing or self.spares

    @property
    def as_kept(self) -> Consent:
        """Photos are shown with their coins alone: who takes the coins out of the display and puts them in again later does not
        show photos again without saying so."""
        return replace(self, photos=self.photos and self.display)


NOTHING_SHOWN = Consent()

OFFERED, REVISED, WITHDRAWN = "offered", "revised", "withdrawn"


@dataclass(frozen=True, slots=True)
class Announcement:
    """What is new about what the club offers. `kind` is offered, revised or withdrawn."""

    id: str
    kind: str
    definition: str
    title: str
    revision: int
    note: str | None
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """What a steward did. `by` and `whom` are members' ids and the names that they had then."""

    id: str
    at: datetime
    what: str
    by: tuple[str, str]
    whom: tuple[str, str] | None = None
    about: str | None = None

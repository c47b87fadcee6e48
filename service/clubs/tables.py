"""Tables of clubs. They lead with the club, since they join across owners; what is one owner's own leads with the owner."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
    false,
)

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# The row is also the lock under which members and what is offered change.
club = Table(
    "club",
    metadata,
    Column("id", Identity, primary_key=True),
    Column("name", Text, nullable=False),
    Column("note", Text),
    Column("created_at", Instant, nullable=False),
    Column("version", Identity, nullable=False),
)

# `id` is the member's id in this club alone.
club_member = Table(
    "club_member",
    metadata,
    Column("club_id", Identity, ForeignKey("club.id", ondelete="CASCADE"), primary_key=True),
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True, index=True),
    Column("id", Identity, nullable=False),
    Column("role", String(20), nullable=False),
    Column("name", Text, nullable=False),
    Column("folded_name", Text, nullable=False),
    Column("joined_at", Instant, nullable=False),
    UniqueConstraint("club_id", "id"),
    UniqueConstraint("club_id", "folded_name"),
)

# `used_by` is a member's id and no foreign key: the invitation outlives the membership.
club_invitation = Table(
    "club_invitation",
    metadata,
    Column("club_id", Identity, ForeignKey("club.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("role", String(20), nullable=False),
    Column("note", Text),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("used_at", Instant),
    Column("used_by", Identity),
    Column("revoked_at", Instant),
    UniqueConstraint("digest"),
)

club_definition = Table(
    "club_definition",
    metadata,
    Column("club_id", Identity, ForeignKey("club.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("newest", Integer, nullable=False),
)

club_revision = Table(
    "club_revision",
    metadata,
    Column("club_id", Identity, primary_key=True),
    Column("club_definition_id", Identity, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("digest", String(80), nullable=False),
    Column("title", Text, nullable=False),
    Column("document", Document, nullable=False),
    Column("note", Text),
    Column("offered_by", Text, nullable=False),
    Column("offered_at", Instant, nullable=False),
    ForeignKeyConstraint(
        ["club_id", "club_definition_id"], ["club_definition.club_id", "club_definition.id"], ondelete="CASCADE"
    ),
)

# What it speaks of may be withdrawn since, so its id is no foreign key.
club_announcement = Table(
    "club_announcement",
    metadata,
    Column("club_id", Identity, ForeignKey("club.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("club_definition_id", Identity, nullable=False),
    Column("title", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("note", Text),
    Column("offered_by", Text, nullable=False),
    Column("at", Instant, nullable=False),
)

# Names as they were: the list still says who did what to whom when they are gone.
club_audit = Table(
    "club_audit",
    metadata,
    Column("club_id", Identity, ForeignKey("club.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("at", Instant, nullable=False),
    Column("what", String(40), nullable=False),
    Column("by_id", Identity, nullable=False),
    Column("by_name", Text, nullable=False),
    Column("whom_id", Identity),
    Column("whom_name", Text),
    Column("about", Text),
)

# No row: nothing is shown. It goes with the membership and with what is offered.
club_consent = Table(
    "club_consent",
    metadata,
    Column("club_id", Identity, primary_key=True),
    Column("club_definition_id", Identity, primary_key=True),
    Column("owner_id", Identity, primary_key=True),
    Column("standing", Boolean, nullable=False),
    Column("spares", Boolean, nullable=False),
    Column("display", Boolean, nullable=False),
    Column("photos", Boolean, nullable=False, server_default=false()),
    ForeignKeyConstraint(
        ["club_id", "club_definition_id"], ["club_definition.club_id", "club_definition.id"], ondelete="CASCADE"
    ),
    ForeignKeyConstraint(["club_id", "owner_id"], ["club_member.club_id", "club_member.owner_id"], ondelete="CASCADE"),
)

# Which of an owner's definitions was taken from a club. The ids of the club are no foreign keys: the copy is the owner's, and
# stays when the club is gone.
club_copy = Table(
    "club_copy",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("club_id", Identity, nullable=False),
    Column("club_definition_id", Identity, nullable=False),
    Column("revision", Integer, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
    UniqueConstraint("owner_id", "club_definition_id"),
)

# A cache, safe to drop. `basis` names all that the rest follows from. It goes with the consent.
club_standing = Table(
    "club_standing",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("club_definition_id", Identity, primary_key=True),
    Column("club_id", Identity, nullable=False),
    Column("basis", String(64), nullable=False),
    Column("counts", Document),
    Column("places", Document, nullable=False),
    Column("spares", Document, nullable=False),
    ForeignKeyConstraint(
        ["club_id", "club_definition_id", "owner_id"],
        ["club_consent.club_id", "club_consent.club_definition_id", "club_consent.owner_id"],
        ondelete="CASCADE",
    ),
)

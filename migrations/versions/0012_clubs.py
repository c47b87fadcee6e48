"""Clubs: members, invitations, what they offer, who shows what.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "club",
        sa.Column("id", identity, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("note", sa.Text),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_club"),
    )
    op.create_table(
        "club_member",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("folded_name", sa.Text, nullable=False),
        sa.Column("joined_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("club_id", "owner_id", name="pk_club_member"),
        sa.UniqueConstraint("club_id", "id", name="uq_club_member_club_id_id"),
        sa.UniqueConstraint("club_id", "folded_name", name="uq_club_member_club_id_folded_name"),
        sa.ForeignKeyConstraint(["club_id"], ["club.id"], ondelete="CASCADE", name="fk_club_member_club"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_club_member_account"),
    )
    op.create_index("ix_club_member_owner_id", "club_member", ["owner_id"])
    op.create_table(
        "club_invitation",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("note", sa.Text),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.Column("used_at", instant),
        sa.Column("used_by", identity),
        sa.Column("revoked_at", instant),
        sa.PrimaryKeyConstraint("club_id", "id", name="pk_club_invitation"),
        sa.UniqueConstraint("digest", name="uq_club_invitation_digest"),
        sa.ForeignKeyConstraint(["club_id"], ["club.id"], ondelete="CASCADE", name="fk_club_invitation_club"),
    )
    op.create_table(
        "club_definition",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("newest", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("club_id", "id", name="pk_club_definition"),
        sa.ForeignKeyConstraint(["club_id"], ["club.id"], ondelete="CASCADE", name="fk_club_definition_club"),
    )
    op.create_table(
        "club_revision",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("club_definition_id", identity, nullable=False),
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("note", sa.Text),
        sa.Column("offered_by", sa.Text, nullable=False),
        sa.Column("offered_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("club_id", "club_definition_id", "number", name="pk_club_revision"),
        sa.ForeignKeyConstraint(
            ["club_id", "club_definition_id"],
            ["club_definition.club_id", "club_definition.id"],
            ondelete="CASCADE",
            name="fk_club_revision_club_definition",
        ),
    )
    op.create_table(
        "club_announcement",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("club_definition_id", identity, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("note", sa.Text),
        sa.Column("offered_by", sa.Text, nullable=False),
        sa.Column("at", instant, nullable=False),
        sa.PrimaryKeyConstraint("club_id", "id", name="pk_club_announcement"),
        sa.ForeignKeyConstraint(["club_id"], ["club.id"], ondelete="CASCADE", name="fk_club_announcement_club"),
    )
    op.create_table(
        "club_audit",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("at", instant, nullable=False),
        sa.Column("what", sa.String(40), nullable=False),
        sa.Column("by_id", identity, nullable=False),
        sa.Column("by_name", sa.Text, nullable=False),
        sa.Column("whom_id", identity),
        sa.Column("whom_name", sa.Text),
        sa.Column("about", sa.Text),
        sa.PrimaryKeyConstraint("club_id", "id", name="pk_club_audit"),
        sa.ForeignKeyConstraint(["club_id"], ["club.id"], ondelete="CASCADE", name="fk_club_audit_club"),
    )
    op.create_table(
        "club_consent",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("club_definition_id", identity, nullable=False),
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("standing", sa.Boolean, nullable=False),
        sa.Column("spares", sa.Boolean, nullable=False),
        sa.Column("display", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("club_id", "club_definition_id", "owner_id", name="pk_club_consent"),
        sa.ForeignKeyConstraint(
            ["club_id", "club_definition_id"],
            ["club_definition.club_id", "club_definition.id"],
            ondelete="CASCADE",
            name="fk_club_consent_club_definition",
        ),
        sa.ForeignKeyConstraint(
            ["club_id", "owner_id"],
            ["club_member.club_id", "club_member.owner_id"],
            ondelete="CASCADE",
            name="fk_club_consent_club_member",
        ),
    )
    op.create_table(
        "club_copy",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("club_id", identity, nullable=False),
        sa.Column("club_definition_id", identity, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", name="pk_club_copy"),
        sa.UniqueConstraint("owner_id", "club_definition_id", name="uq_club_copy_owner_id_club_definition_id"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_club_copy_definition",
        ),
    )
    op.create_table(
        "club_standing",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("club_definition_id", identity, nullable=False),
        sa.Column("club_id", identity, nullable=False),
        sa.Column("basis", sa.String(64), nullable=False),
        sa.Column("counts", sa.Text),
        sa.Column("places", sa.Text, nullable=False),
        sa.Column("spares", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "club_definition_id", name="pk_club_standing"),
        sa.ForeignKeyConstraint(
            ["club_id", "club_definition_id", "owner_id"],
            ["club_consent.club_id", "club_consent.club_definition_id", "club_consent.owner_id"],
            ondelete="CASCADE",
            name="fk_club_standing_club_consent",
        ),
    )

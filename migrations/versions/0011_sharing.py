"""Shares, imports of definitions that wait for a yes, origins of definitions and what is newer there.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "share",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("name", sa.Text),
        sa.Column("follows", sa.Boolean, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant),
        sa.Column("uses_left", sa.Integer),
        sa.Column("revoked_at", instant),
        sa.Column("last_used_at", instant),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_share"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id", "revision"],
            ["definition_revision.owner_id", "definition_revision.definition_id", "definition_revision.number"],
            ondelete="CASCADE",
            name="fk_share_definition_revision",
        ),
        sa.UniqueConstraint("digest", name="uq_share_digest"),
    )
    op.create_table(
        "definition_import",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("address", sa.Text),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("etag", sa.Text),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("counts", sa.Text, nullable=False),
        sa.Column("findings", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.Column("definition_id", identity),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_definition_import"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_definition_import_account"),
    )
    op.create_table(
        "definition_origin",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("address", sa.Text),
        sa.Column("source_id", identity),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("revision", sa.Integer),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("recorded_at", instant, nullable=False),
        sa.Column("newest", sa.Integer),
        sa.Column("etag", sa.Text),
        sa.Column("checked_at", instant),
        sa.Column("next_check_at", instant),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("problem", sa.String(40)),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", name="pk_definition_origin"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_definition_origin_definition",
        ),
    )
    op.create_table(
        "origin_revision",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("number", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("fetched_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", "number", name="pk_origin_revision"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition_origin.owner_id", "definition_origin.definition_id"],
            ondelete="CASCADE",
            name="fk_origin_revision_definition_origin",
        ),
    )

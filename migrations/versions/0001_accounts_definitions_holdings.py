"""Accounts, tokens, remembered answers, definitions with revisions, holdings.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("id", identity, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("state", sa.BigInteger, nullable=False),
        sa.Column("chain", sa.String(32), nullable=False),
        sa.Column("min_state", sa.BigInteger, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_account"),
    )
    op.create_table(
        "token",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant),
        sa.Column("revoked_at", instant),
        sa.PrimaryKeyConstraint("owner_id", "digest", name="pk_token"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_token_account"),
    )
    op.create_index("ix_token_digest", "token", ["digest"])
    op.create_table(
        "remembered_answer",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("key", sa.String(255), nullable=False),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("headers", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "key", name="pk_remembered_answer"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_remembered_answer_account"),
    )
    op.create_table(
        "definition",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("published", sa.Integer, nullable=False),
        sa.Column("draft", sa.Text),
        sa.Column("draft_digest", sa.String(80)),
        sa.Column("draft_title", sa.Text),
        sa.Column("draft_created_at", instant),
        sa.Column("draft_updated_at", instant),
        sa.Column("declares", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_definition"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_definition_account"),
    )
    op.create_table(
        "definition_revision",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", "number", name="pk_definition_revision"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_definition_revision_definition",
        ),
    )
    op.create_table(
        "holding",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("modseq", sa.BigInteger, nullable=False),
        sa.Column("created_modseq", sa.BigInteger, nullable=False),
        sa.Column("destroyed", sa.Boolean, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("updated_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_holding"),
        sa.UniqueConstraint("owner_id", "modseq", name="uq_holding_owner_id_modseq"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_holding_account"),
    )

"""One-time texts for setting a new password, and what stays of mutations and deleted holdings after a purge.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "password_reset",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", name="pk_password_reset"),
        sa.UniqueConstraint("digest", name="uq_password_reset_digest"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_password_reset_account"),
    )
    op.create_table(
        "past_mutation",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("mutation_id", identity, nullable=False),
        sa.Column("holding_id", identity, nullable=False),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("status", sa.String(20), nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "mutation_id", name="pk_past_mutation"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_past_mutation_account"),
    )
    op.add_column("holding", sa.Column("purged", sa.Boolean, nullable=False, server_default=sa.false()))

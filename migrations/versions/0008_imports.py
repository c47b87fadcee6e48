"""Imports of holdings: what each did, so that it can be undone.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "holding_import",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("at", instant, nullable=False),
        sa.Column("name", sa.Text),
        sa.Column("format", sa.String(10), nullable=False),
        sa.Column("created", sa.Integer, nullable=False),
        sa.Column("updated", sa.Integer, nullable=False),
        sa.Column("unchanged", sa.Integer, nullable=False),
        sa.Column("refused", sa.Integer, nullable=False),
        sa.Column("trace", sa.Text, nullable=False),
        sa.Column("undone_at", instant),
        sa.Column("undone", sa.Text),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_holding_import"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_holding_import_account"),
    )

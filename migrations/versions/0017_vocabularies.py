"""Vocabularies that owners keep, beside the shipped ones.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
# In the order of code points on both engines.
name = sa.String(200).with_variant(sa.String(200, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "vocabulary",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("name", name, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("extends", name, nullable=True),
        sa.Column("concepts", sa.Integer, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("updated_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "name", name="pk_vocabulary"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_vocabulary_account"),
    )

"""The owner's own catalogue: issues beside the shipped ones, and the version of the whole.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
# In the order of code points on both engines.
name = sa.String(200).with_variant(sa.String(200, collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "issue",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", name, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("facts", sa.Text, nullable=False),
        sa.Column("look_alikes", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("edition", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("updated_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_issue"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_issue_account"),
    )
    op.create_table(
        "catalogue",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", name="pk_catalogue"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_catalogue_account"),
    )

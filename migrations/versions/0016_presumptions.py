"""What accounts presume, and which issue an own issue replaces.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
# In the order of code points on both engines.
name = sa.String(200).with_variant(sa.String(200, collation="C"), "postgresql")


def upgrade() -> None:
    op.add_column("issue", sa.Column("replaces", name))
    op.create_table(
        "presumption",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("presume", sa.Text, nullable=False),
        sa.Column("identify", sa.Text, nullable=False),
        sa.Column("updated_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", name="pk_presumption"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_presumption_account"),
    )

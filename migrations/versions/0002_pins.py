"""The owner's pins and nevers of a definition.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)


def upgrade() -> None:
    op.create_table(
        "definition_pins",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("pins", sa.Text, nullable=False),
        sa.Column("nevers", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", name="pk_definition_pins"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_definition_pins_definition",
        ),
    )

"""The owner's notes to a want list.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)


def upgrade() -> None:
    op.create_table(
        "want_notes",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("notes", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", name="pk_want_notes"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_want_notes_definition",
        ),
    )

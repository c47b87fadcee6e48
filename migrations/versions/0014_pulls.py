"""Which revision of its origin a definition took in, and what that said: the base of the next three-way merge.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)


def upgrade() -> None:
    op.create_table(
        "origin_pull",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("number", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("document", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "definition_id", "number", name="pk_origin_pull"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name="fk_origin_pull_definition",
        ),
    )

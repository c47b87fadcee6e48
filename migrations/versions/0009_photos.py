"""Photos of holdings: what is known of each; the images themselves lie on the shelf, by their digest.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "photo",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("holding_id", identity, nullable=False),
        sa.Column("side", sa.String(10), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("bytes", sa.BigInteger, nullable=False),
        sa.Column("stored_bytes", sa.BigInteger, nullable=False),
        sa.Column("added_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_photo"),
        sa.ForeignKeyConstraint(
            ["owner_id", "holding_id"],
            ["holding.owner_id", "holding.id"],
            ondelete="CASCADE",
            name="fk_photo_holding",
        ),
        sa.UniqueConstraint(
            "owner_id", "holding_id", "side", "digest", name="uq_photo_owner_id_holding_id_side_digest"
        ),
    )

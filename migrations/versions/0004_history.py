"""The history of a set, and its exhibitions.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)


def upgrade() -> None:
    _create(
        "filling",
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("place", sa.Text, nullable=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("holding_id", identity, nullable=False),
        sa.Column("basis", sa.String(20), nullable=False),
        sa.Column("since", sa.Date, nullable=False),
        sa.Column("until", sa.Date),
        key="number",
    )
    _create(
        "noted_day",
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("digest", sa.String(80), nullable=False),
        sa.Column("holdings_state", sa.Text, nullable=False),
        sa.Column("summary", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        key="day",
    )
    _create(
        "exhibition",
        sa.Column("id", identity, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("summary", sa.Text, nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("content", sa.Text, nullable=False),
        key="id",
    )


def _create(name: str, *columns: sa.Column[Any], key: str) -> None:
    """A table of things that belong to a definition and go with it."""
    op.create_table(
        name,
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("owner_id", "definition_id", key, name=f"pk_{name}"),
        sa.ForeignKeyConstraint(
            ["owner_id", "definition_id"],
            ["definition.owner_id", "definition.id"],
            ondelete="CASCADE",
            name=f"fk_{name}_definition",
        ),
    )

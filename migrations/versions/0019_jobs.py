"""Requests that are answered later.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "job",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("token_id", identity, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("method", sa.String(10), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("query", sa.Text, nullable=False),
        sa.Column("headers", sa.Text, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("doing", sa.Text, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("started_at", instant),
        sa.Column("ended_at", instant),
        sa.Column("lease_until", instant),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("status", sa.Integer),
        sa.Column("answer_headers", sa.Text),
        sa.Column("answer", sa.LargeBinary),
        sa.Column("detail", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_job"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_job_account"),
    )
    op.create_index("ix_job_state", "job", ["state"])

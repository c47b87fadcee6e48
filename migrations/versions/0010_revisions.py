"""Revisions that are withdrawn, and the one that the owner's set follows.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.add_column("definition", sa.Column("adopted", sa.Integer))
    op.add_column("definition_revision", sa.Column("withdrawn_at", instant))
    op.add_column("definition_revision", sa.Column("withdrawn_because", sa.Text))

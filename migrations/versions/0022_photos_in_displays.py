"""A consent of its own to photos in a club's display. Nobody has given it yet: what was agreed to before spoke of no photos."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("club_consent", sa.Column("photos", sa.Boolean, nullable=False, server_default=sa.false()))

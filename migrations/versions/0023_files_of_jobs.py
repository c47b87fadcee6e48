"""Long answers of jobs are kept as files, and an answer is shown to tokens that might have asked for it.

Jobs of before have neither: what they answered is in their row, and needed no scope beyond that of reading.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("job", sa.Column("scopes", sa.Text))
    op.add_column("job", sa.Column("answer_file", sa.Text))
    op.add_column("job", sa.Column("answer_bytes", sa.BigInteger))

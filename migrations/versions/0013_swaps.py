"""Proposed swaps among members of a club, and each side's answer.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "swap_proposal",
        sa.Column("club_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("definition_id", identity, nullable=False),
        sa.Column("version", identity, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("legs", sa.Text, nullable=False),
        sa.Column("proposed_by", identity, nullable=False),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.Column("decided_at", instant),
        sa.Column("reason", sa.Text),
        sa.PrimaryKeyConstraint("club_id", "id", name="pk_swap_proposal"),
    )
    op.create_table(
        "swap_answer",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("club_id", identity, nullable=False),
        sa.Column("proposal_id", identity, nullable=False),
        sa.Column("accepted_at", instant),
        sa.PrimaryKeyConstraint("owner_id", "club_id", "proposal_id", name="pk_swap_answer"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_swap_answer_account"),
        sa.ForeignKeyConstraint(
            ["club_id", "proposal_id"],
            ["swap_proposal.club_id", "swap_proposal.id"],
            ondelete="CASCADE",
            name="fk_swap_answer_swap_proposal",
        ),
    )
    op.create_index("ix_swap_answer_club_id_proposal_id", "swap_answer", ["club_id", "proposal_id"])

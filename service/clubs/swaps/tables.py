"""Tables of proposed swaps."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, ForeignKeyConstraint, Index, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# `legs` name members and coins of several owners, so it belongs to the club; it goes when one of them takes his data along.
swap_proposal = Table(
    "swap_proposal",
    metadata,
    Column("club_id", Identity, primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("definition_id", Identity, nullable=False),
    Column("version", Identity, nullable=False),
    Column("state", String(20), nullable=False),
    Column("legs", Document, nullable=False),
    Column("proposed_by", Identity, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("decided_at", Instant),
    Column("reason", Text),
)

# One row for each side from the start; `accepted_at` is none until it said yes.
swap_answer = Table(
    "swap_answer",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("club_id", Identity, primary_key=True),
    Column("proposal_id", Identity, primary_key=True),
    Column("accepted_at", Instant),
    ForeignKeyConstraint(["club_id", "proposal_id"], ["swap_proposal.club_id", "swap_proposal.id"], ondelete="CASCADE"),
    Index("ix_swap_answer_club_id_proposal_id", "club_id", "proposal_id"),
)

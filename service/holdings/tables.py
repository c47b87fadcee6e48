"""The table of holdings."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Table, UniqueConstraint

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# One state of the owner for each changed row: with the unique key, two changes that share a state are an error and
# never a change that a client misses. A destroyed holding keeps its row as a marker, without its data.
holding = Table(
    "holding",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("modseq", BigInteger, nullable=False),
    Column("created_modseq", BigInteger, nullable=False),
    Column("destroyed", Boolean, nullable=False),
    Column("data", Document, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
    UniqueConstraint("owner_id", "modseq"),
)

"""The table of photos."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKeyConstraint, Integer, String, Table, UniqueConstraint

from service.database.metadata import metadata
from service.database.types import Identity, Instant

# `digest` names the images in the blob store; several rows of an owner may name the same ones. No row is ever changed.
photo = Table(
    "photo",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("holding_id", Identity, nullable=False),
    Column("side", String(10), nullable=False),
    Column("digest", String(64), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("bytes", BigInteger, nullable=False),
    Column("stored_bytes", BigInteger, nullable=False),
    Column("added_at", Instant, nullable=False),
    ForeignKeyConstraint(["owner_id", "holding_id"], ["holding.owner_id", "holding.id"], ondelete="CASCADE"),
    UniqueConstraint("owner_id", "holding_id", "side", "digest"),
)

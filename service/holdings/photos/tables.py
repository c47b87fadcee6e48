"""The tables of photos: which photo a holding names, and the files that were received."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
)

from service.database.metadata import metadata
from service.database.types import Identity, Instant

# What the field `photos` of each holding says, one row for each side and photo: written whenever the field changes, so that it
# can be asked who names a file. The rows of a deleted holding stay, as its values do.
photo = Table(
    "photo",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("holding_id", Identity, nullable=False),
    Column("side", String(10), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("added_at", Instant, nullable=False),
    ForeignKeyConstraint(["owner_id", "holding_id"], ["holding.owner_id", "holding.id"], ondelete="CASCADE"),
    # Named after what the column was called once: SQLite cannot name a constraint anew.
    UniqueConstraint("owner_id", "holding_id", "side", "sha256", name="uq_photo_owner_id_holding_id_side_digest"),
    Index("ix_photo_owner_id_sha256", "owner_id", "sha256"),
)

# A file by the SHA-256 under which it was sent. `digest` names the images in the blob store, which are drawn anew; several files
# may have the same. `added_at` is when it was sent last.
photo_file = Table(
    "photo_file",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("sha256", String(64), primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("width", Integer, nullable=False),
    Column("height", Integer, nullable=False),
    Column("bytes", BigInteger, nullable=False),
    Column("stored_bytes", BigInteger, nullable=False),
    Column("added_at", Instant, nullable=False),
)

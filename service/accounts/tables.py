"""Tables of accounts, tokens and remembered answers."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# `state` and `chain` are the state of the owner's holdings; the row is also the lock under which they change.
# Changes up to `min_state` can no longer be listed one by one.
account = Table(
    "account",
    metadata,
    Column("id", Identity, primary_key=True),
    Column("name", Text, nullable=False),
    Column("state", BigInteger, nullable=False),
    Column("chain", String(32), nullable=False),
    Column("min_state", BigInteger, nullable=False),
    Column("created_at", Instant, nullable=False),
)

token = Table(
    "token",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("digest", String(64), primary_key=True, index=True),
    Column("name", Text, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant),
    Column("revoked_at", Instant),
)

remembered_answer = Table(
    "remembered_answer",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("key", String(255), primary_key=True),
    Column("fingerprint", String(64), nullable=False),
    Column("status", Integer, nullable=False),
    Column("headers", Document, nullable=False),
    Column("body", Text, nullable=False),
    Column("at", Instant, nullable=False),
)

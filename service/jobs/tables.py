"""The table of jobs. A job that runs is held by its attempt until `lease_until`: past that another may take it up.
A long answer is in a file (jobs/files.py)."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, ForeignKey, Integer, LargeBinary, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

job = Table(
    "job",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("token_id", Identity, nullable=False),
    Column("state", String(20), nullable=False, index=True),
    Column("method", String(10), nullable=False),
    Column("path", Text, nullable=False),
    Column("query", Text, nullable=False),
    Column("headers", Document, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("doing", Text, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("started_at", Instant),
    Column("ended_at", Instant),
    Column("lease_until", Instant),
    Column("attempts", Integer, nullable=False),
    Column("status", Integer),
    Column("answer_headers", Document),
    Column("answer", LargeBinary),
    Column("detail", Text, nullable=False),
    # Null: of a job from before there were these.
    Column("scopes", Document),
    Column("answer_file", Text),
    Column("answer_bytes", BigInteger),
)

"""Tables of what owners add to the reference data: own issues and vocabularies, and what their accounts presume."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Integer, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# The id is a text and no UUID: a catalogue names its issues, and those names go with the coins from file to file. Its
# order is that of code points on both engines (SQLite's own; "C" on PostgreSQL), as Python sorts the shipped ones.
_NAME = String(200).with_variant(String(200, collation="C"), "postgresql")

issue = Table(
    "issue",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", _NAME, primary_key=True),
    Column("version", Identity, nullable=False),
    Column("label", Text, nullable=False),
    Column("facts", Document, nullable=False),
    Column("look_alikes", Document, nullable=False),
    Column("source", Text, nullable=False),
    Column("edition", Text, nullable=False),
    Column("replaces", _NAME),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

# `concepts` counts those of `content`, which has all that was sent but the name.
vocabulary = Table(
    "vocabulary",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("name", _NAME, primary_key=True),
    Column("version", Identity, nullable=False),
    Column("extends", _NAME, nullable=True),
    Column("concepts", Integer, nullable=False),
    Column("content", Document, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

# One row for each owner who ever changed an issue, a vocabulary or what is presumed. `version` changes in the transaction of
# every change, so that whoever keeps an answer asks for one row, and not for all of them.
catalogue = Table(
    "catalogue",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("version", Identity, nullable=False),
)

# What the account presumes, both lists as they were sent.
presumption = Table(
    "presumption",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("version", Identity, nullable=False),
    Column("presume", Document, nullable=False),
    Column("identify", Document, nullable=False),
    Column("updated_at", Instant, nullable=False),
)

"""Tables of definitions and their revisions."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, ForeignKeyConstraint, Integer, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# `draft` is the document being worked on, if there is one; `declares` are the attributes of the newest document, kept
# apart so that checking a holding's facts does not read whole documents.
definition = Table(
    "definition",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("version", Identity, nullable=False),
    Column("published", Integer, nullable=False),
    Column("draft", Document),
    Column("draft_digest", String(80)),
    Column("draft_title", Text),
    Column("draft_created_at", Instant),
    Column("draft_updated_at", Instant),
    Column("declares", Document, nullable=False),
)

definition_revision = Table(
    "definition_revision",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("digest", String(80), nullable=False),
    Column("title", Text, nullable=False),
    Column("document", Document, nullable=False),
    Column("created_at", Instant, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

# The owner's pins and nevers of one definition, as one document: they are read and written together.
definition_pins = Table(
    "definition_pins",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("version", Identity, nullable=False),
    Column("pins", Document, nullable=False),
    Column("nevers", Document, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

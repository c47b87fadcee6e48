"""Tables of definitions and their revisions."""

from __future__ import annotations

from sqlalchemy import Column, Date, ForeignKey, ForeignKeyConstraint, Integer, String, Table, Text

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# `draft` is the document being worked on, if there is one; `declares` are the attributes of the newest document, `carries` its
# vocabularies, kept apart so that checking a holding's facts and a search do not read whole documents; `adopted` is the number of
# the revision that the owner's set follows.
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
    Column("carries", Document, nullable=False),
    Column("adopted", Integer),
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
    Column("withdrawn_at", Instant),
    Column("withdrawn_because", Text),
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

# The owner's notes to the want list of one definition, as one document.
want_notes = Table(
    "want_notes",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("version", Identity, nullable=False),
    Column("notes", Document, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

# Which coin sat in which place, from the day `since` up to and without the day `until`; none: still. The holding's id is
# no foreign key: the history outlives the holding.
filling = Table(
    "filling",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("place", Text, nullable=False),
    Column("label", Text, nullable=False),
    Column("holding_id", Identity, nullable=False),
    Column("basis", String(20), nullable=False),
    Column("since", Date, nullable=False),
    Column("until", Date),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

# What the last note of a day rested on.
noted_day = Table(
    "noted_day",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("day", Date, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("digest", String(80), nullable=False),
    Column("holdings_state", Text, nullable=False),
    Column("summary", Document, nullable=False),
    Column("at", Instant, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

# An evaluation with loans, as it was; `content` is the whole of it.
exhibition = Table(
    "exhibition",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("title", Text, nullable=False),
    Column("day", Date, nullable=False),
    Column("summary", Document, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("content", Document, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

"""Tables of shares, imports of definitions, origins and their newer revisions, pulls."""

from __future__ import annotations

from sqlalchemy import Boolean, Column, ForeignKey, ForeignKeyConstraint, Integer, String, Table, Text, UniqueConstraint

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# Of the link's secret only the SHA-256 is stored.
share = Table(
    "share",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("definition_id", Identity, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("name", Text),
    Column("follows", Boolean, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant),
    Column("uses_left", Integer),
    Column("revoked_at", Instant),
    Column("last_used_at", Instant),
    ForeignKeyConstraint(
        ["owner_id", "definition_id", "revision"],
        ["definition_revision.owner_id", "definition_revision.definition_id", "definition_revision.number"],
        ondelete="CASCADE",
    ),
    UniqueConstraint("digest"),
)

# A definition that was fetched or sent, and checked; `definition_id` is set when it is confirmed. `address` may be a link with
# its secret, which is needed to ask the origin again; it is shown to the owner only.
definition_import = Table(
    "definition_import",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("address", Text),
    Column("title", Text, nullable=False),
    Column("revision", Integer),
    Column("digest", String(80), nullable=False),
    Column("etag", Text),
    Column("document", Document, nullable=False),
    Column("counts", Document, nullable=False),
    Column("findings", Document, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("definition_id", Identity),
)

# Where a definition came from; title, revision and digest are those of the origin at that time. `source_id` is a definition of
# the same owner. `newest` is the newest revision known at the origin.
definition_origin = Table(
    "definition_origin",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("address", Text),
    Column("source_id", Identity),
    Column("title", Text, nullable=False),
    Column("revision", Integer),
    Column("digest", String(80), nullable=False),
    Column("recorded_at", Instant, nullable=False),
    Column("newest", Integer),
    Column("etag", Text),
    Column("checked_at", Instant),
    Column("next_check_at", Instant),
    Column("failures", Integer, nullable=False),
    Column("problem", String(40)),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

# Newer revisions of the origin, which the owner may pull.
origin_revision = Table(
    "origin_revision",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("digest", String(80), nullable=False),
    Column("title", Text, nullable=False),
    Column("document", Document, nullable=False),
    Column("fetched_at", Instant, nullable=False),
    ForeignKeyConstraint(
        ["owner_id", "definition_id"],
        ["definition_origin.owner_id", "definition_origin.definition_id"],
        ondelete="CASCADE",
    ),
)

# The revision of the origin that was merged into a revision of the owner's, or into the draft with that number: the base of the
# next merge.
origin_pull = Table(
    "origin_pull",
    metadata,
    Column("owner_id", Identity, primary_key=True),
    Column("definition_id", Identity, primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("revision", Integer, nullable=False),
    Column("digest", String(80), nullable=False),
    Column("document", Document, nullable=False),
    ForeignKeyConstraint(["owner_id", "definition_id"], ["definition.owner_id", "definition.id"], ondelete="CASCADE"),
)

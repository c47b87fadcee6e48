"""The table of holdings."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Integer, String, Table, Text, UniqueConstraint, false

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# One state of the owner for each changed row: with the unique key, two changes that share a state are an error and
# never a change that a client misses. A destroyed holding keeps its row as a marker; its data go when it is purged.
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
    # By name who wrote the value and when: [mutation id, instant], or an object where there are several, or a list whose
    # elements have writers of their own. Conflicts are kept until the owner resolves them.
    Column("writers", Document, nullable=False, server_default="{}"),
    Column("conflicts", Document, nullable=False, server_default="[]"),
    # Those that destroyed it: [mutation id, instant].
    Column("deletes", Document, nullable=False, server_default="[]"),
    # Of a destroyed holding: its values are gone for good, and only the marker is left.
    Column("purged", Boolean, nullable=False, server_default=false()),
    UniqueConstraint("owner_id", "modseq"),
)

# Every mutation that had a verdict, until it is purged: the proof of the owner's history (`chain` at `modseq`), the answer
# that a device gets again, and what rebuilds every record.
mutation = Table(
    "mutation",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("mutation_id", Identity, primary_key=True),
    Column("client_id", Text, nullable=False),
    Column("holding_id", Identity, nullable=False),
    Column("modseq", BigInteger),
    Column("chain", String(32)),
    Column("fingerprint", String(64), nullable=False),
    Column("answer", Document, nullable=False),
    Column("body", Document, nullable=False),
    Column("lists", Document, nullable=False),
    Column("at", Instant, nullable=False),
    UniqueConstraint("owner_id", "modseq"),
)

# What stays for good of a mutation that was purged and had not been rejected: sent again, it is known.
past_mutation = Table(
    "past_mutation",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("mutation_id", Identity, primary_key=True),
    Column("holding_id", Identity, nullable=False),
    Column("fingerprint", String(64), nullable=False),
    Column("status", String(20), nullable=False),
)

# An import that was carried out. `trace`: what it created (by id a digest) and changed (before and after), for undoing.
holding_import = Table(
    "holding_import",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("at", Instant, nullable=False),
    Column("name", Text),
    Column("format", String(10), nullable=False),
    Column("created", Integer, nullable=False),
    Column("updated", Integer, nullable=False),
    Column("unchanged", Integer, nullable=False),
    Column("refused", Integer, nullable=False),
    Column("trace", Document, nullable=False),
    Column("undone_at", Instant),
    Column("undone", Document),
)

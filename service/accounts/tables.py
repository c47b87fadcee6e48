"""Tables of accounts, tokens, invitations, pairings, attempts and remembered answers. Of a secret only the hash is stored."""

from __future__ import annotations

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Integer, String, Table, Text, UniqueConstraint

from service.database.metadata import metadata
from service.database.types import Document, Identity, Instant

# `state` and `chain` are the state of the owner's holdings; the row is also the lock under which they change.
# The log of mutations begins at the state `min_state`; 0: nothing was purged from it. Names are compared by `folded_name`.
account = Table(
    "account",
    metadata,
    Column("id", Identity, primary_key=True),
    Column("name", Text, nullable=False),
    Column("state", BigInteger, nullable=False),
    Column("chain", String(32), nullable=False),
    Column("min_state", BigInteger, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("folded_name", Text, nullable=False),
    Column("is_admin", Boolean, nullable=False),
    Column("password_hash", Text),
    UniqueConstraint("folded_name"),
)

# `scopes` are separated by spaces, as in OAuth (RFC 6749, section 3.3).
token = Table(
    "token",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("digest", String(64), primary_key=True, index=True),
    Column("name", Text, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant),
    Column("revoked_at", Instant),
    Column("id", Identity, nullable=False),
    Column("scopes", Text, nullable=False),
    Column("is_device", Boolean, nullable=False),
    Column("last_used_at", Instant),
    UniqueConstraint("owner_id", "id"),
)

# At most one for each account; deleted when it is used.
password_reset = Table(
    "password_reset",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    UniqueConstraint("digest"),
)

# The owner is the inviter.
invitation = Table(
    "invitation",
    metadata,
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE"), primary_key=True),
    Column("id", Identity, primary_key=True),
    Column("digest", String(64), nullable=False),
    Column("note", Text),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant, nullable=False),
    Column("used_at", Instant),
    Column("revoked_at", Instant),
    UniqueConstraint("digest"),
)

# Without an owner until it is approved or denied; deleted an hour after it expired.
device_pairing = Table(
    "device_pairing",
    metadata,
    Column("device_digest", String(64), primary_key=True),
    Column("user_digest", String(64), nullable=False),
    Column("expires_at", Instant, nullable=False, index=True),
    Column("interval_seconds", Integer, nullable=False),
    Column("polled_at", Instant),
    Column("status", String(20), nullable=False),
    Column("owner_id", Identity, ForeignKey("account.id", ondelete="CASCADE")),
    Column("name", Text, nullable=False),
    Column("scopes", Text, nullable=False),
    UniqueConstraint("user_digest"),
)

# Counts of attempts, by the hash of a name, an owner or an address; deleted a day after the last attempt.
attempt = Table(
    "attempt",
    metadata,
    Column("key", String(64), primary_key=True),
    Column("tries", Integer, nullable=False),
    Column("last_at", Instant, nullable=False, index=True),
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

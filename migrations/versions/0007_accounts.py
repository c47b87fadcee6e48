"""More accounts than one: names that differ, passwords, scoped tokens, invitations, pairings, counted attempts.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import unicodedata
import uuid

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)


def upgrade() -> None:
    with op.batch_alter_table("account") as account:
        account.add_column(sa.Column("folded_name", sa.Text))
        account.add_column(sa.Column("is_admin", sa.Boolean, nullable=False, server_default=sa.false()))
        account.add_column(sa.Column("password_hash", sa.Text))
    with op.batch_alter_table("token") as token:
        token.add_column(sa.Column("id", identity))
        token.add_column(sa.Column("scopes", sa.Text, nullable=False, server_default="read write evaluate admin"))
        token.add_column(sa.Column("is_device", sa.Boolean, nullable=False, server_default=sa.false()))
        token.add_column(sa.Column("last_used_at", instant))
    _fill()
    with op.batch_alter_table("account") as account:
        account.alter_column("folded_name", existing_type=sa.Text, nullable=False)
        account.alter_column("is_admin", existing_type=sa.Boolean, existing_nullable=False, server_default=None)
        account.create_unique_constraint("uq_account_folded_name", ["folded_name"])
    with op.batch_alter_table("token") as token:
        token.alter_column("id", existing_type=identity, nullable=False)
        token.alter_column("scopes", existing_type=sa.Text, existing_nullable=False, server_default=None)
        token.alter_column("is_device", existing_type=sa.Boolean, existing_nullable=False, server_default=None)
        token.create_unique_constraint("uq_token_owner_id_id", ["owner_id", "id"])
    op.create_table(
        "invitation",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("id", identity, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("note", sa.Text),
        sa.Column("created_at", instant, nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.Column("used_at", instant),
        sa.Column("revoked_at", instant),
        sa.PrimaryKeyConstraint("owner_id", "id", name="pk_invitation"),
        sa.UniqueConstraint("digest", name="uq_invitation_digest"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_invitation_account"),
    )
    op.create_table(
        "device_pairing",
        sa.Column("device_digest", sa.String(64), nullable=False),
        sa.Column("user_digest", sa.String(64), nullable=False),
        sa.Column("expires_at", instant, nullable=False),
        sa.Column("interval_seconds", sa.Integer, nullable=False),
        sa.Column("polled_at", instant),
        sa.Column("status", sa.String(20), nullable=False),
        sa.Column("owner_id", identity),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("scopes", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("device_digest", name="pk_device_pairing"),
        sa.UniqueConstraint("user_digest", name="uq_device_pairing_user_digest"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_device_pairing_account"),
    )
    op.create_index("ix_device_pairing_expires_at", "device_pairing", ["expires_at"])
    op.create_table(
        "attempt",
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("last_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_attempt"),
    )
    op.create_index("ix_attempt_last_at", "attempt", ["last_at"])


def _fill() -> None:
    """The oldest account may invite; of accounts with one name the oldest keeps it, the others get a part of their id
    added; every token gets an id."""
    connection = op.get_bind()
    account = sa.table(
        "account",
        sa.column("id", identity),
        sa.column("name", sa.Text),
        sa.column("folded_name", sa.Text),
        sa.column("is_admin", sa.Boolean),
        sa.column("created_at", instant),
    )
    token = sa.table(
        "token", sa.column("owner_id", identity), sa.column("digest", sa.String), sa.column("id", identity)
    )
    taken: set[str] = set()
    query = sa.select(account.c.id, account.c.name).order_by(account.c.created_at, account.c.id)
    for row in connection.execute(query).all():
        name = unicodedata.normalize("NFC", row.name)
        if _folded(name) in taken:
            name = f"{name} {row.id}"
        values = {"name": name, "folded_name": _folded(name), "is_admin": not taken}
        taken.add(_folded(name))
        connection.execute(sa.update(account).where(account.c.id == row.id).values(**values))
    for row in connection.execute(sa.select(token.c.owner_id, token.c.digest)).all():
        this = (token.c.owner_id == row.owner_id, token.c.digest == row.digest)
        connection.execute(sa.update(token).where(*this).values(id=str(uuid.uuid4())))


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())

"""Photos become a field of their holding, `photos`, which devices merge; their files get a table of their own.

Each photo of a holding is put into the field by an entry in the log of sync, as a copy of what is there: so devices are told, and
records can be rebuilt from the log as before. A fact that had the name `photos` is `facts.photos` in the names of sync.

The types and the chain of states are written out here and not imported: a migration keeps meaning what it meant when the models
move on.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import msgspec
import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

NAMES = ("photos",)
identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
account = sa.table(
    "account", sa.column("id", identity), sa.column("state", sa.BigInteger), sa.column("chain", sa.String)
)
photo = sa.table(
    "photo",
    *(sa.column(name, identity) for name in ("owner_id", "id", "holding_id")),
    *(sa.column(name, sa.String) for name in ("side", "digest", "kind")),
    *(sa.column(name, sa.BigInteger) for name in ("width", "height", "bytes", "stored_bytes")),
    sa.column("added_at", instant),
)
holding = sa.table(
    "holding",
    *(sa.column(name, identity) for name in ("owner_id", "id")),
    *(sa.column(name, sa.Text) for name in ("data", "writers", "conflicts")),
    sa.column("modseq", sa.BigInteger),
    *(sa.column(name, sa.Boolean) for name in ("destroyed", "purged")),
)
mutation = sa.table(
    "mutation",
    *(sa.column(name, identity) for name in ("owner_id", "mutation_id", "holding_id")),
    *(sa.column(name, sa.Text) for name in ("client_id", "chain", "fingerprint", "answer", "body", "lists")),
    sa.column("modseq", sa.BigInteger),
    sa.column("at", instant),
)
_decode = msgspec.json.Decoder(float_hook=Decimal).decode
_encode = msgspec.json.Encoder(decimal_format="number").encode
_ordered = msgspec.json.Encoder(order="sorted", decimal_format="number").encode


def upgrade() -> None:
    _rename(holding, holding.c.id, {"writers": _keys, "conflicts": _conflicts})
    _rename(mutation, mutation.c.mutation_id, {"body": _body, "lists": _keys})
    _make_files()
    now = datetime.now(UTC)
    connection = op.get_bind()
    for owner in connection.execute(sa.select(photo.c.owner_id).distinct()).scalars().all():
        _put_into_the_field(connection, owner, now)
    op.execute("ALTER TABLE photo RENAME COLUMN digest TO sha256")
    for name in ("kind", "width", "height", "bytes", "stored_bytes"):
        op.drop_column("photo", name)
    op.create_index("ix_photo_owner_id_sha256", "photo", ["owner_id", "sha256"])


def _make_files() -> None:
    op.create_table(
        "photo_file",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("width", sa.Integer, nullable=False),
        sa.Column("height", sa.Integer, nullable=False),
        sa.Column("bytes", sa.BigInteger, nullable=False),
        sa.Column("stored_bytes", sa.BigInteger, nullable=False),
        sa.Column("added_at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "sha256", name="pk_photo_file"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_photo_file_account"),
    )
    about = [sa.func.max(photo.c[name]) for name in ("kind", "width", "height", "bytes", "stored_bytes", "added_at")]
    once = sa.select(photo.c.owner_id, photo.c.digest, photo.c.digest, *about).group_by(
        photo.c.owner_id, photo.c.digest
    )
    columns = ("owner_id", "sha256", "digest", "kind", "width", "height", "bytes", "stored_bytes", "added_at")
    into = sa.table("photo_file", *(sa.column(name) for name in columns))
    op.get_bind().execute(sa.insert(into).from_select(list(columns), once))


def _put_into_the_field(connection: sa.Connection, owner: str, now: datetime) -> None:
    """An entry in the owner's log for each holding that has photos."""
    texts = defaultdict[str, list[str]](list)
    query = sa.select(photo.c.holding_id, photo.c.digest, photo.c.side).where(photo.c.owner_id == owner)
    for row in connection.execute(query.order_by(photo.c.id)):
        texts[row.holding_id].append(f"{row.digest} {row.side}")
    state, chain = connection.execute(sa.select(account.c.state, account.c.chain).where(account.c.id == owner)).one()
    for holding_id in sorted(texts):
        mine = (holding.c.owner_id == owner, holding.c.id == holding_id)
        row = connection.execute(sa.select(holding).where(*mine)).one()
        if row.purged:
            # Only its marker is left, which names nothing.
            connection.execute(sa.delete(photo).where(photo.c.owner_id == owner, photo.c.holding_id == holding_id))
            continue
        made = _new_id()
        state, chain = state + 1, hashlib.sha256((chain + made).encode()).hexdigest()[:32]
        body = {
            "op": "create",
            "id": holding_id,
            "patch": {"photos": texts[holding_id]},
            "writers": {"photos": made},
            "edited_at": now.isoformat(),
            "left_apart": [],
        }
        entry = {
            "owner_id": owner,
            "mutation_id": made,
            "client_id": "service",
            "holding_id": holding_id,
            "modseq": state,
            "chain": chain,
            "fingerprint": hashlib.sha256(_ordered(body)).hexdigest(),
            "answer": _encode({"mutation_id": made, "status": "applied"}).decode(),
            "body": _encode(body).decode(),
            "lists": "{}",
            "at": now,
        }
        connection.execute(sa.insert(mutation).values(**entry))
        named = [{"sha256": text[: text.index(" ")], "side": text[text.index(" ") + 1 :]} for text in texts[holding_id]]
        data = {**_decode(row.data), "photos": [{**each, "taken_at": None} for each in named]}
        writers = {**_decode(row.writers), "photos": [made, now.isoformat()]}
        values = {"data": _encode(data).decode(), "writers": _encode(writers).decode(), "modseq": state}
        connection.execute(sa.update(holding).where(*mine).values(**values))
    connection.execute(sa.update(account).where(account.c.id == owner).values(state=state, chain=chain))


def _new_id() -> str:
    """A UUID of version 7 (RFC 9562, section 5.7)."""
    number = time.time_ns() // 1_000_000 << 80 | 7 << 76 | secrets.randbits(12) << 64 | 2 << 62 | secrets.randbits(62)
    text = f"{number:032x}"
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def _rename(table: Any, key: Any, renamed: dict[str, Callable[[Any], Any]]) -> None:
    connection = op.get_bind()
    columns = [table.c[name] for name in renamed]
    named = sa.or_(*(column.contains(f'"{name}"', autoescape=True) for column in columns for name in NAMES))
    for row in connection.execute(sa.select(table.c.owner_id, key, *columns).where(named)).all():
        values = {}
        for name, text in zip(renamed, row[2:], strict=True):
            old = _decode(text)
            new = renamed[name](old)
            if new != old:
                values[name] = _encode(new).decode()
        if values:
            connection.execute(sa.update(table).where(table.c.owner_id == row[0], key == row[1]).values(**values))


def _name(name: Any) -> Any:
    return f"facts.{name}" if name in NAMES else name


def _keys(value: Any) -> Any:
    return {_name(name): part for name, part in value.items()} if isinstance(value, dict) else value


def _conflicts(conflicts: Any) -> Any:
    found = []
    for conflict in conflicts if isinstance(conflicts, list) else ():
        new = dict(conflict)
        if "attribute" in new:
            new["attribute"] = _name(new["attribute"])
        if "patch" in new:
            new["patch"] = _keys(new["patch"])
        found.append(new)
    return found if isinstance(conflicts, list) else conflicts


def _body(body: Any) -> Any:
    if not isinstance(body, dict):
        return body
    new = dict(body)
    for name in ("patch", "from", "writers"):
        if name in new:
            new[name] = _keys(new[name])
    if isinstance(new.get("left_apart"), list):
        new["left_apart"] = [_name(item) for item in new["left_apart"]]
    return new

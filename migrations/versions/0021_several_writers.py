"""Values with several writers, lists whose elements have writers of their own, and all deletes of a destroyed holding.

Every writer and conflict stays what it was. Who put each term of a list on was not noted: all terms that are there count as put
on by one mutation that has the id of the holding.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import msgspec
import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
OWN = ("issue", "quantity", "status", "number", "note", "location", "tags", "values")
OWN += ("mark", "price_paid", "bought_from", "bought_on", "photos")
MERGED = ("tags", "photos")
AT_ONCE = 500
# Numbers stay as they were written.
_decode = msgspec.json.Decoder(float_hook=Decimal).decode
_encode = msgspec.json.Encoder(decimal_format="number").encode

holding = sa.table(
    "holding",
    sa.column("owner_id", identity),
    sa.column("id", identity),
    sa.column("destroyed", sa.Boolean),
    sa.column("data", sa.Text),
    sa.column("writers", sa.Text),
    sa.column("conflicts", sa.Text),
    sa.column("destroyed_by", identity),
    sa.column("deletes", sa.Text),
    sa.column("updated_at", instant),
)


def upgrade() -> None:
    op.add_column("holding", sa.Column("deletes", sa.Text, nullable=False, server_default="[]"))
    connection = op.get_bind()
    after: tuple[str, str] | None = None
    while rows := _page(connection, after):
        for row in rows:
            changed = _changed(row)
            if changed:
                where = (holding.c.owner_id == row.owner_id, holding.c.id == row.id)
                connection.execute(sa.update(holding).where(*where).values(**changed))
        after = (rows[-1].owner_id, rows[-1].id)
    op.drop_column("holding", "destroyed_by")


def _page(connection: sa.Connection, after: tuple[str, str] | None) -> list[Any]:
    key = (holding.c.owner_id, holding.c.id)
    query = sa.select(holding).order_by(*key).limit(AT_ONCE)
    if after is not None:
        owner, last = after
        query = query.where(sa.or_(key[0] > owner, sa.and_(key[0] == owner, key[1] > last)))
    return [*connection.execute(query)]


def _changed(row: Any) -> dict[str, str]:
    writers, conflicts, data = _decode(row.writers), _decode(row.conflicts), _decode(row.data)
    facts = data.get("facts", {})
    changed: dict[str, Any] = {}
    lists = {}
    for name, (by, at) in writers.items():
        value = data.get(name) if name in OWN else facts.get(name.removeprefix("facts.") if name not in facts else name)
        value = [] if value is None and name in MERGED else value
        if name == "photos":
            value = [" ".join(filter(None, (each["sha256"], each["side"], each.get("taken_at")))) for each in value]
        if name in MERGED or (isinstance(value, list) and all(isinstance(term, str) for term in value)):
            lists[name] = _list(by, at, value, row.id)
    if lists:
        changed["writers"] = {**writers, **lists}
    if any(conflict["kind"] == "value" for conflict in conflicts):
        changed["conflicts"] = [_conflict(conflict) for conflict in conflicts]
    if row.destroyed and row.destroyed_by is not None:
        at = row.updated_at.isoformat()
        changed["deletes"] = [[row.destroyed_by, at if "+" in at else f"{at}+00:00"]]
    return {name: _encode(value).decode() for name, value in changed.items()}


def _list(by: str, at: str, value: list[Any], adder: str) -> dict[str, Any]:
    mutation, _, mark = by.partition("~")
    written = {"by": [[mutation, at]], "elements": [[term, [adder]] for term in dict.fromkeys(value)]}
    return {**written, "mark": by} if mark else written


def _conflict(conflict: dict[str, Any]) -> dict[str, Any]:
    if conflict["kind"] != "value":
        return conflict
    by, at = conflict["mutation_id"], conflict["edited_at"].replace("Z", "+00:00")
    mutation, _, mark = by.partition("~")
    if not mark:
        return conflict
    return {**conflict, "mutation_id": mutation, "written": {"by": [[mutation, at]], "mark": by}}

"""Own fields `mark`, `price_paid`, `bought_from`, `bought_on` of a holding.

They are in the JSON of a holding, where a field that is left out has its default, so no column is new. But in the names of sync a
fact with the name of an own field is `facts.NAME`: facts that had one of these names before get it, in the writers and conflicts
of records and in the log.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import msgspec
import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

NAMES = ("mark", "price_paid", "bought_from", "bought_on")
identity = sa.Uuid(as_uuid=False)
holding = sa.table(
    "holding",
    sa.column("owner_id", identity),
    sa.column("id", identity),
    sa.column("writers", sa.Text),
    sa.column("conflicts", sa.Text),
)
mutation = sa.table(
    "mutation",
    sa.column("owner_id", identity),
    sa.column("mutation_id", identity),
    sa.column("body", sa.Text),
    sa.column("lists", sa.Text),
)
_decode = msgspec.json.Decoder(float_hook=Decimal).decode
_encode = msgspec.json.Encoder(decimal_format="number").encode


def upgrade() -> None:
    _rename(holding, holding.c.id, {"writers": _keys, "conflicts": _conflicts})
    _rename(mutation, mutation.c.mutation_id, {"body": _body, "lists": _keys})


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
    for name, part in new.items():
        # Names of values that a copy left apart.
        if isinstance(part, list):
            new[name] = [_name(item) if name not in ("resolves",) and isinstance(item, str) else item for item in part]
    return new

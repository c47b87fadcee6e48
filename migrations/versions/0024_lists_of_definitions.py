"""The vocabularies that the newest document of a definition carries, beside the attributes that it declares: a search reads both,
and no document.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

from decimal import Decimal

import msgspec
import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
definition = sa.table(
    "definition",
    sa.column("owner_id", identity),
    sa.column("id", identity),
    sa.column("published", sa.Integer),
    sa.column("draft", sa.Text),
    sa.column("carries", sa.Text),
)
published = sa.table(
    "definition_revision",
    sa.column("owner_id", identity),
    sa.column("definition_id", identity),
    sa.column("number", sa.Integer),
    sa.column("document", sa.Text),
)
_decode = msgspec.json.Decoder(float_hook=Decimal).decode
_encode = msgspec.json.Encoder(decimal_format="number").encode


def upgrade() -> None:
    op.add_column("definition", sa.Column("carries", sa.Text, nullable=False, server_default="[]"))
    connection = op.get_bind()
    newest = sa.and_(
        published.c.owner_id == definition.c.owner_id,
        published.c.definition_id == definition.c.id,
        published.c.number == definition.c.published,
    )
    text = sa.func.coalesce(definition.c.draft, published.c.document)
    documents = sa.select(definition.c.owner_id, definition.c.id, text.label("text"))
    documents = documents.select_from(definition.outerjoin(published, newest)).where(text.contains('"vocabularies"'))
    for row in connection.execute(documents).all():
        carried = _decode(row.text).get("vocabularies") or []
        here = (definition.c.owner_id == row.owner_id, definition.c.id == row.id)
        connection.execute(sa.update(definition).where(*here).values(carries=_encode(carried).decode()))

"""Who wrote each value of a holding, what stands in conflict, and the log of mutations.

The types are written out here and not imported: a migration keeps meaning what it meant when the models move on.
"""

from __future__ import annotations

import json

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

identity = sa.Uuid(as_uuid=False)
instant = sa.DateTime(timezone=True)
OWN = ("issue", "quantity", "status", "number", "note", "location", "tags", "values")
DEFAULTS = {"issue": None, "quantity": 1, "status": "held", "number": None, "note": None, "location": None}


def upgrade() -> None:
    op.add_column("holding", sa.Column("writers", sa.Text, nullable=False, server_default="{}"))
    op.add_column("holding", sa.Column("conflicts", sa.Text, nullable=False, server_default="[]"))
    op.add_column("holding", sa.Column("destroyed_by", identity))
    op.create_table(
        "mutation",
        sa.Column("owner_id", identity, nullable=False),
        sa.Column("mutation_id", identity, nullable=False),
        sa.Column("client_id", sa.Text, nullable=False),
        sa.Column("holding_id", identity, nullable=False),
        sa.Column("modseq", sa.BigInteger),
        sa.Column("chain", sa.String(32)),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("lists", sa.Text, nullable=False),
        sa.Column("at", instant, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "mutation_id", name="pk_mutation"),
        sa.UniqueConstraint("owner_id", "modseq", name="uq_mutation_owner_id_modseq"),
        sa.ForeignKeyConstraint(["owner_id"], ["account.id"], ondelete="CASCADE", name="fk_mutation_account"),
    )
    _name_writers()


def _name_writers() -> None:
    """Values recorded before are taken to be written by a mutation that has the id of their holding; states before now
    cannot be told apart, so that clients that knew one start over."""
    holding = sa.table(
        "holding",
        sa.column("owner_id", identity),
        sa.column("id", identity),
        sa.column("destroyed", sa.Boolean),
        sa.column("data", sa.Text),
        sa.column("writers", sa.Text),
        sa.column("destroyed_by", identity),
        sa.column("updated_at", instant),
    )
    connection = op.get_bind()
    for row in connection.execute(sa.select(holding)).all():
        data = json.loads(row.data)
        names = [name for name in OWN if data.get(name) not in (None, [], DEFAULTS.get(name))]
        names += [f"facts.{name}" if name in (*OWN, "facts") else name for name in data.get("facts", {})]
        at = row.updated_at.isoformat()
        at = at if "+" in at else f"{at}+00:00"
        values = {
            "writers": json.dumps({name: [row.id, at] for name in names}),
            "destroyed_by": row.id if row.destroyed else None,
        }
        where = (holding.c.owner_id == row.owner_id, holding.c.id == row.id)
        connection.execute(sa.update(holding).where(*where).values(**values))

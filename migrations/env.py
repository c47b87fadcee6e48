"""Alembic's environment. The connection, its transaction and its pragmas are service.database.migrate's."""

from __future__ import annotations

from alembic import context

from service.schema import metadata

connection = context.config.attributes["connection"]
if connection is None:
    raise RuntimeError("migrations are run by service.database.migrate.upgrade, which brings the connection")

context.configure(
    connection=connection,
    target_metadata=metadata,
    compare_type=True,
    render_as_batch=True,
    # Both engines can take a table back in a transaction, SQLite too once the driver leaves BEGIN to us.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()

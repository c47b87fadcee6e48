"""What the database of a running service contains."""

from __future__ import annotations

from typing import Any

from sqlalchemy import MetaData, select

from tests.conftest import Running


def everything_kept(service: Running) -> str:
    """All that stands in all tables, as text."""

    def dump(connection: Any) -> str:
        found = MetaData()
        found.reflect(connection)
        return "\n".join(str(row) for table in found.sorted_tables for row in connection.execute(select(table)).all())

    text: str = service.app.state.database.read(dump)
    return text

"""Behind a pooler that gives out a session for one transaction nothing is prepared in a session, or set for one."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import Connection, text

from service.database.engine import Database, Limits
from tests.conftest import SERVER_URL

pytestmark = pytest.mark.skipif(SERVER_URL is None, reason="it is about PostgreSQL")
TIMES = 10


def left_in_the_session(url: str, *, pooler: bool) -> tuple[Any, Any]:
    """The time limit of a statement, and how many statements are prepared after one was asked several times."""
    database = Database(url, Limits(postgresql_pooler=pooler))

    def ask(connection: Connection) -> tuple[Any, Any]:
        for number in range(TIMES):
            assert connection.scalar(text("SELECT CAST(:n AS integer)"), {"n": number}) == number
        prepared = connection.scalar(
            text("SELECT count(*) FROM pg_prepared_statements WHERE statement LIKE '%integer%'")
        )
        return connection.scalar(text("SHOW statement_timeout")), prepared

    try:
        return database.write(ask)
    finally:
        database.close()


def test_nothing_is_left_in_a_session(database_url: str) -> None:
    assert left_in_the_session(database_url, pooler=True) == ("0", 0)


def test_what_is_left_otherwise_is_seen(database_url: str) -> None:
    # The control of the test above, and what a server without a pooler relies on.
    assert left_in_the_session(database_url, pooler=False) == ("10s", 1)

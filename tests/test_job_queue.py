"""The queue of jobs connects as the service's other connections do."""

from __future__ import annotations

import psycopg
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.pool import NullPool

from service.database.engine import read_url
from service.procrastinate_queue import connection_of


def test_what_follows_the_question_mark_of_an_address_counts() -> None:
    # Without it a database that was to be reached with TLS alone, or at a socket, would be reached otherwise, or not at all.
    address = "postgresql://ida:p%40ss@/coins?host=/run/pg&sslmode=verify-full&options=-c%20lock_timeout%3D1s"
    assert connection_of(read_url(address)) == {
        "user": "ida",
        "password": "p@ss",
        "dbname": "coins",
        "host": "/run/pg",
        "sslmode": "verify-full",
        "options": "-c lock_timeout=1s -c search_path=setwright_queue",
    }


def test_it_is_the_same_server_and_user(empty_database_url: str) -> None:
    if empty_database_url.startswith("sqlite"):
        pytest.skip("SQLite has no such queue")
    address = read_url(empty_database_url).update_query_dict({"application_name": "canary"})
    question = "SELECT current_user || ' ' || current_database() || ' ' || current_setting('application_name')"
    with create_engine(address, poolclass=NullPool).connect() as ours:
        expected = ours.execute(text(question)).scalar_one()
    with psycopg.connect(**connection_of(address)) as theirs:
        told = theirs.execute(question).fetchone()
        path = theirs.execute("SHOW search_path").fetchone()
    assert expected.endswith(" canary")
    assert (told, path) == ((expected,), ("setwright_queue",))

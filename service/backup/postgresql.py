"""A PostgreSQL database dumped and restored by PostgreSQL's own programs."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from psycopg.conninfo import make_conninfo
from sqlalchemy import URL, Connection, Engine, inspect, text

from service.backup.manifest import BackupFailed
from service.database.engine import migration_engine
from service.database.migrate import QUEUE
from service.database.partitions import SCHEMA as PARTITIONS

# What a restore replaced is kept in schemas whose names begin so, and no later backup has them in it.
REPLACED = "setwright_replaced_"
# What has a schema of its own already, and what follows the new name of that.
_APART = {PARTITIONS: "_partitions", QUEUE: "_queue"}
_LINES_OF_TROUBLE = 8


@contextmanager
def snapshot(url: URL) -> Iterator[tuple[Connection, str]]:
    """A transaction that sees one moment, and the name under which `dump` sees the same."""
    engine = migration_engine(url)
    with _connected(engine) as connection:
        connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        with connection.begin():
            # It waits for the dump, however long that takes.
            connection.execute(text("SET LOCAL idle_in_transaction_session_timeout = 0"))
            yield connection, str(connection.scalar(text("SELECT pg_export_snapshot()")))


def dump(url: URL, name: str, target: Path) -> None:
    """Everything in the database as the snapshot of this name sees it. Raises BackupFailed."""
    _run(
        url,
        "pg_dump",
        "--format=custom",
        f"--snapshot={name}",
        "--no-owner",
        "--no-privileges",
        f"--exclude-schema={REPLACED}*",
        "--lock-wait-timeout=60000",
        f"--file={target}",
    )


def restore(url: URL, dumped: Path) -> None:
    """All of it, or nothing. Raises BackupFailed."""
    _run(
        url,
        "pg_restore",
        "--single-transaction",
        "--exit-on-error",
        "--no-owner",
        "--no-privileges",
        str(dumped),
    )
    # The dump has no statistics, without which the first queries are planned badly.
    with _connected(migration_engine(url)) as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").execute(text("ANALYZE"))


def is_empty(url: URL) -> bool:
    with _connected(migration_engine(url)) as connection:
        return not inspect(connection).get_table_names()


def set_aside(url: URL, schema: str) -> None:
    """Moves every table into a schema of its own, `schema` or one that begins with it. Raises BackupFailed while others are
    connected."""
    with _connected(migration_engine(url)) as connection, connection.begin():
        others = connection.scalar(
            text(
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
                "AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
            )
        )
        if others:
            raise BackupFailed(f"{others} connections use the database; stop the server, then restore again")
        connection.execute(text(f'CREATE SCHEMA "{schema}"'))
        _move(connection, inspect(connection).get_table_names(), str(inspect(connection).default_schema_name), schema)
        # A table takes its indexes along and not its partitions, which are in a schema of their own.
        for name, end in _APART.items():
            _rename(connection, name, schema + end)


def put_back(url: URL, schema: str) -> None:
    """Undoes `set_aside`."""
    with _connected(migration_engine(url)) as connection, connection.begin():
        names = inspect(connection).get_table_names(schema)
        _move(connection, names, schema, str(inspect(connection).default_schema_name))
        connection.execute(text(f'DROP SCHEMA "{schema}"'))
        for name, end in _APART.items():
            _rename(connection, schema + end, name)


def _move(connection: Connection, tables: list[str], source: str, target: str) -> None:
    quote = connection.dialect.identifier_preparer.quote
    for name in tables:
        connection.execute(text(f"ALTER TABLE {quote(source)}.{quote(name)} SET SCHEMA {quote(target)}"))


def _rename(connection: Connection, schema: str, name: str) -> None:
    if inspect(connection).has_schema(schema):
        connection.execute(text(f'ALTER SCHEMA "{schema}" RENAME TO "{name}"'))


@contextmanager
def _connected(engine: Engine) -> Iterator[Connection]:
    try:
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


def command_of(url: URL, program: str, *arguments: str) -> tuple[list[str], dict[str, str]]:
    """The command, and what its environment has more. The password is only in the environment: everybody on a machine can see
    the arguments of a program."""
    told = dict(url.get_dialect()().create_connect_args(url)[1])
    password = told.pop("password", None)
    if "sslpassword" in told:
        raise BackupFailed("sslpassword would be seen on the command line; take it out of the database's address")
    connection = f"--dbname={make_conninfo(**told)}"
    return [program, "--no-password", connection, *arguments], {} if password is None else {"PGPASSWORD": password}


def major_version(program: str) -> int | None:
    """The major version of one of PostgreSQL's programs; None when it is not installed."""
    found = shutil.which(program)
    if found is None:
        return None
    done = subprocess.run([found, "--version"], capture_output=True, text=True, check=False)  # noqa: S603
    number = re.search(r"\) (\d+)", done.stdout)
    return int(number[1]) if number else None


def _run(url: URL, program: str, *arguments: str) -> None:
    command, more = command_of(url, program, *arguments)
    found = shutil.which(program)
    if found is None:
        raise BackupFailed(
            f"the program {program} is not installed; it comes with PostgreSQL's client programs "
            "(Debian, Ubuntu: apt install postgresql-client; Fedora: dnf install postgresql; Alpine: apk add postgresql-client), "
            "of the server's major version"
        )
    done = subprocess.run(  # noqa: S603
        [found, *command[1:]],
        env={**os.environ, **more},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    if done.returncode:
        told = done.stderr.strip().splitlines()[:_LINES_OF_TROUBLE]
        raise BackupFailed("\n".join([f"{program} failed:", *(f"    {line}" for line in told)]))

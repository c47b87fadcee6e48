"""Migrations, run at start: forward only, all steps in one transaction, on both engines."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection, inspect, text

from service.database.engine import Database, migration_engine
from service.database.partitions import NotPartitioned, count, split

# Alembic takes ten megabytes, and a server that finds its database up to date needs none of it.
if TYPE_CHECKING:
    from alembic.config import Config

# The folder stands beside the package `service`, in a checkout and in the installed package alike.
FOLDER = Path(__file__).resolve().parents[2] / "migrations"

# The tables of the queue of jobs, which are not ours to migrate, stand apart from ours (procrastinate_queue.py).
QUEUE = "setwright_queue"
# Any fixed number; servers that start at the same time take turns on it.
_TURN = 7_274_983_310
_OTHERS = text(
    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid() "
    "AND backend_type = 'client backend'"
)


def configuration(connection: Connection | None = None) -> Config:
    """Alembic's configuration, built here: there is no alembic.ini."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def write_nothing_new(connection: Connection) -> None:
    """A write that changes nothing, by which one sees whether the database can be written."""
    connection.execute(text("UPDATE alembic_version SET version_num = version_num"))


@cache
def known() -> frozenset[str]:
    """The ids of all migrations that this version of the program knows: the name of a migration's file begins with it."""
    return frozenset(script.name.partition("_")[0] for script in (FOLDER / "versions").glob("*_*.py"))


@cache
def newest() -> str:
    """The id of the last of them."""
    return max(known())


class NewerDatabase(RuntimeError):
    """A newer version of this program made the tables; this one must not touch them."""


class NoDatabase(RuntimeError):
    """There is no database at the address, or nothing in it."""


def upgrade(database: Database, to: str = "head", partitions: int = 0) -> None:
    """Brings the database up to migration `to`. All of it happens, or nothing. A fresh database of PostgreSQL gets so many
    `partitions`, 0: none; in one that has partitions, tables that a migration made new are put into as many. Raises
    NewerDatabase."""
    engine = migration_engine(database.url)
    try:
        with engine.begin() as connection:
            if not database.is_sqlite:
                connection.execute(text("SELECT pg_advisory_xact_lock(:turn)"), {"turn": _TURN})
            before = current(connection)
            if to == "head" and before == newest():
                return
            if before is not None:
                if before not in known():
                    raise NewerDatabase(
                        f"a newer version of Setwright made the tables of {database.shown_url} ({before}): install that version, "
                        "or restore a backup of this one"
                    )
                partitions = count(connection)
            from alembic import command

            command.upgrade(configuration(connection), to)
            if database.is_sqlite:
                _check_foreign_keys(connection)
            elif partitions:
                split(connection, partitions)
    finally:
        engine.dispose()


def must_be_there(url: URL) -> None:
    """For what looks after a database and does not begin one, which under a mistaken address would find nothing wrong with
    an empty one. Raises NoDatabase."""
    if url.get_backend_name() == "sqlite":
        file = Path(url.database or "").absolute()
        if not file.exists():
            raise NoDatabase(f"there is no database at {file}; see SETWRIGHT_DATABASE_URL")
    engine = migration_engine(url)
    try:
        with engine.connect() as connection:
            if current(connection) is None:
                shown = url.render_as_string(hide_password=True)
                raise NoDatabase(
                    f"the database {shown} is empty; `setwright serve` makes the tables, see SETWRIGHT_DATABASE_URL"
                )
    finally:
        engine.dispose()


def partition(database: Database, partitions: int) -> dict[str, int]:
    """Puts the owners' tables of a database that is up to date into partitions; the rows of each table. All of it happens, or
    nothing. Raises NotPartitioned."""
    if database.is_sqlite:
        raise NotPartitioned("SQLite has no partitions: they need PostgreSQL")
    engine = migration_engine(database.url)
    try:
        with engine.begin() as connection:
            connection.execute(text("SELECT pg_advisory_xact_lock(:turn)"), {"turn": _TURN})
            if current(connection) != newest():
                raise NotPartitioned("the database is not migrated to this version; start the server once, and stop it")
            there = count(connection)
            if there:
                raise NotPartitioned(f"the tables are in {there} partitions already")
            others = connection.scalar(_OTHERS)
            if others:
                raise NotPartitioned(f"{others} connections use the database; stop the server, then try again")
            return split(connection, partitions)
    finally:
        engine.dispose()


def current(connection: Connection) -> str | None:
    """The id of the last migration that was run on this database, or None when it is empty."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _check_foreign_keys(connection: Connection) -> None:
    orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if orphans:
        tables = ", ".join(sorted({str(row[0]) for row in orphans}))
        raise RuntimeError(f"the migration would leave {len(orphans)} rows without their owner, in: {tables}")

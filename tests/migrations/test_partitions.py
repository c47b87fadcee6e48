"""Hash partitions by owner: made of filled tables and of empty ones, kept by every later step; what was unique stays unique."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from sqlalchemy import Connection, text
from sqlalchemy.exc import IntegrityError

from service.accounts.model import token_digest
from service.accounts.store import AccountStore
from service.database import migrate, partitions
from service.database.engine import Database
from service.database.ids import new_id
from service.database.partitions import NotPartitioned
from service.schema import metadata
from tests.migrations.test_migrations import NOW, OF_NO_OWNER, STEPS, WRITTEN, differences, fill, rows
from tests.owners import open_account
from tests.server import run_program

PARTS = 2
OWNERS = {table.name for table in metadata.sorted_tables} - OF_NO_OWNER
# A table in partitions has no unique constraint without its owner; a directory keeps these.
UNIQUE_BY_DIRECTORY = {"invitation", "password_reset", "share"}
DIRECTORIES = {*UNIQUE_BY_DIRECTORY, "token"}


@pytest.fixture
def postgresql(empty_database: Database) -> Iterator[Database]:
    if empty_database.is_sqlite:
        pytest.skip("SQLite has no partitions")
    yield empty_database


def parts(connection: Connection) -> dict[str, int]:
    """In how many partitions each table is."""
    query = (
        "SELECT inhparent::regclass::text AS name, count(*) AS parts FROM pg_inherits "
        "JOIN pg_partitioned_table ON partrelid = inhparent GROUP BY 1"
    )
    return {row.name: row.parts for row in connection.execute(text(query))}


def missing(database: Database) -> set[str]:
    """The tables whose unique constraint of a digest the models have and the database does not; nothing else may differ."""
    found = differences(database)
    assert {(kind, tuple(constraint.columns.keys())) for kind, constraint in found} <= {("add_constraint", ("digest",))}
    return {constraint.table.name for _, constraint in found}


def test_each_step_keeps_every_row_in_partitions(postgresql: Database) -> None:
    assert postgresql.read(parts) == {}
    for step in STEPS:
        before = postgresql.read(rows)
        migrate.upgrade(postgresql, step, PARTS)
        after = postgresql.read(rows)
        kept = before.keys() - {"alembic_version"} - {table for of, table in WRITTEN if of == step}
        assert {table: after[table] for table in kept} == {table: before[table] for table in kept}, step
        if set(after) != set(before):
            postgresql.write(_clear)
            postgresql.write(fill)
        found = postgresql.read(parts)
        assert found.keys() == OWNERS & after.keys(), step
        assert set(found.values()) == {PARTS}, step
    assert missing(postgresql) == UNIQUE_BY_DIRECTORY
    assert all(count == 2 for table, count in postgresql.read(rows).items() if table != "alembic_version")


def _clear(connection: Connection) -> None:
    names = rows(connection).keys() - {"alembic_version"}
    directories = {f"{partitions.SCHEMA}.{name}_by_digest" for name in DIRECTORIES & names}
    if names:
        connection.execute(text(f"TRUNCATE {', '.join(names | directories)}"))


def test_a_new_database_without_the_setting_stays_whole(postgresql: Database) -> None:
    # The control of the walk above.
    migrate.upgrade(postgresql)
    assert postgresql.read(parts) == {}
    # And it stays so, whatever a later start says.
    migrate.upgrade(postgresql, partitions=PARTS)
    assert postgresql.read(parts) == {}


def test_tables_with_rows_are_put_into_partitions_by_the_command(postgresql: Database) -> None:
    migrate.upgrade(postgresql)
    postgresql.write(fill)
    before = postgresql.read(rows)
    contents = postgresql.read(_contents)
    address = postgresql.url.render_as_string(hide_password=False)
    # This process is connected, as a server would be.
    with pytest.raises(NotPartitioned, match="stop the server"):
        migrate.partition(postgresql, PARTS)
    assert postgresql.read(parts) == {}
    postgresql.close()
    done = run_program(address, "partition", str(PARTS))
    assert done.returncode == 0, done.stderr
    assert "holding: 2 rows" in done.stdout
    assert postgresql.read(rows) == before
    assert postgresql.read(_contents) == contents
    assert postgresql.read(parts) == dict.fromkeys(OWNERS, PARTS)
    assert missing(postgresql) == UNIQUE_BY_DIRECTORY
    postgresql.close()
    with pytest.raises(NotPartitioned, match=f"in {PARTS} partitions already"):
        migrate.partition(postgresql, 8)


def _contents(connection: Connection) -> dict[str, list[str]]:
    names = rows(connection).keys()
    return {
        name: sorted(str(tuple(row)) for row in connection.execute(text(f"SELECT * FROM {name}"))) for name in names
    }


def test_a_copy_that_lacks_a_row_is_refused_and_nothing_is_changed(
    postgresql: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    migrate.upgrade(postgresql)
    postgresql.write(fill)
    contents = postgresql.read(_contents)
    postgresql.close()
    honest: Callable[..., None] = partitions._run

    def careless(connection: Connection, statement: str) -> None:
        honest(connection, f"{statement} LIMIT 1" if statement.startswith("INSERT INTO mutation") else statement)

    with monkeypatch.context() as patched:
        patched.setattr(partitions, "_run", careless)
        with pytest.raises(NotPartitioned, match="mutation has 1 rows in its partitions and 2 before"):
            migrate.partition(postgresql, PARTS)
    assert postgresql.read(parts) == {}
    assert postgresql.read(_contents) == contents
    assert differences(postgresql) == []


def test_a_unique_column_that_no_directory_can_keep_is_refused(postgresql: Database) -> None:
    migrate.upgrade(postgresql)
    postgresql.write(lambda c: c.execute(text("CREATE UNIQUE INDEX odd ON holding (created_modseq)")))
    postgresql.close()
    with pytest.raises(NotPartitioned, match="odd of the table holding is unique without owner_id"):
        migrate.partition(postgresql, PARTS)
    assert postgresql.read(parts) == {}


def test_what_is_no_number_of_partitions_is_refused(postgresql: Database) -> None:
    migrate.upgrade(postgresql)
    postgresql.close()
    for number in (0, 1, partitions.MOST + 1):
        with pytest.raises(NotPartitioned, match="2 to 32"):
            migrate.partition(postgresql, number)


def _a_token(connection: Connection, owner: str, digest: str) -> None:
    row = {"owner": owner, "digest": digest, "id": new_id(), "now": NOW}
    connection.execute(
        text(
            "INSERT INTO token (owner_id, digest, name, created_at, id, scopes, is_device) "
            "VALUES (:owner, :digest, 'one', :now, :id, 'read', false)"
        ),
        row,
    )


def test_a_digest_has_one_owner_over_all_partitions(postgresql: Database) -> None:
    migrate.upgrade(postgresql, partitions=PARTS)
    owners = [postgresql.write(lambda c, n=n: open_account(c, f"somebody {n}"))[0] for n in range(24)]
    first, *others = (owner.id for owner in owners)
    postgresql.write(lambda c: _a_token(c, first, "d" * 64))
    for other in others:
        with pytest.raises(Exception, match="pk_token_by_digest") as refusal:
            postgresql.write(lambda c, other=other: _a_token(c, other, "d" * 64))
        assert isinstance(refusal.value, IntegrityError)

    # The control: without its trigger the table takes it, in another partition.
    def without(connection: Connection) -> int:
        connection.execute(text("ALTER TABLE token DISABLE TRIGGER directory"))
        for other in others:
            _a_token(connection, other, "d" * 64)
        found = connection.scalar(text("SELECT count(DISTINCT tableoid) FROM token WHERE digest = :d"), {"d": "d" * 64})
        connection.rollback()
        return int(found or 0)

    engine = migrate.migration_engine(postgresql.url)
    with engine.connect() as connection:
        assert without(connection) > 1
    engine.dispose()


def test_a_directory_follows_what_is_deleted(postgresql: Database) -> None:
    migrate.upgrade(postgresql, partitions=PARTS)
    (owner, token), _ = (postgresql.write(lambda c, n=n: open_account(c, f"somebody {n}")) for n in range(2))

    def listed(connection: Connection) -> list[Any]:
        return list(connection.execute(text(f"SELECT digest FROM {partitions.SCHEMA}.token_by_digest")).scalars())

    assert token_digest(token) in postgresql.read(listed)
    assert postgresql.read(lambda c: AccountStore(c).caller(token_digest(token), NOW)) is not None
    # By cascade, as the database deletes what an account has.
    postgresql.write(lambda c: c.execute(text("DELETE FROM account WHERE id = :id"), {"id": owner.id}))
    assert len(postgresql.read(listed)) == 1
    assert token_digest(token) not in postgresql.read(listed)


def test_sqlite_refuses_partitions(empty_database: Database) -> None:
    if not empty_database.is_sqlite:
        pytest.skip("it is about SQLite")
    migrate.upgrade(empty_database)
    address = empty_database.url.render_as_string()
    assert "need PostgreSQL" in run_program(address, "partition", "4").stderr
    started = run_program(address, "serve", SETWRIGHT_PARTITIONS="4")
    assert started.returncode == 2
    assert "SQLite has no partitions" in started.stderr

"""Tables of owners in hash partitions by owner, on PostgreSQL: made of whole tables, whatever is in them.

A table whose primary key leads with `owner_id` becomes PARTITION BY HASH (owner_id), its constraints and indexes by the names and
words that they had. The partitions stand in a schema of their own, so that the list of tables stays the same with and without.

A unique index of a partitioned table must have the owner in it (PostgreSQL's documentation, "Table Partitioning"). Where a
secret's digest alone is unique, or finds the row before its owner is known, a *directory* keeps that: a whole table with the
digest as its primary key and the owner, written by a trigger of the partitioned table. `found_by` asks it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Table, select, text
from sqlalchemy import column as named_column
from sqlalchemy import table as named_table
from sqlalchemy.exc import OperationalError

from service.database.errors import sqlstate

SCHEMA = "setwright_partitions"
# PostgreSQL keeps a reference between partitioned tables once for each pair of partitions, and holds a lock on every table and
# index that a transaction makes.
MOST = 32
_OUT_OF_MEMORY = "53200"
_DIGEST = "digest"
_WHOLE = "_whole"
_KNOWN = "setwright.directories"

_OWNERS_TABLES = text(
    """
    SELECT c.oid, c.relname AS name, c.relkind = 'p' AS partitioned
    FROM pg_class c
    JOIN pg_index i ON i.indrelid = c.oid AND i.indisprimary
    JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = i.indkey[0]
    WHERE c.relkind IN ('r', 'p') AND NOT c.relispartition AND c.relnamespace = current_schema()::regnamespace
      AND a.attname = 'owner_id'
    ORDER BY c.relname
    """
)
_COUNT = text(
    """
    SELECT count(*) FROM pg_inherits h JOIN pg_partitioned_table p ON p.partrelid = h.inhparent
    JOIN pg_class c ON c.oid = p.partrelid
    WHERE c.relnamespace = current_schema()::regnamespace GROUP BY c.oid LIMIT 1
    """
)
# Without the rows that PostgreSQL itself adds for each partition (conparentid).
_REFERENCES = text(
    """
    SELECT conrelid::regclass::text AS table, quote_ident(conname) AS name, pg_get_constraintdef(oid) AS words
    FROM pg_constraint
    WHERE contype = 'f' AND conparentid = 0 AND (conrelid = ANY(:tables) OR confrelid = ANY(:tables))
    ORDER BY 1, 2
    """
)
_CONSTRAINTS = text(
    """
    SELECT quote_ident(c.conname) AS name, pg_get_constraintdef(c.oid) AS words,
           array_agg(a.attname::text ORDER BY k.place) AS columns
    FROM pg_constraint c
    CROSS JOIN unnest(c.conkey) WITH ORDINALITY AS k(number, place)
    JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = k.number
    WHERE c.contype IN ('p', 'u') AND c.conrelid = :table
    GROUP BY c.oid ORDER BY c.contype, c.conname
    """
)
_INDEXES = text(
    """
    SELECT i.indexrelid::regclass::text AS name, pg_get_indexdef(i.indexrelid) AS words, i.indisunique AS is_unique,
           array(SELECT a.attname::text FROM unnest(i.indkey) WITH ORDINALITY AS k(number, place)
                 JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = k.number ORDER BY k.place) AS columns
    FROM pg_index i
    WHERE i.indrelid = :table AND NOT EXISTS (
        SELECT 1 FROM pg_constraint c WHERE c.conindid = i.indexrelid AND c.contype IN ('p', 'u')
    )
    ORDER BY 1
    """
)
_TRIGGERS = text("SELECT count(*) FROM pg_trigger WHERE tgrelid = :table AND NOT tgisinternal")


class NotPartitioned(RuntimeError):
    """Why the tables cannot be put into partitions."""


@dataclass(frozen=True, slots=True)
class _Whole:
    """A table as it is: what must be there again, in words that make it."""

    name: str
    constraints: dict[str, str]
    indexes: tuple[str, ...]
    directories: tuple[str, ...]


def count(connection: Connection) -> int:
    """In how many partitions each owner's table is; 0: the tables are whole."""
    if connection.dialect.name == "sqlite":
        return 0
    return connection.scalar(_COUNT) or 0


def split(connection: Connection, partitions: int) -> dict[str, int]:
    """Puts every owner's table that is whole into so many partitions, within the connection's transaction. Returns the rows of
    each, which are counted before and after. Tables that are partitioned already stay as they are. Raises NotPartitioned."""
    if connection.dialect.name == "sqlite":
        raise NotPartitioned("SQLite has no partitions: they need PostgreSQL")
    if not 2 <= partitions <= MOST:
        raise NotPartitioned(f"tables can be put into 2 to {MOST} partitions, not {partitions}")
    found = connection.execute(_OWNERS_TABLES).all()
    whole = {row.name: row.oid for row in found if not row.partitioned}
    if not whole:
        return {}
    try:
        return _split(connection, whole, partitions)
    except OperationalError as error:
        if sqlstate(error) != _OUT_OF_MEMORY:
            raise
        raise NotPartitioned(
            f"PostgreSQL has no room for the locks that {partitions} partitions of each table take; raise its "
            "max_locks_per_transaction (64 are enough for 8 partitions, 256 for 32), or ask for fewer"
        ) from None


def _split(connection: Connection, whole: dict[str, int], partitions: int) -> dict[str, int]:
    _run(connection, f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}")
    # Nobody writes from here on; readers wait too, since the tables are replaced.
    _run(connection, f"LOCK TABLE {', '.join(whole)} IN ACCESS EXCLUSIVE MODE")
    references = connection.execute(_REFERENCES, {"tables": list(whole.values())}).all()
    read = [_read(connection, name, oid) for name, oid in whole.items()]
    for reference in references:
        _run(connection, f"ALTER TABLE {reference.table} DROP CONSTRAINT {reference.name}")
    rows = {each.name: _replace(connection, each, partitions) for each in read}
    for reference in references:
        _run(connection, f"ALTER TABLE {reference.table} ADD CONSTRAINT {reference.name} {reference.words}")
    # A new table has no statistics, without which the first queries are planned badly.
    _run(connection, f"ANALYZE {', '.join(whole)}")
    return rows


def _read(connection: Connection, name: str, oid: int) -> _Whole:
    if connection.scalar(_TRIGGERS, {"table": oid}):
        raise NotPartitioned(f"the table {name} has triggers, which would be lost")
    constraints, indexes, directories = {}, [], []
    for row in connection.execute(_CONSTRAINTS, {"table": oid}):
        if "owner_id" in row.columns:
            constraints[row.name] = row.words
        elif row.columns == [_DIGEST]:
            directories.append(row.name)
        else:
            raise NotPartitioned(f"{row.name} of the table {name} is unique without owner_id")
    for row in connection.execute(_INDEXES, {"table": oid}):
        if row.columns == [_DIGEST]:
            # The digest of a secret belongs to one owner, also where the index does not say so.
            directories.append(f"pk_{name}_by_{_DIGEST}")
        elif row.is_unique and "owner_id" not in row.columns:
            raise NotPartitioned(f"{row.name} of the table {name} is unique without owner_id")
        indexes.append(row.words)
    return _Whole(name, constraints, tuple(indexes), tuple(directories))


def _replace(connection: Connection, whole: _Whole, partitions: int) -> int:
    """The table with the same rows in partitions; how many rows."""
    name, old = whole.name, f"{whole.name}{_WHOLE}"
    _run(connection, f"ALTER TABLE {name} RENAME TO {old}")
    kept = "INCLUDING DEFAULTS INCLUDING GENERATED INCLUDING STORAGE INCLUDING COMPRESSION INCLUDING COMMENTS"
    _run(connection, f"CREATE TABLE {name} (LIKE {old} {kept} INCLUDING CONSTRAINTS) PARTITION BY HASH (owner_id)")
    for number in range(partitions):
        part = f"CREATE TABLE {SCHEMA}.{name}_{number} PARTITION OF {name}"
        _run(connection, f"{part} FOR VALUES WITH (MODULUS {partitions}, REMAINDER {number})")
    _run(connection, f"INSERT INTO {name} SELECT * FROM {old}")  # noqa: S608
    before, after = (_rows(connection, table) for table in (old, name))
    if before != after:
        raise NotPartitioned(
            f"the table {name} has {after} rows in its partitions and {before} before; nothing was changed"
        )
    # Its constraints and indexes have the names that the new ones get.
    _run(connection, f"DROP TABLE {old}")
    for constraint, words in whole.constraints.items():
        _run(connection, f"ALTER TABLE {name} ADD CONSTRAINT {constraint} {words}")
    for words in whole.indexes:
        _run(connection, words)
    for key in whole.directories:
        _keep_directory(connection, name, key)
    return after


def _rows(connection: Connection, table: str) -> int:
    return connection.scalar(text(f"SELECT count(*) FROM {table}")) or 0  # noqa: S608


def _keep_directory(connection: Connection, table: str, key: str) -> None:
    """Who owns which digest; `key` is the name of its primary key, and of the refusal of a digest that is there already."""
    directory = f"{SCHEMA}.{_directory_name(table)}"
    _run(
        connection,
        f"CREATE TABLE {directory} (digest varchar(64) NOT NULL CONSTRAINT {key} PRIMARY KEY, owner_id uuid NOT NULL)",
    )
    _run(connection, f"INSERT INTO {directory} SELECT digest, owner_id FROM {table}")  # noqa: S608
    follow = f"""
        CREATE FUNCTION {directory}() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
            IF TG_OP <> 'INSERT' THEN DELETE FROM {directory} d WHERE d.digest = OLD.digest; END IF;
            IF TG_OP <> 'DELETE' THEN INSERT INTO {directory} VALUES (NEW.digest, NEW.owner_id); END IF;
            RETURN NULL;
        END $$
    """  # noqa: S608
    _run(connection, follow)
    event = "AFTER INSERT OR DELETE OR UPDATE OF digest, owner_id"
    _run(connection, f"CREATE TRIGGER directory {event} ON {table} FOR EACH ROW EXECUTE FUNCTION {directory}()")


def _run(connection: Connection, statement: str) -> None:
    # Names and words come from the database's own catalogue.
    connection.exec_driver_sql(statement)


def _directory_name(table: str) -> str:
    return f"{table}_by_{_DIGEST}"


# --- finding a row before its owner is known ------------------------------------------------------------------------------


def found_by(connection: Connection, digest: Column[Any], value: Any) -> tuple[ColumnElement[bool], ...]:
    """Conditions for the row of a table with this digest: on partitions its owner too, so that one partition is asked."""
    return (digest == value, *(in_its_partition(digest, value) if has_directories(connection) else ()))


def in_its_partition(digest: Column[Any], value: Any) -> Iterator[ColumnElement[bool]]:
    """The owner of the row with this digest is the one that the directory names."""
    table = digest.table
    assert isinstance(table, Table)
    columns = (named_column(_DIGEST, digest.type), named_column("owner_id", table.c.owner_id.type))
    directory = named_table(_directory_name(table.name), *columns, schema=SCHEMA)
    owner = select(directory.c.owner_id).where(directory.c.digest == value).scalar_subquery()
    yield table.c.owner_id == owner


def has_directories(connection: Connection) -> bool:
    """Whether the database is partitioned; asked once for each connection of the driver, since a server runs on one form."""
    if connection.dialect.name == "sqlite":
        return False
    found: bool | None = connection.info.get(_KNOWN)
    if found is None:
        directory = f"{SCHEMA}.{_directory_name('token')}"
        found = bool(connection.scalar(text("SELECT to_regclass(:name) IS NOT NULL"), {"name": directory}))
        connection.info[_KNOWN] = found
    return found

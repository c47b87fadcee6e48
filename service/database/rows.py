"""Many rows of a table in one go: on PostgreSQL one statement with all of them as JSON, on SQLite the driver's `executemany`.

SQLAlchemy's own way to many rows binds each value of each row by its name, which takes several times what the driver does with
them. Here values go through the bind processors of their columns' types a column at a time. Likewise with rows by their ids:
SQLAlchemy writes a parameter for each id into the statement, anew each time; here all of them are one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import repeat
from typing import Any

import msgspec
from sqlalchemy import (
    ARRAY,
    JSON,
    BindParameter,
    Column,
    Connection,
    Dialect,
    Row,
    Select,
    Table,
    Text,
    any_,
    bindparam,
    cast,
    column,
    func,
    insert,
    select,
    update,
)
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.dml import Insert, Update
from sqlalchemy.sql.selectable import TableValuedAlias

from service.database.types import Document, written
from service.errors import plain

# What the statements call the values that all rows have, the new ones of each row, all rows as JSON, and ids.
_SHARED, _NEW, _ROWS, _IDS = "shared_", "new_", "rows", "ids"
_ENCODER = msgspec.json.Encoder(decimal_format="number", enc_hook=plain)


def insert_rows(
    connection: Connection, table: Table, rows: Mapping[str, Sequence[Any]], shared: Mapping[str, Any]
) -> None:
    """Inserts rows that are given by column, all of the same length; `shared` are values that all of them have."""
    statement = _insert_one if _is_sqlite(connection) else _insert_all
    _execute(connection, statement(table, tuple(rows), tuple(shared)), table, rows, shared)


def update_rows(
    connection: Connection, table: Table, key: str, rows: Mapping[str, Sequence[Any]], among: Mapping[str, Any]
) -> None:
    """Updates rows that are given by column, all of the same length. `key` is the column that tells them apart among the rows
    that have the values of `among`; each of its values is there once."""
    statement = _update_one if _is_sqlite(connection) else _update_all
    _execute(connection, statement(table, key, tuple(rows), tuple(among)), table, rows, among)


def rows_by_id(
    connection: Connection, query: Select[Any], by: Column[Any], ids: Collection[str], values: Mapping[str, Any]
) -> Sequence[Row[Any]]:
    """Those rows of a query that have one of these ids in the column `by`. The query is made once, with `values` for its
    parameters."""
    if not ids:
        return ()
    # An array is written so in PostgreSQL's documentation, "Arrays", 8.15.2; SQLite keeps ids without hyphens (types.py).
    is_sqlite = _is_sqlite(connection)
    text = _ENCODER.encode(list(ids)).decode().replace("-", "") if is_sqlite else f"{{{','.join(ids)}}}"
    return connection.execute(_by_id(query, by, is_sqlite), {**values, _IDS: text}).all()


@lru_cache(maxsize=200)
def _by_id(query: Select[Any], by: Column[Any], is_sqlite: bool) -> Select[Any]:
    ids = bindparam(_IDS, type_=Text)
    if is_sqlite:
        return query.where(by.in_(select(func.json_each(ids).table_valued("value", name="sent").c.value)))
    return query.where(by == any_(cast(ids, ARRAY(by.type))))


def _is_sqlite(connection: Connection) -> bool:
    return connection.dialect.name == "sqlite"


def _execute(
    connection: Connection,
    statement: Insert | Update,
    table: Table,
    rows: Mapping[str, Sequence[Any]],
    shared: Mapping[str, Any],
) -> None:
    (count,) = {len(column) for column in rows.values()}
    if not count:
        return
    same = {f"{_SHARED}{name}": value for name, value in shared.items()}
    if _is_sqlite(connection):
        columns = {f"{_NEW}{name}": values for name, values in rows.items()}
        _execute_many(connection, _compiled(statement, connection.dialect), columns, same, count)
    else:
        connection.execute(statement, {_ROWS: _as_json(table, connection.dialect, rows), **same})


# --- one row at a time, by the driver -------------------------------------------------------------------------------------


def _execute_many(
    connection: Connection,
    compiled: SQLCompiler,
    rows: Mapping[str, Sequence[Any]],
    shared: Mapping[str, Any],
    count: int,
) -> None:
    columns: list[Iterable[Any]] = []
    for name in compiled.positiontup or ():
        values = [shared[name]] * count if name in shared else rows[name]
        columns.append(_bound(compiled.binds[name], connection.dialect, values))
    connection.exec_driver_sql(str(compiled), list(zip(*columns, strict=True)))


@lru_cache(maxsize=1_000)
def _bind_of(typed: Column[Any] | BindParameter[Any], dialect: Dialect) -> Callable[[Any], Any] | None:
    return typed.type.dialect_impl(dialect).bind_processor(dialect)


def _bound(typed: Column[Any] | BindParameter[Any], dialect: Dialect, values: Sequence[Any]) -> Iterable[Any]:
    bind = _bind_of(typed, dialect)
    if bind is None:
        return values
    first = values[0]
    # An instant, mostly, that all of them share.
    if all(value is first for value in values):
        return repeat(bind(first), len(values))
    # Documents are half of the columns; past the layers of their type they take an eighth to a third less.
    return map(written if isinstance(typed.type, Document) and None not in values else bind, values)


@lru_cache(maxsize=200)
def _compiled(statement: Insert | Update, dialect: Dialect) -> SQLCompiler:
    compiled = statement.compile(dialect=dialect)
    assert isinstance(compiled, SQLCompiler)
    return compiled


@lru_cache(maxsize=200)
def _insert_one(table: Table, rows: tuple[str, ...], shared: tuple[str, ...]) -> Insert:
    values = {name: bindparam(f"{_NEW}{name}", type_=table.c[name].type) for name in rows}
    same = {name: bindparam(f"{_SHARED}{name}", type_=table.c[name].type) for name in shared}
    return insert(table).values({**values, **same})


@lru_cache(maxsize=200)
def _update_one(table: Table, key: str, rows: tuple[str, ...], among: tuple[str, ...]) -> Update:
    values = {name: bindparam(f"{_NEW}{name}", type_=table.c[name].type) for name in rows if name != key}
    which = [table.c[name] == bindparam(f"{_SHARED}{name}", type_=table.c[name].type) for name in among]
    this = table.c[key] == bindparam(f"{_NEW}{key}", type_=table.c[key].type)
    return update(table).where(*which, this).values(values)


# --- all rows in one statement --------------------------------------------------------------------------------------------


def _as_json(table: Table, dialect: Dialect, rows: Mapping[str, Sequence[Any]]) -> str:
    """The rows as a list of objects; the driver takes an array for each column too, but writes it item by item in Python."""
    columns = [_bound(table.c[name], dialect, values) for name, values in rows.items()]
    return _ENCODER.encode([dict(zip(rows, row, strict=True)) for row in zip(*columns, strict=True)]).decode()


def _new_rows(table: Table, rows: tuple[str, ...]) -> TableValuedAlias:
    columns = (column(name, table.c[name].type) for name in rows)
    sent = cast(bindparam(_ROWS, type_=Text), JSON)
    return func.json_to_recordset(sent).table_valued(*columns, name="new").render_derived(with_types=True)


@lru_cache(maxsize=200)
def _insert_all(table: Table, rows: tuple[str, ...], shared: tuple[str, ...]) -> Insert:
    new = _new_rows(table, rows)
    same = [bindparam(f"{_SHARED}{name}", type_=table.c[name].type) for name in shared]
    return insert(table).from_select([*shared, *rows], select(*same, *(new.c[name] for name in rows)))


@lru_cache(maxsize=200)
def _update_all(table: Table, key: str, rows: tuple[str, ...], among: tuple[str, ...]) -> Update:
    new = _new_rows(table, rows)
    which = [table.c[name] == bindparam(f"{_SHARED}{name}", type_=table.c[name].type) for name in among]
    changed = {name: new.c[name] for name in rows if name != key}
    return update(table).where(*which, table.c[key] == new.c[key]).values(changed)

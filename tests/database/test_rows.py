"""Many rows in one go are the rows that SQLAlchemy's own statements write."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from random import Random
from typing import Any

import pytest
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Connection,
    MetaData,
    String,
    Table,
    bindparam,
    insert,
    select,
    update,
)
from sqlalchemy.exc import IntegrityError

from service.database.engine import Database
from service.database.ids import new_id
from service.database.rows import insert_rows, rows_by_id, update_rows
from service.database.types import Document, Identity, Instant
from service.errors import SetwrightError

metadata = MetaData()
COLUMNS = ("number", "sold", "document", "at", "note")
ours, plain = (
    Table(
        name,
        metadata,
        Column("owner_id", Identity, primary_key=True),
        Column("id", Identity, primary_key=True),
        Column("number", BigInteger),
        Column("sold", Boolean, nullable=False),
        Column("document", Document),
        Column("at", Instant, nullable=False),
        Column("note", String(50)),
    )
    for name in ("ours", "plain")
)
NOON = datetime(2026, 11, 25, 12, 0, 0, 123456, tzinfo=UTC)
DOCUMENTS: tuple[Any, ...] = (
    {"b": 1, "a": [Decimal("1.10"), Decimal("1E+400"), None, True]},
    [],
    [["a"], []],
    {},
    'a "text" with \\ in it\n',
    0,
    None,
    "é\U0001fa99",
)


@pytest.fixture
def database(empty_database: Database) -> Database:
    empty_database.write(metadata.create_all)
    return empty_database


def some_rows(chance: Random, ids: list[str]) -> dict[str, list[Any]]:
    return {
        "id": ids,
        "number": [chance.choice((None, 0, 2**40)) for _ in ids],
        "sold": [chance.random() < 0.5 for _ in ids],
        "document": [chance.choice(DOCUMENTS) for _ in ids],
        "at": [NOON + timedelta(microseconds=chance.randint(0, 9)) for _ in ids],
        "note": [chance.choice((None, "", "'; --", "ü")) for _ in ids],
    }


def row_by_row(columns: dict[str, list[Any]]) -> list[dict[str, Any]]:
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def stored(connection: Connection, table: Table) -> list[str]:
    return [repr(tuple(row)) for row in connection.execute(select(table).order_by(table.c.owner_id, table.c.id))]


@pytest.mark.parametrize("seed", range(5))
def test_rows_are_those_that_single_statements_write(database: Database, seed: int) -> None:
    chance = Random(seed)
    owner, other, ids = new_id(), new_id(), [new_id() for _ in range(1 + 5 * seed)]
    first, again = some_rows(chance, ids), some_rows(chance, ids[::-2])

    def write(connection: Connection) -> None:
        for one in (owner, other):
            insert_rows(connection, ours, first, {"owner_id": one})
            connection.execute(insert(plain), [{"owner_id": one, **row} for row in row_by_row(first)])
        update_rows(connection, ours, "id", again, {"owner_id": owner})
        for row in row_by_row(again):
            which = (plain.c.owner_id == owner, plain.c.id == row["id"])
            connection.execute(update(plain).where(*which).values({name: row[name] for name in COLUMNS}))

    database.write(write)
    found = database.read(lambda connection: (stored(connection, ours), stored(connection, plain)))
    assert found[0] == found[1]
    assert len(found[0]) == 2 * len(ids)


def test_no_rows_are_no_statement(database: Database) -> None:
    nothing: dict[str, list[Any]] = {"id": [], "sold": []}
    database.write(lambda connection: insert_rows(connection, ours, nothing, {"owner_id": new_id()}))
    database.write(lambda connection: update_rows(connection, ours, "id", nothing, {"owner_id": new_id()}))
    assert database.read(lambda connection: stored(connection, ours)) == []


def test_a_key_that_is_taken_is_refused_and_nothing_is_written(database: Database) -> None:
    rows = some_rows(Random(1), [new_id()] * 2)
    with pytest.raises((IntegrityError, SetwrightError)):
        database.write(lambda connection: insert_rows(connection, ours, rows, {"owner_id": new_id()}))
    assert database.read(lambda connection: stored(connection, ours)) == []


def test_rows_are_found_by_their_ids(database: Database) -> None:
    owner, other = new_id(), new_id()
    ids = [new_id() for _ in range(700)]
    mine = select(ours.c.id, ours.c.number).where(ours.c.owner_id == bindparam("owner"))

    def found(asked: list[str]) -> dict[str, int]:
        act: Callable[[Connection], Any] = lambda c: rows_by_id(c, mine, ours.c.id, asked, {"owner": owner})  # noqa: E731
        return {row.id: row.number for row in database.read(act)}

    def fill(connection: Connection) -> None:
        for shared in (owner, other):
            rows = {"id": ids, "number": [*range(700)], "sold": [True] * 700, "at": [NOON] * 700}
            insert_rows(connection, ours, {**rows, "document": [None] * 700}, {"owner_id": shared, "note": shared})

    database.write(fill)
    assert found([]) == {}
    assert found([ids[3], new_id()]) == {ids[3]: 3}
    # Twice the same is once; the owner's alone.
    assert found([*ids, *ids]) == {identity: number for number, identity in enumerate(ids)}

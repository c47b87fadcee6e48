"""Look-ups: the same row as through a transaction, never older than what was committed, and never waiting."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from sqlalchemy import (
    Column,
    Connection,
    Integer,
    MetaData,
    String,
    Table,
    bindparam,
    cast,
    func,
    insert,
    select,
    text,
    update,
)

from service.accounts.model import token_digest
from service.accounts.store import CALLER
from service.database.engine import Database
from service.database.ids import new_id
from service.database.lookup import Lookup
from service.database.migrate import upgrade
from service.database.types import Document, Identity, Instant
from service.progress.actions.store import FOLLOWED, SET_KEY, SETS_KEY
from service.runtime import Context
from tests.conftest import SERVER_URL
from tests.owners import open_account

metadata = MetaData()
# On partitions a look-up names the owner too, so that its table has one.
thing = Table(
    "thing",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("document", Document),
    Column("at", Instant),
    Column("name", Identity),
    Column("owner_id", Identity),
)
NAME = "01890a5d-ac96-774b-bcce-b302099a8057"
AT = datetime(2026, 2, 28, 23, 59, 59, 123456, tzinfo=UTC)
SEEN = (thing.c.id, thing.c.document, thing.c.at, thing.c.name)
BY_NAME = Lookup(select(*SEEN).where(thing.c.id < 10), by=thing.c.name)

on_sqlite = pytest.mark.skipif(SERVER_URL is not None, reason="only SQLite is asked in the event loop")


@pytest.fixture
def database(empty_database: Database) -> Database:
    empty_database.write(metadata.create_all)
    empty_database.write(
        lambda c: c.execute(insert(thing).values(id=1, document={"a": Decimal("1.10")}, at=AT, name=NAME))
    )
    return empty_database


def rename(database: Database, number: int) -> None:
    def act(connection: Connection) -> None:
        connection.execute(update(thing).values(document={"number": number}))

    database.write(act)


def test_a_look_up_finds_the_row_as_a_transaction_does(database: Database) -> None:
    read = database.read(lambda c: c.execute(select(*SEEN)).one())
    assert tuple(read) == (1, {"a": Decimal("1.10")}, AT, NAME)
    found = database.look_up(BY_NAME, name=NAME)
    assert found is not None
    assert tuple(found) == tuple(read)
    assert database.look_up(BY_NAME, name=NAME[:-1] + "0") is None


@on_sqlite
def test_at_once_it_finds_the_same(database: Database) -> None:
    found = database.look_up_at_once(BY_NAME, name=NAME)
    assert found is not None
    assert tuple(found) == tuple(database.look_up(BY_NAME, name=NAME) or ())
    assert (found.name, found.at) == (NAME, AT)
    assert database.look_up_at_once(BY_NAME, name=NAME[:-1] + "0") is None


def test_what_another_connection_committed_is_seen_by_the_next(database: Database, empty_database_url: str) -> None:
    other = Database(empty_database_url)
    for number in range(20):
        rename(other, number)
        looks = [database.look_up, *([database.look_up_at_once] if database.looks_up_at_once else [])]
        for look in looks:
            found = look(BY_NAME, name=NAME)
            assert found is not None
            assert found.document == {"number": number}
    other.close()


@on_sqlite
def test_at_once_it_finds_what_is_joined_to_one_text(database: Database) -> None:
    # SQLAlchemy fills the separator in when a statement runs.
    texts = select(func.aggregate_strings(cast(thing.c.id, String), ", ")).scalar_subquery()
    lookup = Lookup(select(thing.c.id, texts.label("every")).where(thing.c.id < bindparam("most")), by=thing.c.name)
    for most, expected in ((2, (1, "1")), (1, None)):
        found = database.look_up_at_once(lookup, name=NAME, most=most)
        assert found == database.look_up(lookup, name=NAME, most=most) == expected
    with pytest.raises(KeyError):
        database.look_up_at_once(lookup, name=NAME)


@on_sqlite
@pytest.mark.parametrize("lookup", [CALLER, SET_KEY, SETS_KEY])
def test_what_nearly_every_request_asks_is_asked_at_once(lookup: Lookup, empty_database: Database) -> None:
    upgrade(empty_database)
    owner, token = empty_database.write(lambda connection: open_account(connection, "a collector"))
    found = empty_database.look_up_at_once(lookup, digest=token_digest(token), definition=new_id(), number=FOLLOWED)
    if lookup is SET_KEY:
        assert found is None
    else:
        assert found is not None and found.owner_id == owner.id


@on_sqlite
def test_at_once_it_reads_while_another_writes_and_keeps_no_snapshot(database: Database) -> None:
    assert database.look_up_at_once(BY_NAME, name=NAME) is not None

    def half_way(connection: Connection) -> None:
        connection.execute(update(thing).values(document={"number": 1}))
        found = database.look_up_at_once(BY_NAME, name=NAME)
        assert found is not None
        assert found.document == {"a": Decimal("1.10")}

    database.write(half_way)
    # A reader that kept its snapshot would hinder the log from being taken into the file whole.
    with database._writing.connect() as connection:
        connection.connection.driver_connection.execute("PRAGMA busy_timeout=0")  # type: ignore[union-attr]
        busy, _, _ = connection.connection.driver_connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()  # type: ignore[union-attr]
        assert busy == 0


@on_sqlite
@pytest.mark.anyio
async def test_what_cannot_be_read_at_once_is_read_the_usual_way(database: Database) -> None:
    class Hindered(Database):
        def look_up_at_once(self, lookup: Lookup, **values: object) -> None:
            raise sqlite3.OperationalError("database is locked")

    hindered = Hindered(database.url.render_as_string())
    context = Context.__new__(Context)
    object.__setattr__(context, "database", hindered)
    found = await context.look_up(BY_NAME, name=NAME)
    assert found is not None
    assert found.name == NAME
    hindered.close()


@on_sqlite
def test_a_lookup_without_its_table_says_so(database: Database) -> None:
    database.write(lambda c: c.execute(text("DROP TABLE thing")))
    with pytest.raises(sqlite3.OperationalError):
        database.look_up_at_once(BY_NAME, name=NAME)

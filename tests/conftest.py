"""Fixtures for tests that need a database or the whole service.

`SETWRIGHT_TEST_DATABASE_URL` names a PostgreSQL server (any database on it that may create others); without it the
tests run on SQLite files. `SETWRIGHT_TEST_PARTITIONS=8` puts its tables into so many partitions by owner. Every test
session, and every worker of it, has databases of its own and drops them.
"""

from __future__ import annotations

import gc
import ipaddress
import os
import uuid
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from contextlib import ExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import httpx
import hypothesis
import pytest
from fastapi import FastAPI
from pydantic import SecretStr
from sqlalchemy import create_engine, text

from service.accounts.model import SCOPES, new_token, token_digest
from service.accounts.store import AccountStore
from service.app import create_app
from service.database.engine import Database, read_url
from service.database.migrate import upgrade
from service.settings import Settings
from tests.own_postgresql import OwnServer, own_server, programs
from tests.owners import open_account, recognise

pytest_plugins = ["tests.promises.plugin", "tests.alone"]

# How fast a busy machine makes up examples is no matter of what is tested. The examples of a test are the same each time, so
# that one commit has one result, and three fifths of what a test asks for (tests/strategies.py: `examples`);
# `--hypothesis-profile=searching` makes up others, five times as many as it asks for.
hypothesis.settings.register_profile(
    "searching",
    deadline=None,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
    print_blob=True,
    max_examples=500,
)
hypothesis.settings.register_profile(
    "patient", hypothesis.settings.get_profile("searching"), derandomize=True, max_examples=60
)
hypothesis.settings.load_profile("patient")
# Whatever takes none of these never sees the database that the environment names.
DATABASES = {"database_url", "empty_database_url", "another_database_url", "deserted", "own_postgresql"}
SERVER_URL = os.environ.get("SETWRIGHT_TEST_DATABASE_URL")
PARTITIONS = int(os.environ.get("SETWRIGHT_TEST_PARTITIONS", "0")) if SERVER_URL is not None else 0
if PARTITIONS:
    # Settings read it, in this process and in servers that tests start.
    os.environ["SETWRIGHT_PARTITIONS"] = str(PARTITIONS)


def pytest_configure(config: pytest.Config) -> None:
    # A worker that is done takes tests over from the other: some take a minute, most a moment.
    if getattr(config.option, "dist", "no") == "load":
        config.option.dist = "worksteal"


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    # What is read to find the tests stays until the end: some million objects, which no collection need look through again.
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish() -> None:
    # At its end pytest collects garbage five times, looking for what was not closed: once finds it, and the rest need not be
    # looked through.
    gc.collect()
    gc.freeze()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    # Each worker takes some seconds to read the OpenAPI document for requests that are made up in a step of their own.
    is_left_out = "not fuzz" in config.getoption("markexpr")
    return True if is_left_out and collection_path.name == "test_fuzz.py" else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if isinstance(item, pytest.Function) and not DATABASES & set(item.fixturenames):
            item.add_marker(pytest.mark.pure)


@contextmanager
def own_database(folder: Path, server_url: str | None = SERVER_URL) -> Iterator[str]:
    """The address of an empty database that is gone afterwards."""
    if server_url is None:
        yield f"sqlite:///{folder / f'{uuid.uuid4().hex}.sqlite3'}"
        return
    name = f"setwright_test_{uuid.uuid4().hex}"
    server = create_engine(read_url(server_url), isolation_level="AUTOCOMMIT")
    try:
        with server.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        yield read_url(server_url).set(database=name).render_as_string(hide_password=False)
        with server.connect() as connection:
            connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    finally:
        server.dispose()


@pytest.fixture(scope="session")
def database_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """One database for the whole session: tests keep apart by having accounts of their own."""
    with own_database(tmp_path_factory.mktemp("database")) as url:
        yield url


@pytest.fixture
def empty_database_url(tmp_path: Path) -> Iterator[str]:
    """A database for this test alone, without a table in it."""
    with own_database(tmp_path) as url:
        yield url


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """The session's database, with all tables."""
    opened = Database(database_url)
    upgrade(opened, partitions=PARTITIONS)
    yield opened
    opened.close()


@pytest.fixture
def empty_database(empty_database_url: str) -> Iterator[Database]:
    """The database for this test alone, without a table in it."""
    opened = Database(empty_database_url)
    yield opened
    opened.close()


@pytest.fixture
def another_database_url(tmp_path: Path) -> Iterator[Callable[[], str]]:
    """Makes as many empty databases as a test asks for."""
    with ExitStack() as stack:
        yield lambda: stack.enter_context(own_database(tmp_path))


@pytest.fixture(scope="module")
def own_postgresql() -> Iterator[OwnServer]:
    """A server of these tests alone that asks for a password, which has every sign that is special somewhere."""
    if SERVER_URL is None or programs() is None:
        pytest.skip("it needs PostgreSQL: SETWRIGHT_TEST_DATABASE_URL, and initdb on this machine")
    with own_server("@:/#%?& \"'$ ${x} \\") as server:
        yield server


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def settings_for(url: str, **more: object) -> Settings:
    """Settings for tests: a fixed address, nothing from the environment. A test asks for more than a caller may, and compares
    answers without what is left to the caller."""
    unlimited = {"rate_account": "", "rate_anonymous": "", "heavy_at_once": 0}
    # A busy machine takes its time, and hardly a test needs a process of its own.
    patient = {"request_seconds": 120.0, "anonymous_seconds": 120.0, "small_work_milliseconds": 100.0}
    # Nothing is worked out while a test counts how often it is.
    patient["standings_minutes"] = 0
    usual = {"base_url": "http://setwright.test", **unlimited, **patient, **more}
    return Settings(database_url=SecretStr(url), **usual)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Running:
    """The service in this process, and a client of it."""

    app: FastAPI
    client: httpx.AsyncClient

    def collector(self, *, is_admin: bool = False) -> dict[str, str]:
        """The headers of a collector with a new account; the token has every scope."""
        database: Database = self.app.state.database
        name = f"a collector {uuid.uuid4()}"
        _, token = database.write(lambda connection: open_account(connection, name, is_admin=is_admin))
        return {"Authorization": f"Bearer {token}"}

    def another_token(
        self, owner: dict[str, str], *, scopes: Iterable[str] = SCOPES, expires_at: datetime | None = None
    ) -> dict[str, str]:
        """The headers with one more token of the same collector."""
        database: Database = self.app.state.database
        first, token, now = owner["Authorization"].removeprefix("Bearer "), new_token(), datetime.now(UTC)
        database.write(
            lambda connection: AccountStore(connection).add_token(
                recognise(connection, first), token_digest(token), "another", now, expires_at, scopes=scopes
            )
        )
        return {"Authorization": f"Bearer {token}"}


# Tests compare tags of short and long answers, which are the same in one coding (test_compression.py asks for others).
PLAIN = {"Accept-Encoding": "identity"}


@asynccontextmanager
async def running(settings: Settings) -> AsyncIterator[Running]:
    """The service with its lifespan, reached without a socket."""
    app = create_app(settings)
    async with app.router.lifespan_context(app):
        # Every test comes from an address of its own: wrong passwords of one do not lock another out.
        transport = httpx.ASGITransport(app, client=(str(ipaddress.IPv6Address(uuid.uuid4().int)), 50_000))
        async with httpx.AsyncClient(
            transport=transport, base_url="http://setwright.test", headers=PLAIN, timeout=30
        ) as client:
            yield Running(app, client)


@pytest.fixture
async def service(database_url: str, tmp_path: Path, anyio_backend: str) -> AsyncIterator[Running]:
    async with running(settings_for(database_url, photos_dir=tmp_path / "photos")) as started:
        yield started

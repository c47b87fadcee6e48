"""One way to the database: `read(action)` and `write(action)`, each one transaction, committed before it returns.

SQLite: one writing connection (BEGIN IMMEDIATE) behind a fair lock, and a pool of connections that can only read.
The driver's default transactions lose updates silently (promises.md: 89 % of 1,280 in a read-then-write race).
PostgreSQL: psycopg 3, READ COMMITTED with row locks for writing, REPEATABLE READ READ ONLY for reading.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import ConnectionPoolEntry, NullPool, QueuePool

from service.database.errors import RETRIED_STATES, sqlstate, translated
from service.database.fair_lock import FairLock
from service.database.lookup import Beside, Lookup
from service.database.warm import Warm

Answer = TypeVar("Answer")

_TRIES = 3
_PATIENCE_SECONDS = 30.0
_WAL_TRIES = 100
_WAL_PAUSE_SECONDS = 0.05
_JOURNAL_BYTES = 64 * 1024 * 1024
_WARM = "warm"
# SQLite from 3.7.0 up to this version can lose its log when several connections write (promises.md).
SOUND_SQLITE = (3, 51, 3)


@dataclass(frozen=True, slots=True)
class Limits:
    """How many connections and waiters a database may have, and what may be kept of it in memory."""

    sqlite_readers: int = 8
    writers_waiting: int = 200
    postgresql_connections: int = 10
    warm_bytes: int = 256 * 1024 * 1024
    postgresql_pooler: bool = False


@dataclass(frozen=True, slots=True)
class DatabaseUse:
    """Connections in use and the most there may be, by pool; SQLite: how many changes wait now, and were refused since the
    start."""

    pools: Mapping[str, tuple[int, int]]
    writers_waiting: int = 0
    writers_refused: int = 0


class Database:
    """An open database. `url` has its password in it: never print it, print `shown_url`."""

    def __init__(self, url: str | URL, limits: Limits | None = None) -> None:
        limits = limits or Limits()
        self.url = read_url(url)
        self.is_sqlite = self.url.get_backend_name() == "sqlite"
        self._lock: FairLock | None = None
        self._beside: Beside | None = None
        if self.is_sqlite:
            self._beside = Beside(_sqlite(self.url, "BEGIN", connections=None, read_only=True))
            self._lock = FairLock(limits.writers_waiting, _PATIENCE_SECONDS)
            self._writing = _sqlite(self.url, "BEGIN IMMEDIATE", connections=1)
            self._reading = _sqlite(self.url, "BEGIN", connections=limits.sqlite_readers, read_only=True)
        else:
            self._writing = _postgresql(self.url, limits.postgresql_connections, limits.postgresql_pooler)
            self._reading = self._writing.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        self._looking = (
            self._reading if self.is_sqlite else self._writing.execution_options(isolation_level="AUTOCOMMIT")
        )
        self.warm: Warm[Any] = Warm(limits.warm_bytes)
        self._reading = self._reading.execution_options(**{_WARM: self.warm})

    @property
    def shown_url(self) -> str:
        return self.url.render_as_string(hide_password=True)

    @property
    def use(self) -> DatabaseUse:
        """How busy it is now."""
        if self._lock is None:
            return DatabaseUse({"all": _pool_use(self._writing)})
        pools = {"reading": _pool_use(self._reading), "writing": _pool_use(self._writing)}
        return DatabaseUse(pools, self._lock.waiting, self._lock.refused)

    def read(self, action: Callable[[Connection], Answer]) -> Answer:
        """What `action` reads, all of it in one snapshot."""
        with translated(), self._reading.connect() as connection, connection.begin():
            return action(connection)

    def look_up(self, lookup: Lookup, **values: Any) -> Any | None:
        """The row that a look-up finds, or None; by itself, without a transaction."""
        with translated(), self._looking.connect() as connection:
            return connection.execute(lookup.statement_on(connection), values).first()

    @property
    def looks_up_at_once(self) -> bool:
        """Whether there is `look_up_at_once`."""
        return self._beside is not None

    def look_up_at_once(self, lookup: Lookup, **values: Any) -> Any | None:
        """The same, in the event loop, without waiting. Raises sqlite3.Error where it would have to wait, or fails: `look_up`
        then says what is wrong."""
        assert self._beside is not None
        return self._beside.find(lookup, values)

    def write(self, action: Callable[[Connection], Answer]) -> Answer:
        """What `action` answers, after its changes are committed. It may be run again after a deadlock, up to three
        times, so it changes nothing but the database."""
        with translated(writing=True):
            if self._lock is not None:
                with self._lock.held():
                    return self._once(action)
            for _ in range(_TRIES - 1):
                try:
                    return self._once(action)
                except DBAPIError as error:
                    if sqlstate(error) not in RETRIED_STATES:
                        raise
            return self._once(action)

    def _once(self, action: Callable[[Connection], Answer]) -> Answer:
        with self._writing.begin() as connection:
            return action(connection)

    def close(self) -> None:
        if self._beside is not None:
            self._beside.close()
        self._reading.dispose()
        self._writing.dispose()


def _pool_use(engine: Engine) -> tuple[int, int]:
    pool = engine.pool
    assert isinstance(pool, QueuePool)
    return pool.checkedout(), pool.size()


def warm_of(connection: Connection) -> Warm[Any] | None:
    """What is kept in memory of the connection's database; None for a connection that writes, since others must not see what
    it reads before it is committed."""
    found: Warm[Any] | None = connection.get_execution_options().get(_WARM)
    return found


def read_url(text: str | URL) -> URL:
    """The address of a database. SQLite needs a file; PostgreSQL is reached through psycopg 3."""
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise ValueError(
            "the database URL is not of the form sqlite:///FILE or postgresql://USER@HOST/NAME (a password with other signs than "
            "letters and digits goes into SETWRIGHT_DATABASE_PASSWORD)"
        ) from None
    backend = url.get_backend_name()
    if backend == "sqlite":
        if url.database in (None, "", ":memory:"):
            raise ValueError("SQLite needs a file (sqlite:///FILE): a database in memory would be gone with the server")
        return url.set(drivername="sqlite+pysqlite")
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    raise ValueError(f"'{backend}' is not served: use sqlite:///FILE or postgresql://USER@HOST/NAME")


def migration_engine(url: URL) -> Engine:
    """An engine for migrations alone. On SQLite foreign keys are off: Alembic's batch mode drops and renames tables,
    and with foreign_keys=ON that deletes the child rows by cascade. `migrate` checks them before it commits."""
    if url.get_backend_name() != "sqlite":
        return create_engine(url, poolclass=NullPool, hide_parameters=True)
    return _sqlite(url, "BEGIN IMMEDIATE", connections=None, foreign_keys=False)


def _sqlite(
    url: URL, begin: str, *, connections: int | None, read_only: bool = False, foreign_keys: bool = True
) -> Engine:
    assert url.database is not None
    Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    pool: dict[str, Any] = {"poolclass": NullPool}
    if connections is not None:
        pool = {"pool_size": connections, "max_overflow": 0, "pool_timeout": _PATIENCE_SECONDS}
    engine = create_engine(url, hide_parameters=True, connect_args={"check_same_thread": False}, **pool)

    @event.listens_for(engine, "connect")
    def prepare(connection: Any, _: ConnectionPoolEntry) -> None:
        # None: the driver begins no transaction of its own; `start` below does.
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA busy_timeout=5000")
        _begin_wal(cursor)
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute(f"PRAGMA foreign_keys={'ON' if foreign_keys else 'OFF'}")
        cursor.execute("PRAGMA trusted_schema=OFF")
        cursor.execute(f"PRAGMA journal_size_limit={_JOURNAL_BYTES}")
        if read_only:
            cursor.execute("PRAGMA query_only=ON")
        cursor.close()

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        if begin == "BEGIN":
            # Takes no lock yet, so that it cannot fail as a statement may; on the driver's own connection a fifth as much work.
            connection.connection.dbapi_connection.execute(begin)  # type: ignore[union-attr]
        else:
            connection.exec_driver_sql(begin)

    return engine


def _begin_wal(cursor: sqlite3.Cursor) -> None:
    """Turning it on needs the file for a moment to itself, and SQLite does not wait for that as it does for other locks:
    servers that start together on a new file meet here."""
    for tries_left in reversed(range(_WAL_TRIES)):
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError:
            if not tries_left:
                raise
            time.sleep(_WAL_PAUSE_SECONDS)
        else:
            return


def _postgresql(url: URL, connections: int, pooler: bool) -> Engine:
    limits = "-c statement_timeout=10000 -c lock_timeout=2000 -c idle_in_transaction_session_timeout=10000"
    # A pooler gives each transaction any of its sessions: nothing may be prepared in one, or set for one (docs/scale.md).
    session: dict[str, Any] = {"prepare_threshold": None} if pooler else {"options": limits}
    return create_engine(
        url,
        pool_size=connections,
        max_overflow=0,
        pool_timeout=_PATIENCE_SECONDS,
        pool_pre_ping=True,
        hide_parameters=True,
        connect_args={**session, "connect_timeout": 5},
    )

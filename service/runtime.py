"""The parts of the running service, and the only place that knows threads and the time.

Actions that wait or compute take a `Context`; what only reads or writes takes a connection, and the time if it needs it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, TypeVar

import anyio
from anyio import to_thread
from sqlalchemy import Connection

from service.blobs import blob_store_of
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.database.lookup import Lookup
from service.database.migrate import upgrade
from service.errors import Busy
from service.fetch.client import Fetcher
from service.settings import Settings

Answer = TypeVar("Answer")

# A large picture takes a core and hundreds of megabytes.
_PHOTOS_AT_ONCE = 1
# Hashing a password takes 19 MiB and some 60 ms of a core.
_PASSWORDS_AT_ONCE, _PASSWORDS_WAITING = 2, 100
# Beside those of strangers, whatever these do.
_PASSWORDS_OF_KNOWN_DEVICES_AT_ONCE, _PASSWORDS_OF_KNOWN_DEVICES_WAITING = 1, 50
_FETCHES_AT_ONCE, _FETCHES_WAITING = 4, 16


class Limiter:
    """`at_once` calls run in threads; up to `waiting` more wait for a turn, first come first served; past that:
    Busy."""

    def __init__(self, at_once: int, waiting: int) -> None:
        self._limiter = anyio.CapacityLimiter(at_once)
        self._room = at_once + waiting
        self._inside = 0

    async def run(self, call: Callable[[], Answer]) -> Answer:
        """What `call` returns, computed outside the event loop. A caller that goes away while waiting frees its
        place."""
        with self._place():
            return await to_thread.run_sync(call, limiter=self._limiter)

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """The same for what waits in the event loop itself."""
        with self._place():
            async with self._limiter:
                yield

    @contextmanager
    def _place(self) -> Iterator[None]:
        if self._inside >= self._room:
            raise Busy("the service is doing as much of this at once as it can; try again shortly", 2)
        self._inside += 1
        try:
            yield
        finally:
            self._inside -= 1


def utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Context:
    """The parts of the running service."""

    settings: Settings
    database: Database
    limiter: Limiter
    photo_limiter: Limiter
    password_limiter: Limiter
    known_device_limiter: Limiter
    blobs: BlobStore
    fetcher: Fetcher
    clock: Callable[[], datetime] = utc_now

    def now(self) -> datetime:
        """The time, in UTC."""
        return self.clock()

    def today(self) -> date:
        """The day in UTC."""
        return self.clock().date()

    async def read(self, action: Callable[[Connection], Answer]) -> Answer:
        """What the action reads in one snapshot, outside the event loop."""
        return await self.run(lambda: self.database.read(action))

    async def write(self, action: Callable[[Connection], Answer]) -> Answer:
        """What the action returns, committed before this returns, outside the event loop."""
        return await self.run(lambda: self.database.write(action))

    async def look_up(self, lookup: Lookup, **values: Any) -> Any | None:
        """The row that a look-up finds, or None: of a SQLite file here and now, else outside the event loop."""
        if self.database.looks_up_at_once:
            # What fails is asked again the usual way, which waits where that helps, and tells errors from one another.
            with suppress(sqlite3.Error):
                return self.database.look_up_at_once(lookup, **values)
        return await self.run(lambda: self.database.look_up(lookup, **values))

    async def compute(self, call: Callable[[], Answer]) -> Answer:
        """What `call` computes: a few at once, a short queue, past that Busy."""
        return await self.limiter.run(call)

    async def run(self, call: Callable[[], Answer]) -> Answer:
        """What `call` returns, outside the event loop; for what waits rather than computes."""
        return await in_thread(call)


async def in_thread(call: Callable[[], Answer]) -> Answer:
    """What `call` returns, run outside the event loop."""
    return await to_thread.run_sync(call)


@contextmanager
def opened_database(settings: Settings) -> Iterator[Database]:
    """The database, migrated to its newest form; closed at the end."""
    database = Database(settings.database, settings.limits)
    try:
        upgrade(database)
        yield database
    finally:
        database.close()


@contextmanager
def opened(settings: Settings) -> Iterator[Context]:
    """The parts of a service with these settings; closed at the end."""
    with opened_database(settings) as database:
        yield Context(
            settings,
            database,
            Limiter(settings.solves_at_once, settings.solves_waiting),
            Limiter(_PHOTOS_AT_ONCE, settings.solves_waiting),
            Limiter(_PASSWORDS_AT_ONCE, _PASSWORDS_WAITING),
            Limiter(_PASSWORDS_OF_KNOWN_DEVICES_AT_ONCE, _PASSWORDS_OF_KNOWN_DEVICES_WAITING),
            blob_store_of(settings),
            Fetcher(
                from_loopback=settings.imports_from_loopback, turn=Limiter(_FETCHES_AT_ONCE, _FETCHES_WAITING).turn
            ),
        )

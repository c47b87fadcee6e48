"""The parts of the running service, and the only place that knows threads and the time.

Actions that wait or compute take a `Context`; what only reads or writes takes a connection.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TypeVar

import anyio
from anyio import to_thread
from sqlalchemy import Connection

from service.blobs.store import BlobStore
from service.database.engine import Database
from service.errors import Busy
from service.fetch.client import Fetcher
from service.settings import Settings

Answer = TypeVar("Answer")


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

    async def compute(self, call: Callable[[], Answer]) -> Answer:
        """What `call` computes: a few at once, a short queue, past that Busy."""
        return await self.limiter.run(call)

    async def run(self, call: Callable[[], Answer]) -> Answer:
        """What `call` returns, outside the event loop; for what waits rather than computes."""
        return await to_thread.run_sync(call)

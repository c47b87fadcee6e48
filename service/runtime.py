"""The gate before the solver, and before fetching: a few at once, a short queue, and past it an honest refusal."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import TypeVar

import anyio
from anyio import to_thread

from service.errors import Busy

Answer = TypeVar("Answer")


class Limiter:
    """`at_once` calls run in threads; up to `waiting` more wait their turn, first come first served; past that:
    Busy."""

    def __init__(self, at_once: int, waiting: int) -> None:
        self._limiter = anyio.CapacityLimiter(at_once)
        self._room = at_once + waiting
        self._inside = 0

    async def run(self, call: Callable[[], Answer]) -> Answer:
        """What `call` answers, computed outside the event loop. A caller that goes away while waiting frees its
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

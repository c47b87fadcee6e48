"""Who does jobs. On SQLite the one server does; on PostgreSQL the queue is procrastinate's, in the same database, and any number
of processes take from it: servers themselves, or `setwright worker` on any number of machines.

The queue says what is to be looked at; the table of jobs says what is to be done, and by whom (jobs/store.py). So a job that
is in the queue twice, or taken up again because its worker was killed, still ends once.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import Protocol

from service.errors import SetwrightError
from service.http.job_runs import JobsHere
from service.http.middleware import log_unforeseen
from service.runtime import Context
from service.worker import is_cancelled


class JobQueue(Protocol):
    """Where jobs are put."""

    async def added(self, owner_id: str, job_id: str) -> None:
        """A job was kept."""

    async def run(self) -> None:
        """Does jobs until it is cancelled."""


@asynccontextmanager
async def job_queue(context: Context, *, works: bool) -> AsyncIterator[JobQueue]:
    """The queue of this database, open as long as the block runs. `works`: jobs are done here too."""
    if context.database.is_sqlite:
        async with _working(JobsHere(context), works) as here:
            yield here
        return
    from service.procrastinate_queue import ProcrastinateQueue

    async with (
        ProcrastinateQueue(context, with_schedules=works).opened() as queue,
        _working(queue, works) as working,
    ):
        yield working


@asynccontextmanager
async def _working(queue: JobQueue, works: bool) -> AsyncIterator[JobQueue]:
    if not works:
        yield queue
        return
    task = asyncio.create_task(_kept_up(queue.run))
    try:
        yield queue
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _kept_up(run: Callable[[], Awaitable[None]]) -> None:
    """Runs it again a moment after it failed: the database may have been away."""
    while not is_cancelled():
        try:
            await run()
        except SetwrightError:
            # Whoever asks for anything meanwhile is told the same.
            pass
        except Exception as error:
            if not is_cancelled():
                log_unforeseen(error)
        if not is_cancelled():
            await asyncio.sleep(2.0)

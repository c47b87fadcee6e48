"""Background jobs of a server: daily maintenance, on SQLite also soon after the start; asking origins of definitions for newer
revisions; and working out standings ahead. Each may run in several servers of one database at the same time."""

from __future__ import annotations

import asyncio
import secrets
import time
import traceback
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain, repeat

import structlog

from service.accounts.model import Owner
from service.accounts.store import forget_answers
from service.beside import beside
from service.clubs.actions.ahead import StandingsAhead
from service.holdings.photos.actions import sweep
from service.holdings.sync.purge import purge
from service.jobs.files import remove_files, sweep_files
from service.jobs.store import forget_jobs
from service.runtime import Context, JobRuns
from service.sharing.actions.polling import check_due

log = structlog.get_logger(part="worker")

MAINTENANCE_SECONDS = 86_400.0
# On SQLite, where many a server runs for an evening: the first time.
FIRST_MAINTENANCE_SECONDS = 900.0
POLLING_SECONDS = 300.0
MINUTE_SECONDS = 60.0
# A photo is sent before the mutation that names it, or after it; a phone may lose its network in between.
UNNAMED_PHOTOS_KEPT = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Removed:
    """How many of each were removed."""

    answers: int
    photos: int
    mutations: int = 0
    holdings: int = 0
    jobs: int = 0
    job_files: int = 0


def maintain(context: Context) -> Removed:
    """Removes answers that were kept for repeated requests, the old part of the logs of sync, what was recorded of holdings that
    were deleted, and photos that no holding has, of all owners, once their time is over. Raises what the database or the blob
    store raises when it cannot be reached."""
    settings, now = context.settings, context.now()
    answers = context.database.write(
        lambda connection: forget_answers(connection, now - timedelta(days=settings.answers_kept_days))
    )
    purged = purge(context.database, _before(now, settings.sync_kept_days), _before(now, settings.deleted_kept_days))
    jobs, files = context.database.write(
        lambda connection: forget_jobs(connection, now - timedelta(days=settings.jobs_kept_days))
    )
    for owner_id, name in files:
        remove_files(context.job_files, Owner(owner_id), [name])
    return Removed(
        answers,
        sweep(
            context.database, context.blobs, now - timedelta(days=settings.photos_kept_days), now - UNNAMED_PHOTOS_KEPT
        ),
        *purged,
        jobs,
        len(files) + sweep_files(context.database, context.job_files, now),
    )


def _before(now: datetime, days: int) -> datetime | None:
    """The time before which nothing is kept; None where everything is, for ever."""
    return now - timedelta(days=days) if days else None


@asynccontextmanager
async def background(context: Context) -> AsyncIterator[None]:
    """The jobs, running as long as the block does."""
    first = FIRST_MAINTENANCE_SECONDS if context.database.is_sqlite else MAINTENANCE_SECONDS
    pauses = chain([min(first, MAINTENANCE_SECONDS)], repeat(MAINTENANCE_SECONDS))
    jobs = [_repeat(context, "maintenance", lambda: context.run(lambda: maintain(context)), lambda: next(pauses))]
    hours = context.settings.follow_hours
    if hours:
        jobs.append(_repeat(context, "polling", lambda: check_due(context, hours), _polling_pause))
    minutes = context.settings.standings_minutes
    if minutes and context.database.is_sqlite:
        # On PostgreSQL the queue says whose turn it is (procrastinate_queue.py).
        jobs.append(_repeat(context, "standings", StandingsAhead(context).run, lambda: minutes * MINUTE_SECONDS))
    async with beside(*jobs):
        yield


async def _repeat(
    context: Context, name: str, job: Callable[[], Awaitable[object]], pause: Callable[[], float]
) -> None:
    """Runs the job after each pause (seconds), until cancelled. An error ends that run only."""
    context.job_runs.setdefault(name, JobRuns())
    while not is_cancelled():
        await asyncio.sleep(pause())
        try:
            await counted(context, name, job)
        except Exception as error:
            # Without its text, which may repeat the secret of a link.
            place = traceback.extract_tb(error.__traceback__)[-1]
            log.error(  # noqa: TRY400
                "unforeseen error", job=name, kind=type(error).__name__, place=f"{place.filename}:{place.lineno}"
            )


async def counted(context: Context, name: str, job: Callable[[], Awaitable[object]]) -> None:
    """One run of a background job, which is counted. Raises what the job raises."""
    runs, started = context.job_runs.setdefault(name, JobRuns()), time.monotonic()
    try:
        await job()
        runs.succeeded += 1
        runs.last_success = time.time()
    except Exception:
        runs.failed += 1
        raise
    finally:
        runs.last_seconds = time.monotonic() - started


def is_cancelled() -> bool:
    """Whether somebody cancelled the task that asks. One that is cancelled while its database is gone may end with an error of
    the database instead, and whoever goes on after errors would go on for ever."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0


def _polling_pause() -> float:
    """Half to one and a half times the usual pause, so that several servers do not look at the same moment."""
    return POLLING_SECONDS * (0.5 + secrets.randbelow(1000) / 1000)

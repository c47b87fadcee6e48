"""The queue of jobs in a PostgreSQL database: procrastinate's. Imported only where there is one, since it takes some MiB."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from procrastinate import App, PsycopgConnector, RetryStrategy
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import Status
from sqlalchemy import URL, text

from service.clubs.actions.ahead import StandingsAhead
from service.database.migrate import QUEUE as SCHEMA
from service.http.job_runs import JobRunner
from service.jobs.store import waiting_jobs
from service.runtime import Context, JobRuns
from service.sharing.actions.polling import check_due
from service.worker import counted, maintain

_TASK = "job"
# A worker says that it is there every so many seconds, and is taken for gone when it did not for twice as long.
_HEARTBEAT_SECONDS, _GONE_SECONDS = 5.0, 15.0
_GRACE_SECONDS = 1.0
# What is waiting without being in the queue, since a server died between the two, is looked for this often.
_SWEEP = "* * * * * */15"
_DAILY, _POLLING = "17 3 * * *", "*/5 * * * *"
# Any number: servers and workers that start together make the tables one after the other.
_LOCK = 7_316_502_841


def connection_of(url: URL) -> dict[str, Any]:
    """What the queue's driver is told to connect with: all of the address, what follows its question mark (TLS, a socket's
    folder) included, as the service's other connections are."""
    told = dict(url.get_dialect()().create_connect_args(url)[1])
    given = f"{told.get('options', '')} -c search_path={SCHEMA}"
    return {**told, "options": given.lstrip()}


class ProcrastinateQueue:
    """The queue of a PostgreSQL database. `with_schedules`: the daily maintenance and the asking of origins are done from it
    too."""

    def __init__(self, context: Context, *, with_schedules: bool) -> None:
        self._context = context
        self._runner = JobRunner(context)
        self._standings = StandingsAhead(context)
        self._app = App(connector=PsycopgConnector(kwargs=connection_of(context.database.url), min_size=1, max_size=4))
        retry = RetryStrategy(max_attempts=10, exponential_wait=2)
        self._task = self._app.task(name=_TASK, queue="jobs", retry=retry)(self._run_one)
        if with_schedules:
            minutes = context.settings.standings_minutes
            done = {"sweep": 1, "maintenance": 1, "polling": context.settings.follow_hours, "standings": minutes}
            for name in filter(done.get, done):
                context.job_runs.setdefault(name, JobRuns())
            self._app.periodic(cron=_SWEEP)(
                self._app.task(name="sweep", queue="jobs", queueing_lock="sweep")(self._sweep)
            )
            self._app.periodic(cron=_DAILY)(
                self._app.task(name="maintenance", queue="jobs", queueing_lock="maintenance")(self._maintain)
            )
            if context.settings.follow_hours:
                self._app.periodic(cron=_POLLING)(
                    self._app.task(name="origins", queue="jobs", queueing_lock="origins")(self._ask_origins)
                )
            if minutes:
                # One run at a time, whoever does it.
                self._app.periodic(cron=f"*/{minutes} * * * *")(
                    self._app.task(name="standings", queue="jobs", lock="standings", queueing_lock="standings")(
                        self._work_ahead
                    )
                )

    @asynccontextmanager
    async def opened(self) -> AsyncIterator[ProcrastinateQueue]:
        """Its tables made where they are not there, and connected."""
        await self._context.run(self._make_tables)
        async with self._app.open_async():
            yield self

    async def added(self, owner_id: str, job_id: str) -> None:
        """Puts a job into the queue; of one owner one is done at a time."""
        with suppress(AlreadyEnqueued):
            await self._task.configure(lock=owner_id, queueing_lock=f"{owner_id}/{job_id}").defer_async(
                owner_id=owner_id, job_id=job_id
            )

    async def run(self) -> None:
        """Takes from the queue until it is cancelled."""
        await self._app.run_worker_async(
            queues=["jobs"],
            concurrency=max(2, self._context.settings.solves_at_once),
            install_signal_handlers=False,
            delete_jobs="always",
            update_heartbeat_interval=_HEARTBEAT_SECONDS,
            stalled_worker_timeout=_GONE_SECONDS,
            shutdown_graceful_timeout=_GRACE_SECONDS,
            fetch_job_polling_interval=2.0,
        )

    async def _run_one(self, owner_id: str, job_id: str) -> None:
        await self._runner.run(owner_id, job_id)

    async def _sweep(self, timestamp: int) -> None:
        del timestamp
        await counted(self._context, "sweep", self._put_back)

    async def _put_back(self) -> None:
        """What nobody works on: of a worker that is gone, or not put into the queue."""
        manager = self._app.job_manager
        for stalled in await manager.get_stalled_jobs(seconds_since_heartbeat=_GONE_SECONDS):
            # It holds the lock of its owner. What is still to be done is put there again below.
            await manager.finish_job(stalled, Status.FAILED, delete_job=True)
        now = self._context.now()
        for owner_id, job_id in await self._context.read(lambda connection: waiting_jobs(connection, now, 100)):
            await self.added(owner_id, job_id)

    async def _maintain(self, timestamp: int) -> None:
        del timestamp
        await counted(self._context, "maintenance", lambda: self._context.run(lambda: maintain(self._context)))

    async def _ask_origins(self, timestamp: int) -> None:
        del timestamp
        context = self._context
        await counted(context, "polling", lambda: check_due(context, context.settings.follow_hours))

    async def _work_ahead(self, timestamp: int) -> None:
        del timestamp
        await counted(self._context, "standings", self._standings.run)

    def _make_tables(self) -> None:
        def make(connection: Any) -> None:
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
            there = connection.execute(
                text("SELECT to_regclass(:name)"), {"name": f"{SCHEMA}.procrastinate_jobs"}
            ).scalar()
            if there is None:
                connection.execute(text(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))
                connection.execute(text(f"SET LOCAL search_path TO {SCHEMA}"))
                # The driver's own cursor: the script is one text with many statements, and has percent signs.
                connection.connection.cursor().execute(self._app.schema_manager.get_schema())

        self._context.database.write(make)

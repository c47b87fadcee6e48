"""Doing a job: its request is answered in a process for work, and the answer is kept, a long one as a file. However often it is
begun, it ends once, and files of attempts that did not end it are removed.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from sqlalchemy import Connection

from service.accounts.model import Caller, Owner
from service.accounts.store import AccountStore
from service.errors import Busy, SetwrightError
from service.http.elsewhere import LONGEST_IN_MEMORY, AnswerCopy, RequestCopy
from service.jobs.files import keep_file, remove_files
from service.jobs.model import DONE, FAILED, Answer, Job, KeptFile
from service.jobs.store import JobStore, waiting_jobs
from service.runtime import Context
from service.spool import piece_folder

MOST_ATTEMPTS = 4
# What becomes of an attempt that does not end its job.
LEFT = "left"
OUTCOMES = (DONE, FAILED, LEFT)
_LOOK_SECONDS = 2.0
_AT_A_LOOK = 20

Working = Callable[[RequestCopy], Awaitable[AnswerCopy]]


@dataclass(frozen=True, slots=True)
class JobRunner:
    """Does jobs with the processes of a context. An attempt that does not say in time that it goes on is given up, and another
    one begins."""

    context: Context

    @property
    def _lease(self) -> timedelta:
        return timedelta(seconds=self.context.settings.job_lease_seconds)

    async def run(self, owner_id: str, job_id: str) -> None:
        """One attempt, unless the job is over or another attempt holds it. Raises Busy where it could not be begun: it is to be
        tried again."""
        context, owner = self.context, Owner(owner_id)
        taken = await context.write(
            lambda connection: JobStore(connection, owner).take_up(job_id, context.now(), self._lease, MOST_ATTEMPTS)
        )
        if taken is None:
            is_given_up = await context.write(
                lambda connection: JobStore(connection, owner).give_up(job_id, context.now(), MOST_ATTEMPTS)
            )
            context.job_tally.outcomes[FAILED] += is_given_up
            return
        job, body = taken
        tally, started, outcome = context.job_tally, time.monotonic(), LEFT
        tally.running += 1
        try:
            outcome = await self._begun(owner, job, body)
        finally:
            tally.running -= 1
            tally.seconds += time.monotonic() - started
            tally.outcomes[outcome] += 1

    async def _begun(self, owner: Owner, job: Job, body: bytes) -> str:
        """What became of it: DONE, FAILED, or LEFT where the job has not ended by it."""
        # Whoever revoked the token meanwhile wants nothing more done with it.
        caller = await self.context.read(
            lambda connection: AccountStore(connection).caller_by_id(owner, job.token, self.context.now())
        )
        if caller is None:
            return await self._end(owner, job, FAILED, detail="the token that it was asked with is not valid any more")
        return await self._attempt(job, body, caller)

    async def _attempt(self, job: Job, body: bytes, caller: Caller) -> str:
        owner = caller.owner
        work = asyncio.ensure_future(self._worked(job, body, caller))
        holding = asyncio.ensure_future(self._held(owner, job))
        try:
            await asyncio.wait({work, holding}, return_when=asyncio.FIRST_COMPLETED)
            if not work.done():
                # It was cancelled, or another attempt has it: the process that works is ended below.
                return LEFT
            answer = work.result()
        except Busy:
            await self.context.write(lambda connection: JobStore(connection, owner).release(job.id, job.attempts))
            raise
        except SetwrightError as error:
            return await self._end(owner, job, FAILED, detail=str(error))
        except asyncio.CancelledError:
            # This server stops: the job is free for another one at once.
            self.context.database.write(lambda connection: JobStore(connection, owner).release(job.id, job.attempts))
            raise
        finally:
            for task in (work, holding):
                task.cancel()
            await asyncio.wait({work, holding})
        return await self._end(owner, job, DONE, answer)

    async def _worked(self, job: Job, body: bytes, caller: Caller) -> Answer:
        """The answer, with its file kept."""
        context = self.context
        with piece_folder(context.spool) as folder:
            copy = await self._answered(job, body, caller, folder)
            context.job_tally.counts.update(copy.counts)
            headers = [(name.decode("latin-1"), value.decode("latin-1")) for name, value in copy.headers]
            if not isinstance(copy.body, Path):
                return Answer(copy.status, headers, copy.body)
            made, size = copy.body, copy.body.stat().st_size
            if size <= LONGEST_IN_MEMORY:
                return Answer(copy.status, headers, made.read_bytes())
            name = await context.run(lambda: keep_file(context.job_files, caller.owner, made))
            return Answer(copy.status, headers, KeptFile(name, size))

    async def _answered(self, job: Job, body: bytes, caller: Caller, folder: Path) -> AnswerCopy:
        context = self.context
        assert context.members is not None
        headers = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in job.headers]
        if job.method == "POST" and not any(name == b"idempotency-key" for name, _ in headers):
            # What it writes it writes once, should it be begun again after that.
            headers.append((b"idempotency-key", f"job-{job.id}".encode()))
        copy = RequestCopy(
            method=job.method,
            path=job.path,
            query=job.query.encode("latin-1"),
            headers=tuple(headers),
            client=None,
            caller=caller,
            at=context.now(),
            body=body,
            folder=folder,
            bound={"job": job.id},
            seconds=context.settings.job_seconds,
        )
        seconds = context.settings.job_seconds
        answer: AnswerCopy = await context.members.run(
            "service.inside:answer", context.settings, copy, seconds=seconds, doing=job.doing
        )
        return answer

    async def _held(self, owner: Owner, job: Job) -> None:
        """Comes back when this attempt does not hold the job any more."""
        context = self.context
        while True:
            await asyncio.sleep(self._lease.total_seconds() / 6)
            until = context.now() + self._lease
            if not await context.write(
                lambda connection, until=until: JobStore(connection, owner).hold(job.id, job.attempts, until)  # type: ignore[misc]
            ):
                return

    async def _end(self, owner: Owner, job: Job, state: str, answer: Answer | None = None, detail: str = "") -> str:
        context, now = self.context, self.context.now()
        file = answer.body if answer is not None and isinstance(answer.body, KeptFile) else None

        def act(connection: Connection) -> tuple[bool, list[str]]:
            store = JobStore(connection, owner)
            if not store.end(job.id, job.attempts, state, now, answer, detail):
                # It was cancelled, another attempt has it, or its account is gone.
                return False, [] if file is None else [file.name]
            return True, [] if file is None else store.forget_files_past(context.settings.job_files_kept)

        has_ended, unnamed = await context.write(act)
        if unnamed:
            await context.run(lambda: remove_files(context.job_files, owner, unnamed))
        return state if has_ended else LEFT


class JobsHere:
    """Jobs done one after the other in this server, the oldest first: for SQLite, where one server has the database."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._runner = JobRunner(context)
        self._added = asyncio.Event()

    async def added(self, owner_id: str, job_id: str) -> None:
        """A job was kept."""
        del owner_id, job_id
        self._added.set()

    def _waiting(self, connection: Connection) -> list[tuple[str, str]]:
        return waiting_jobs(connection, self._context.now(), _AT_A_LOOK)

    async def run(self) -> None:
        """Until it is cancelled."""
        while True:
            self._added.clear()
            found = await self._context.read(self._waiting)
            for owner_id, job_id in found:
                try:
                    await self._runner.run(owner_id, job_id)
                except Busy:
                    await asyncio.sleep(_LOOK_SECONDS)
            if len(found) < _AT_A_LOOK:
                try:
                    await asyncio.wait_for(self._added.wait(), _LOOK_SECONDS)
                except TimeoutError:
                    continue

"""The parts of the running service, and the only place that knows threads and the time.

Actions that wait or compute take a `Context`; what only reads or writes takes a connection, and the time if it needs it.
"""

from __future__ import annotations

import asyncio
import sqlite3
import tempfile
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager, asynccontextmanager, contextmanager, nullcontext, suppress
from contextvars import copy_context
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

import anyio
from anyio import to_thread
from sqlalchemy import Connection

from service.blobs import blob_store_of, job_files_of
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.database.lookup import Lookup
from service.database.migrate import upgrade
from service.errors import Busy
from service.fetch.client import Fetcher
from service.processes import Processes, function_at
from service.settings import Settings
from service.spool import opened_spool

Answer = TypeVar("Answer")

# A large picture takes a core and hundreds of megabytes.
_PHOTOS_AT_ONCE = 1
# Hashing a password takes 19 MiB and some 60 ms of a core.
_PASSWORDS_AT_ONCE, _PASSWORDS_WAITING = 2, 100
# Beside those of strangers, whatever these do.
_PASSWORDS_OF_KNOWN_DEVICES_AT_ONCE, _PASSWORDS_OF_KNOWN_DEVICES_WAITING = 1, 50
# An export of an account reads all of it, and takes as much of the disk for a while.
_EXPORTS_AT_ONCE, _EXPORTS_WAITING = 1, 4
_FETCHES_AT_ONCE, _FETCHES_WAITING = 4, 16
# As values they may take 25 times as much.
_LARGE_BODIES = 1024 * 1024
# What waits for the database or a disk; they are started when they are needed.
_threads = ThreadPoolExecutor(40, "setwright")


class Limiter:
    """`at_once` calls run in threads; up to `waiting` more wait for a turn, first come first served; past that:
    Busy."""

    def __init__(self, at_once: int, waiting: int) -> None:
        self._limiter = anyio.CapacityLimiter(at_once)
        self._room = at_once + waiting
        self._inside = 0
        # So many were refused since the start.
        self.refused = 0

    @property
    def running(self) -> int:
        """How many calls run now."""
        return self._limiter.borrowed_tokens

    @property
    def waiting(self) -> int:
        """How many calls wait for a turn."""
        return self._inside - self.running

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
            self.refused += 1
            raise Busy("the service is doing as much of this at once as it can; try again shortly", 2)
        self._inside += 1
        try:
            yield
        finally:
            self._inside -= 1


class ByteGate:
    """So many bytes of bodies are inside at once; the others wait, first come first served."""

    def __init__(self, most_bytes: int) -> None:
        self._most = self._free = most_bytes
        self._waiting: deque[tuple[int, asyncio.Future[None]]] = deque()

    async def enter(self, size: int, seconds: float) -> Callable[[], None]:
        """Waits for room for `size` bytes, of which no more are counted than there are, for so long; what is returned gives the
        room back. Raises Busy."""
        size = min(size, self._most)
        if size <= self._free and not self._waiting:
            self._free -= size
        else:
            turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._waiting.append((size, turn))
            try:
                # Shielded: room that was given in the last moment is given back below.
                await asyncio.wait_for(asyncio.shield(turn), seconds)
            except BaseException as error:
                if turn.done():
                    self._leave(size)
                else:
                    turn.cancel()
                    # Those behind may need less.
                    self._let_in()
                if isinstance(error, TimeoutError):
                    raise Busy("the service reads as many large bodies as it can; try again shortly", 2) from None
                raise
        return lambda: self._leave(size)

    def _leave(self, size: int) -> None:
        self._free += size
        self._let_in()

    def _let_in(self) -> None:
        while self._waiting and (self._waiting[0][1].cancelled() or self._waiting[0][0] <= self._free):
            wanted, turn = self._waiting.popleft()
            if not turn.cancelled():
                self._free -= wanted
                turn.set_result(None)


def utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(slots=True)
class JobRuns:
    """How often a background job ended well (`succeeded`) or with an error since the start; when it last ended well, in seconds
    since 1970, and how many seconds it last took."""

    succeeded: int = 0
    failed: int = 0
    last_success: float = 0.0
    last_seconds: float = 0.0


@dataclass(slots=True)
class JobTally:
    """Attempts at jobs in this process: how many run now, and of those since the start how many ended their job, or did not
    (`outcomes`: done, failed; left: given back, cancelled, or taken over by another), and how many seconds all of them took.
    `counts`: what was counted in the processes that worked on them, by name and labels."""

    running: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    counts: Counter[tuple[str, tuple[str, ...]]] = field(default_factory=Counter)


@dataclass(frozen=True, slots=True)
class Context:
    """The parts of the running service. `spool`: the folder of bodies and answers that are too long for memory. `job_files`:
    the store of long answers of jobs. `members`, `strangers`: the processes for work of accounts, and of callers without one;
    None in such a process itself."""

    settings: Settings
    database: Database
    limiter: Limiter
    photo_limiter: Limiter
    password_limiter: Limiter
    known_device_limiter: Limiter
    fetch_limiter: Limiter
    export_limiter: Limiter
    blobs: BlobStore
    job_files: BlobStore
    fetcher: Fetcher
    spool: Path
    large_bodies: ByteGate
    members: Processes | None = None
    strangers: Processes | None = None
    clock: Callable[[], datetime] = utc_now
    span: Callable[[str], AbstractContextManager[object]] = nullcontext
    job_runs: dict[str, JobRuns] = field(default_factory=dict, compare=False)
    job_tally: JobTally = field(default_factory=JobTally, compare=False)

    def now(self) -> datetime:
        """The time, in UTC."""
        return self.clock()

    def today(self) -> date:
        """The day in UTC."""
        return self.clock().date()

    def start_work(self) -> None:
        """Starts the processes for work ahead of the first request, unless the settings leave them to it."""
        if not self.settings.work_at_start:
            return
        for processes in (self.members, self.strangers):
            if processes is not None:
                processes.start()

    async def read(self, action: Callable[[Connection], Answer]) -> Answer:
        """What the action reads in one snapshot, outside the event loop."""
        with self.span("read"):
            return await self.run(lambda: self.database.read(action))

    async def write(self, action: Callable[[Connection], Answer]) -> Answer:
        """What the action returns, committed before this returns, outside the event loop."""
        with self.span("write"):
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
        with self.span("compute"):
            return await self.limiter.run(call)

    async def in_process(self, place: str, *arguments: Any, doing: str) -> Any:
        """What the function at `place` ("module:function") returns, in a process that can be ended, or here in such a one; see
        `Processes.run`."""
        if self.members is None:
            return await in_thread(lambda: function_at(place)(*arguments))
        return await self.members.run(place, *arguments, seconds=self.settings.request_seconds, doing=doing)

    async def run(self, call: Callable[[], Answer]) -> Answer:
        """What `call` returns, outside the event loop; for what waits rather than computes."""
        return await in_thread(call)


async def in_thread(call: Callable[[], Answer]) -> Answer:
    """What `call` returns, run outside the event loop, with the context variables of here."""
    # `anyio.to_thread` gives the event loop three turns on the way, each through all layers of a request, where this needs one.
    return await asyncio.get_running_loop().run_in_executor(_threads, copy_context().run, call)


@contextmanager
def opened_database(settings: Settings) -> Iterator[Database]:
    """The database, migrated to its newest form; closed at the end."""
    database = Database(settings.database, settings.limits)
    try:
        upgrade(database, partitions=settings.partitions)
        yield database
    finally:
        database.close()


@contextmanager
def opened(settings: Settings) -> Iterator[Context]:
    """The parts of a service with these settings; closed at the end."""
    members, strangers = (Processes(room) for room in settings.rooms)
    with (
        opened_database(settings) as database,
        opened_spool(settings.spool_dir) as spool,
    ):
        try:
            yield replace(_parts(settings, database, spool), members=members, strangers=strangers)
        finally:
            members.close()
            strangers.close()


def opened_inside(settings: Settings, clock: Callable[[], datetime]) -> Context:
    """The parts for a process that only answers what is passed to it; they are never closed. The database was migrated by the
    service that started the process."""
    database = Database(settings.database, settings.limits)
    return replace(_parts(settings, database, Path(tempfile.gettempdir())), clock=clock)


def _parts(settings: Settings, database: Database, spool: Path) -> Context:
    fetches = Limiter(_FETCHES_AT_ONCE, _FETCHES_WAITING)
    return Context(
        settings,
        database,
        Limiter(settings.solves_at_once, settings.solves_waiting),
        Limiter(_PHOTOS_AT_ONCE, settings.solves_waiting),
        Limiter(_PASSWORDS_AT_ONCE, _PASSWORDS_WAITING),
        Limiter(_PASSWORDS_OF_KNOWN_DEVICES_AT_ONCE, _PASSWORDS_OF_KNOWN_DEVICES_WAITING),
        fetches,
        Limiter(_EXPORTS_AT_ONCE, _EXPORTS_WAITING),
        blob_store_of(settings),
        job_files_of(settings),
        Fetcher(from_loopback=settings.imports_from_loopback, turn=fetches.turn),
        spool,
        ByteGate(_LARGE_BODIES),
    )

"""Work in processes of its own, which can be ended: each piece has a deadline and a limit of memory, and ends when nobody
waits for it any more. Threads cannot be ended.

The processes come from a server of forks that has imported everything once, so that a new one is there within some 20 ms
and shares what it has not changed.
"""

from __future__ import annotations

import asyncio
import gc
import importlib
import multiprocessing
import os
import resource
import threading
import time
from collections.abc import AsyncIterator, Sequence
from concurrent.futures import CancelledError as CallCancelled
from concurrent.futures.process import BrokenProcessPool
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

from pebble import ProcessExpired, ProcessPool
from pebble.common.types import CONSTS

from service.errors import Busy, TooHeavy
from service.evaluation.cost import memory_in_words, seconds_in_words
from service.memory import TIDY_SECONDS, give_back, limit_heaps, look_for_rings

# Imported by the server of forks; what it cannot import is left out, and imported where it is used.
_IMPORTED_FIRST = ("__main__", "service.inside")
# And this where the processes are started ahead: what every one of them would do at its first piece.
_DONE_FIRST = "service.warm"
# A process that computes does not look at signals: it gets no longer than this before it is killed, in seconds.
_MERCY_SECONDS = 0.1
# How often the pool looks for pieces that are over their time, or that nobody waits for, in seconds.
_LOOK_SECONDS = 0.05
# So much later than it should a pool may end a piece, on a busy machine.
_LATE_SECONDS = 5.0
# So many pieces, then a process makes room for a new one: what it kept and could not give back is gone with it.
_PIECES = 5_000


@dataclass(frozen=True, slots=True)
class Room:
    """What one kind of caller may have done at once. `memory_bytes`: what one process may take besides what it has at its
    start; `niceness`: how far it stands back behind others for the processor (nice(1))."""

    at_once: int
    waiting: int
    memory_bytes: int
    niceness: int


@dataclass(slots=True)
class Tally:
    """What became of the pieces since the start."""

    done: int = 0
    refused: int = 0
    over_time: int = 0
    over_memory: int = 0
    left: int = 0


class Processes:
    """The processes of one kind of caller. They are there from `start` or the first piece on, until `close`.

    Each is a pool of one, so that it can be chosen: what a process has of an owner in memory serves the next piece for the same
    owner, which elsewhere would read everything anew."""

    def __init__(self, room: Room) -> None:
        self._room = room
        self._pools: dict[int, ProcessPool] = {}
        self._free = asyncio.Semaphore(room.at_once)
        self._idle = set(range(room.at_once))
        self._inside = 0
        self.tally = Tally()

    @property
    def running(self) -> int:
        return min(self._inside, self._room.at_once)

    @property
    def waiting(self) -> int:
        return max(0, self._inside - self._room.at_once)

    async def run(
        self,
        place: str,
        *arguments: Any,
        seconds: float,
        doing: str,
        limit: float | None = None,
        whose: str | None = None,
    ) -> Any:
        """What the function at `place` ("module:function") returns of these arguments, all of which can be pickled, in a process
        of this room. Raises what it raises; Busy when the queue is full, or its turn does not come within `seconds`; TooHeavy
        when it takes longer than is left of them, or more memory than the room has. Cancelled, it is ended. `doing` says what
        was being done, as in "evaluating the set"; `limit` the seconds that are named where these are what is left of them.
        Pieces of one `whose` go to the same process where it is idle."""
        loop = asyncio.get_running_loop()
        until = loop.time() + seconds
        async with self._turn(seconds, whose) as lane:
            left = max(until - loop.time(), _LOOK_SECONDS)
            try:
                work = self._started(lane).schedule(_call, args=[place, arguments], timeout=left)
                # The pool ends it in time; if the pool itself has died, nobody does.
                answer = await asyncio.wait_for(asyncio.wrap_future(work), left + _LATE_SECONDS)
            except TimeoutError:
                self.tally.over_time += 1
                raise TooHeavy(doing, seconds_in_words(limit or seconds)) from None
            except (MemoryError, ProcessExpired):
                self.tally.over_memory += 1
                raise TooHeavy(doing, memory_in_words(self._room.memory_bytes)) from None
            except asyncio.CancelledError:
                self.tally.left += 1
                raise
            except (BrokenProcessPool, CallCancelled):
                self._pools.pop(lane, None)
                raise Busy("the service could not start this; try again shortly", 2) from None
            self.tally.done += 1
            return answer

    def start(self) -> None:
        """Starts the processes now, so that the first piece finds them warm."""
        for lane in range(self._room.at_once):
            self._started(lane, _DONE_FIRST).schedule(_call, args=["os:getpid", ()])

    def close(self) -> None:
        """Ends all processes, whatever they do."""
        for pool in self._pools.values():
            pool.stop()  # type: ignore[no-untyped-call]
        for pool in self._pools.values():
            pool.join()
        self._pools.clear()

    @asynccontextmanager
    async def _turn(self, seconds: float, whose: str | None) -> AsyncIterator[int]:
        if self._inside >= self._room.at_once + self._room.waiting:
            self.tally.refused += 1
            raise Busy("the service is doing as much of this at once as it can; try again shortly", 2)
        self._inside += 1
        try:
            try:
                await asyncio.wait_for(self._free.acquire(), seconds)
            except TimeoutError:
                self.tally.refused += 1
                raise Busy("this did not get its turn in time; try again shortly", 2) from None
            lane = self._lane(whose)
            self._idle.remove(lane)
            try:
                yield lane
            finally:
                self._idle.add(lane)
                self._free.release()
        finally:
            self._inside -= 1

    def _lane(self, whose: str | None) -> int:
        """The idle process that pieces of these go to, else any idle one; one that was started before one that was not."""
        own = None if whose is None else crc32(whose.encode()) % self._room.at_once
        return min(self._idle, key=lambda lane: (lane != own, lane not in self._pools, lane))

    def _started(self, lane: int, *first: str) -> ProcessPool:
        pool = self._pools.get(lane)
        if pool is not None and not pool.active:
            # A thread of the pool has died of something unforeseen, and it takes nothing any more.
            pool.stop()  # type: ignore[no-untyped-call]
            threading.Thread(target=pool.join, daemon=True).start()
            pool = None
        if pool is None:
            CONSTS.term_timeout, CONSTS.sleep_unit = _MERCY_SECONDS, _LOOK_SECONDS
            context = multiprocessing.get_context("forkserver")
            context.set_forkserver_preload([*_IMPORTED_FIRST, *first])
            pool = self._pools[lane] = ProcessPool(
                1,
                max_tasks=_PIECES,
                initializer=_settle,
                initargs=(self._room.memory_bytes, self._room.niceness),
                context=context,
            )
        return pool


def _settle(memory_bytes: int, niceness: int) -> None:
    """The first that a new process does."""
    # It does one piece at a time, and what it has from the server of forks is no garbage: to look through that would take time,
    # and write to pages that all processes share.
    limit_heaps(1)
    gc.freeze()
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    threading.Thread(target=_tidy, daemon=True).start()
    os.nice(niceness)
    # Its address space, of which it has taken some by importing (getrlimit(2), RLIMIT_AS; proc(5), statm).
    pages = Path("/proc/self/statm")
    if pages.exists():
        taken = int(pages.read_text().split()[0]) * resource.getpagesize()
        most = taken + memory_bytes
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _end_with_the_server() -> None:
    """Waits for the end of the process that this one works for, which may be killed: then nobody wants what is computed here."""
    server = multiprocessing.parent_process()
    assert server is not None
    server.join()
    os._exit(1)


def _tidy() -> None:
    """As a process that serves does, which has a loop for it."""
    while True:
        time.sleep(TIDY_SECONDS)
        look_for_rings()
        give_back()


def _call(place: str, arguments: Sequence[Any]) -> Any:
    try:
        return function_at(place)(*arguments)
    except MemoryError:
        # What it was in the midst of, such as loading a library, may be half done for good.
        os._exit(1)


def function_at(place: str) -> Any:
    """The function that "module:function" names."""
    module, _, name = place.partition(":")
    return getattr(importlib.import_module(module), name)

"""Work in processes of its own: it ends at its deadline, at its limit of memory, and when nobody waits for it."""

from __future__ import annotations

import asyncio
import gc
import os
import platform
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from contextlib import suppress
from zlib import crc32

import psutil
import pytest

import service.processes
from service.errors import Busy, Fault, Invalid, NotFound, TooHeavy
from service.processes import Processes, Room
from tests.process_memory import heaps_of_threads
from tests.server import ROOT as CHECKOUT

pytestmark = pytest.mark.anyio

HERE = "tests.test_processes"
MEBIBYTE = 1024 * 1024
ROOM = Room(at_once=1, waiting=1, memory_bytes=200 * MEBIBYTE, niceness=3)


@pytest.fixture
async def processes(anyio_backend: str) -> AsyncIterator[Processes]:
    made = Processes(ROOM)
    yield made
    made.close()


# --- what is done in the other process ---------------------------------------------------------------------------------


def own_number() -> int:
    return os.getpid()


def own_niceness() -> int:
    return os.nice(0)


def without_end() -> None:
    while True:
        pass


def taking(megabytes: int) -> int:
    return len(bytearray(megabytes * MEBIBYTE))


def looked_through() -> tuple[int, int]:
    """Objects that a search for garbage looks through here, and those that it leaves out."""
    return len(gc.get_objects()), gc.get_freeze_count()


def ending_at_once() -> None:
    os._exit(11)


def refusing() -> None:
    raise Invalid([Fault("odd", "this is odd", "/a/b", line=3)], "said otherwise")


def not_finding() -> None:
    raise NotFound("coin", "c1")


async def run(processes: Processes, name: str, *arguments: object, seconds: float = 60) -> object:
    return await processes.run(f"{HERE}:{name}", *arguments, seconds=seconds, doing="counting")


# --- tests ---------------------------------------------------------------------------------------------------------------


async def test_it_runs_elsewhere_and_stands_back(processes: Processes) -> None:
    assert await run(processes, "own_number") != os.getpid()
    assert await run(processes, "own_niceness") == os.nice(0) + 3


async def test_garbage_is_not_looked_for_among_what_it_was_started_with(processes: Processes) -> None:
    looked, left_out = await run(processes, "looked_through")  # type: ignore[misc]
    assert left_out > 50_000 > looked


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other libraries of C have no such limit")
async def test_its_threads_share_one_heap(processes: Processes) -> None:
    assert heaps_of_threads() > 1
    assert await run(processes, "heaps_of_threads") == 1


async def test_errors_come_back_whole(processes: Processes) -> None:
    with pytest.raises(Invalid) as refusal:
        await run(processes, "refusing")
    assert refusal.value.faults == (Fault("odd", "this is odd", "/a/b", line=3),)
    assert refusal.value.detail == "said otherwise"
    with pytest.raises(NotFound) as missing:
        await run(processes, "not_finding")
    assert (missing.value.kind, missing.value.key) == ("coin", "c1")


async def test_what_takes_too_long_is_ended_and_the_next_finds_a_new_process(processes: Processes) -> None:
    number = await run(processes, "own_number")
    started = time.monotonic()
    with pytest.raises(TooHeavy, match=r"counting exceeds the 0\.5 seconds"):
        await run(processes, "without_end", seconds=0.5)
    # Measured on an idle machine: 0.6 s.
    assert time.monotonic() - started < 20
    assert not psutil.pid_exists(int(str(number)))
    assert await run(processes, "own_number") != number
    assert processes.tally.over_time == 1


async def test_memory_is_limited(processes: Processes) -> None:
    assert await run(processes, "taking", 100) == 100 * MEBIBYTE
    with pytest.raises(TooHeavy, match="the 200 MiB of memory"):
        await run(processes, "taking", 400)
    assert await run(processes, "taking", 100) == 100 * MEBIBYTE


async def test_control_with_a_higher_limit_the_same_is_done() -> None:
    processes = Processes(Room(at_once=1, waiting=1, memory_bytes=600 * MEBIBYTE, niceness=0))
    try:
        assert await run(processes, "taking", 400) == 400 * MEBIBYTE
    finally:
        processes.close()


async def test_a_process_that_dies_is_a_refusal_of_that_piece_alone(processes: Processes) -> None:
    with pytest.raises(TooHeavy):
        await run(processes, "ending_at_once")
    assert await run(processes, "taking", 1) == MEBIBYTE


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
async def test_a_pool_that_has_died_is_replaced(processes: Processes, monkeypatch: pytest.MonkeyPatch) -> None:
    """What such a pool has begun ends late, and what comes then finds another one."""
    number = int(str(await run(processes, "own_number")))
    manager = processes._pools[0]._pool_manager

    def failing() -> None:
        raise SystemError("planted")

    monkeypatch.setattr(service.processes, "_LATE_SECONDS", 0.5)
    monkeypatch.setattr(manager, "update_status", failing)
    with pytest.raises(TooHeavy):
        await run(processes, "without_end", seconds=0.5)
    assert await run(processes, "own_number") != number
    while psutil.pid_exists(number):
        await asyncio.sleep(0.05)


async def test_when_nobody_waits_it_is_ended(processes: Processes) -> None:
    number = int(str(await run(processes, "own_number")))
    work = asyncio.ensure_future(run(processes, "without_end"))
    await asyncio.sleep(0.3)
    assert psutil.pid_exists(number)
    work.cancel()
    with suppress(asyncio.CancelledError):
        await work
    for _ in range(200):
        if not psutil.pid_exists(number):
            break
        await asyncio.sleep(0.1)
    assert not psutil.pid_exists(number)
    assert processes.tally.left == 1
    # Its place is free again.
    assert await run(processes, "own_number") != number


async def test_a_queue_has_an_end_and_a_turn_comes_in_time_or_not_at_all(processes: Processes) -> None:
    first = asyncio.ensure_future(run(processes, "without_end"))
    await asyncio.sleep(0)
    second = asyncio.ensure_future(run(processes, "own_number", seconds=0.3))
    await asyncio.sleep(0)
    assert (processes.running, processes.waiting) == (1, 1)
    with pytest.raises(Busy):
        await run(processes, "own_number")
    with pytest.raises(Busy, match="turn"):
        await second
    first.cancel()
    with suppress(asyncio.CancelledError):
        await first
    assert (processes.running, processes.waiting) == (0, 0)


async def test_pieces_of_one_owner_go_to_the_same_process_where_it_is_idle() -> None:
    made = Processes(Room(at_once=2, waiting=1, memory_bytes=200 * MEBIBYTE, niceness=0))

    async def number(whose: str | None) -> int:
        return int(await made.run(f"{HERE}:own_number", seconds=60, doing="counting", whose=whose))

    try:
        # Of two names one is each process's own.
        names = {crc32(name.encode()) % 2: name for name in ("a", "b", "c", "d")}
        homes = {name: await number(name) for name in names.values()}
        assert len(set(homes.values())) == 2
        for _ in range(3):
            for name, home in homes.items():
                assert await number(name) == home
        # Where it is busy the other one does it, rather than nobody.
        busy = asyncio.ensure_future(made.run(f"{HERE}:without_end", seconds=600, doing="counting", whose=names[0]))
        await asyncio.sleep(0.2)
        assert await number(names[0]) == homes[names[1]]
        busy.cancel()
        with suppress(asyncio.CancelledError):
            await busy
        # Pieces of nobody take one that is there.
        assert await number(None) in {await number(names[0]), homes[names[1]]}
    finally:
        made.close()


async def test_closing_ends_what_runs() -> None:
    processes = Processes(ROOM)
    number = int(str(await run(processes, "own_number")))
    work = asyncio.ensure_future(run(processes, "without_end"))
    await asyncio.sleep(0.3)
    started = time.monotonic()
    processes.close()
    # Measured on an idle machine: 0.2 s.
    assert time.monotonic() - started < 10
    assert not psutil.pid_exists(number)
    work.cancel()
    with suppress(BaseException):
        await work


KILLED = """
import asyncio
from tests.test_processes import HERE, ROOM
from service.processes import Processes

async def main():
    made = Processes(ROOM)
    print(await made.run(f"{HERE}:own_number", seconds=60, doing="this"), flush=True)
    await made.run(f"{HERE}:without_end", seconds=600, doing="this")

asyncio.run(main())
"""


@pytest.mark.process
def test_when_the_server_is_killed_it_ends() -> None:
    server = subprocess.Popen([sys.executable, "-c", KILLED], cwd=CHECKOUT, stdout=subprocess.PIPE, text=True)
    with server:
        assert server.stdout is not None
        working = psutil.Process(int(server.stdout.readline()))
        server.kill()
        # The fork keeps the pipe open as long as it is there.
        working.wait(60)

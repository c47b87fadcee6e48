"""What an idle worker and a large evaluation take of memory, and how long another caller is kept waiting meanwhile."""

from __future__ import annotations

import multiprocessing
import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Mapping

from tests.benchmarks.servers import MEBIBYTE, Answer, Caller, bare, family_of, memory_of
from tests.benchmarks.target import Measurement, Scale, Target
from tests.benchmarks.targets.stored import LARGE, ROUNDS, a_house
from tests.process_memory import most_resident
from tests.server import ROOT, Server, serving

PING_EVERY = 0.005
EMPTY = Answer(200, {}, b"")
# The frameworks that the service is built on, loaded and served, and nothing of the service.
BARE = """
import alembic.command, numpy, sqlalchemy.dialects.sqlite, uvicorn
from fastapi import FastAPI
app = FastAPI()
app.get("/")(lambda: {})
uvicorn.run(app, port=0, log_config=None)
"""


def idle(scale: Scale) -> Measurement:
    """Resident memory after the start and one request for health."""
    with a_house(0, 1) as house, serving(house.url) as server:
        ours = settled_memory(server.process.pid)
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen([sys.executable, "-c", BARE], cwd=ROOT, env=environment) as other:
        try:
            theirs = settled_memory(other.pid)
        finally:
            other.send_signal(signal.SIGKILL)
    return Measurement("one process", ours, theirs, clock="memory")


def settled_memory(process: int) -> float:
    """Resident MiB, once it stays the same."""
    last = 0.0
    for _ in range(100):
        time.sleep(0.5)
        now = memory_of(process)
        if now > 40 and abs(now - last) < 0.2:
            return now
        last = now
    raise TimeoutError(f"its memory keeps changing: {last:.0f} MiB")


def peak(scale: Scale) -> Measurement:
    """The most that one of the server's processes ever had, after the first evaluation."""
    with a_house(*LARGE[scale]) as house, house.served() as (server, caller):
        answer = caller.get(house.evaluation)
        assert answer.status == 200, answer
        most = {process: most_resident(process) / MEBIBYTE for process in family_of(server.process.pid)}
        note = f"the process that answers {most[server.process.pid]:.0f} MiB, {len(most)} processes in all"
        return Measurement(house.size, max(most.values()), clock="memory", note=note)


def ask(server: Server, headers: Mapping[str, str], path: str) -> None:
    """In a process of its own, so that reading a large answer does not keep the one that pings from it."""
    answer = Caller(server, headers).get(path)
    assert answer.status == 200, answer


def stall(scale: Scale) -> Measurement:
    """The longest of the pings, on the clock; the median of some evaluations, each of a new server. Pings of a bare server in
    turns with them tell how long the machine itself lets them wait."""
    longest, machine = list[float](), list[float]()
    with a_house(*LARGE[scale]) as house, bare({"answer": EMPTY}) as idle:
        for _ in range(ROUNDS):
            with house.served() as (server, _):
                idle.hang_up()  # it has waited for this server longer than its own keeps a connection
                ping = Caller(server, house.another.headers)
                asking = multiprocessing.get_context("fork").Process(
                    target=ask, args=(server, house.collector.headers, house.evaluation)
                )
                asking.start()
                waits = {ping: [0.0], idle: [0.0]}
                while asking.is_alive():
                    for caller, path in ((ping, "/v1/account"), (idle, "/answer")):
                        begun = time.perf_counter()
                        assert caller.get(path).status == 200
                        waits[caller].append(time.perf_counter() - begun)
                    time.sleep(PING_EVERY)
                asking.join()
                assert asking.exitcode == 0
                longest.append(max(waits[ping]) * 1000)
                machine.append(max(waits[idle]) * 1000)
    told, apart = (", ".join(f"{one:.0f}" for one in each) for each in (longest, machine))
    note = f"each time {told} ms; the longest of an idle bare server meanwhile {apart} ms"
    return Measurement(house.size, statistics.median(longest), clock="wall", note=note)


TARGETS = (
    Target(
        "stall", "machine", "HTTP: longest stall of another request meanwhile", "", "at most", 50, stall, unit="ms"
    ),
    Target(
        "idle-memory", "machine", "an idle worker", "FastAPI, SQLAlchemy, numpy and alembic alone", "at most", 1.4, idle,
        quick=True,
    ),
    Target("peak-memory", "machine", "the most during an evaluation", "", "at most", 350, peak, unit="MiB"),
)  # fmt: skip

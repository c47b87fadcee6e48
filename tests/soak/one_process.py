"""`python -m tests.soak.one_process --minutes 20`: whether the memory of one process that serves is flat once its caches
are full; on the PostgreSQL that `SETWRIGHT_TEST_DATABASE_URL` names, else on SQLite. Ends with 1 where it is not, as it does with
`--leak 500`, or where an answer was an unforeseen error.

The server runs in this process, with small caches, and its callers in another one, as fast as they are answered: so that what
takes hours with waiting people takes minutes. Samples are by requests that were answered, and not by minutes. Beside what the
system says of the process there is what glibc says: in use, or given back to it and kept (mallinfo2(3)).
"""

from __future__ import annotations

import argparse
import ctypes
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import psutil
import uvicorn
from pydantic import SecretStr
from sqlalchemy import Engine, event
from starlette.types import ASGIApp, Receive, Scope, Send

from service.app import create_app
from service.database import lookup
from service.holdings.columns import values
from service.http import answered_before
from service.http.connections import serving_options
from service.memory import settle_memory
from service.observability.log import begin_log
from service.settings import Settings
from tests.conftest import own_database
from tests.server import free_port
from tests.soak import callers
from tests.soak.measured import Requests
from tests.soak.run import opened_tokens

MIB = 1024 * 1024
# So many times faster than people: what they wait between two requests is divided by it.
HASTE = 50.0
# MiB for each 1,000 requests.
FLAT = 0.1
# Small caches are full after some thousand requests, and so are collections.
SMALL = {"answers_bytes": MIB, "warm_bytes": 2 * MIB, "definitions_bytes": 16 * 1024}
_SMALL_TABLES = (
    (answered_before, "_MOST_MEANINGS", 50),
    (lookup, "_MOST_READ", 50),
    (values, "_MOST_LEFT_BEHIND", 100),
)
_MOST_CREATED = 20
# SQLite keeps pages of each of its nine connections, by itself up to 2 MiB: in KiB.
_PAGES = 200


@dataclass(frozen=True, slots=True)
class Sample:
    """The process after so many answered requests: `rss` in MiB, of which glibc says that `used` is in use and `free` is kept for
    later; `blocks` that Python has allotted, and `threads`."""

    requests: int
    seconds: float
    rss: float
    used: float
    free: float
    blocks: int
    threads: int


@dataclass(frozen=True, slots=True)
class Growth:
    """MiB for each 1,000 requests, by a line through the samples: of the whole run, of each third of it, and of its last half."""

    whole: float
    thirds: tuple[float, float, float]
    last_half: float

    @property
    def is_flat(self) -> bool:
        """Whether memory stays, as the last half says."""
        return self.last_half < FLAT


def growth_of(samples: Sequence[Sample], of: Callable[[Sample], float] = lambda sample: sample.rss) -> Growth:
    """How what `of` says grows with the requests."""

    def slope(some: Sequence[Sample]) -> float:
        line = statistics.linear_regression([one.requests for one in some], [of(one) for one in some])
        return line.slope * 1000

    third = len(samples) // 3
    parts = (samples[:third], samples[third : 2 * third], samples[2 * third :])
    first, second, last = map(slope, parts)
    return Growth(slope(samples), (first, second, last), slope(samples[len(samples) // 2 :]))


@dataclass
class Answered:
    """How many requests were answered; with `leak_bytes` so many bytes of each are kept for good."""

    leak_bytes: int = 0
    count: int = 0
    kept: list[bytes] = field(default_factory=list)


class Counted:
    """A layer that counts what is answered."""

    def __init__(self, app: ASGIApp, answered: Answered) -> None:
        self._app, self._answered = app, answered

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        # Of a request that was answered the scope is empty.
        is_request = scope["type"] == "http"
        await self._app(scope, receive, send)
        if is_request:
            self._answered.count += 1
            if self._answered.leak_bytes:
                self._answered.kept.append(os.urandom(self._answered.leak_bytes))


class _MallInfo(ctypes.Structure):
    # mallinfo2(3), glibc 2.33 and later.
    _fields_ = [
        (name, ctypes.c_size_t)
        for name in (
            *("arena", "ordblks", "smblks", "hblks", "hblkhd"),
            *("usmblks", "fsmblks", "uordblks", "fordblks", "keepcost"),
        )
    ]


def _told_by_glibc() -> tuple[float, float]:
    """MiB in use, and free but kept, in all arenas; nothing where the library is another one."""
    try:
        tell = ctypes.CDLL(None).mallinfo2
    except (AttributeError, OSError):
        return 0.0, 0.0
    tell.restype = _MallInfo
    told = tell()
    return (told.uordblks + told.hblkhd) / MIB, told.fordblks / MIB


def sample(answered: Answered, began: float) -> Sample:
    """This process as it is now."""
    process = psutil.Process()
    used, free = _told_by_glibc()
    return Sample(
        answered.count,
        time.monotonic() - began,
        process.memory_info().rss / MIB,
        used,
        free,
        # Not the objects that garbage collection knows: to list them breaks tuples that other threads are just making.
        sys.getallocatedblocks(),
        process.num_threads(),
    )


class _Hasty(threading.Event):
    """Of which whoever waits for it waits a part only."""

    def wait(self, timeout: float | None = None) -> bool:
        return super().wait(None if timeout is None else timeout / HASTE)


def _call(address: str, tokens: Sequence[str], folder: str, told: Any) -> None:
    """The callers: of each account a browser and a device, until this process is ended."""
    # An evaluation in another process is none of what is measured.
    callers.MOST_CREATED = _MOST_CREATED
    callers.LARGE["holdings"] = callers.LARGE["holdings"][:200]
    callers.LARGE["definition"] = {
        **callers.LARGE["definition"],
        "slots": callers.LARGE["definition"]["slots"][:40],
    }
    requests, stop = Requests(), _Hasty()
    threads: list[threading.Thread] = []
    for number, token in enumerate(tokens):
        account = callers.opened_account(address, token)
        threads.append(callers.BrowserLoad(address, account, 1000 + number, requests, stop))
        threads.append(callers.DeviceLoad(Path(folder) / f"device-{number}", address, token, number, requests, stop))
    for thread in threads:
        thread.start()
    while True:
        time.sleep(5)
        failures = [thread.failure for thread in threads if getattr(thread, "failure", "")]
        told.put([*failures, *requests.unforeseen][:20])


def _keep_few_pages(connection: Any, _: object) -> None:
    connection.execute(f"PRAGMA cache_size=-{_PAGES}")


def run(
    seconds: float,
    *,
    accounts: int = 4,
    leak_bytes: int = 0,
    most: int = 0,
    every: float = 5.0,
    postgresql: str | None = None,
) -> tuple[list[Sample], list[str]]:
    """Samples of one run, which ends after so long, or after `most` requests where they are given; and complaints. `postgresql`:
    a server of it, which gets a database for the run; else it is a file of SQLite."""
    with (
        tempfile.TemporaryDirectory(prefix="soak-") as folder,
        own_database(Path(folder), postgresql) as url,
    ):
        port = free_port()
        settings = Settings(
            database_url=SecretStr(url),
            photos_dir=Path(folder) / "photos",
            base_url=f"http://127.0.0.1:{port}",
            log_level="error",
            rate_account="",
            rate_anonymous="",
            **SMALL,
            standings_minutes=0,
            request_seconds=120.0,
        )
        tokens = opened_tokens(url, accounts)
        begin_log(settings.log_level, settings.log_format, settings.secrets)
        settle_memory()
        for module, limit, size in _SMALL_TABLES:
            assert hasattr(module, limit)
            setattr(module, limit, size)
        if settings.is_sqlite:
            event.listen(Engine, "connect", _keep_few_pages)
        app = create_app(settings, alone=True)
        answered = Answered(leak_bytes)
        app.add_middleware(Counted, answered=answered)
        options = {**serving_options(settings), "host": "127.0.0.1", "port": port, "timeout_graceful_shutdown": 5}
        server = uvicorn.Server(uvicorn.Config(app, **options))
        samples: list[Sample] = []
        complaints: list[str] = []
        spawned = multiprocessing.get_context("spawn")
        told = spawned.SimpleQueue()
        calling = spawned.Process(target=_call, args=(settings.base_url, tokens, folder, told), daemon=True)

        def watch() -> None:
            while not server.started:
                time.sleep(0.05)
            calling.start()
            while not answered.count and calling.is_alive():
                time.sleep(0.05)
            began = time.monotonic()
            try:
                while time.monotonic() - began < seconds and not (most and answered.count >= most):
                    time.sleep(every)
                    if answered.count:
                        samples.append(sample(answered, began))
                    while not told.empty():
                        complaints[:] = told.get()
                    if not calling.is_alive():
                        complaints.append("the callers ended")
                        break
            finally:
                calling.kill()
                server.should_exit = True

        watching = threading.Thread(target=watch)
        watching.start()
        server.run()
        watching.join()
    return samples, complaints


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak.one_process", description=__doc__)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--samples", type=Path, help="a file for all samples, as JSON")
    parser.add_argument("--leak", type=int, default=0, help="keep so many bytes of each request: the control")
    asked = parser.parse_args()
    postgresql = os.environ.get("SETWRIGHT_TEST_DATABASE_URL")
    samples, complaints = run(asked.minutes * 60, leak_bytes=asked.leak, postgresql=postgresql)
    if asked.samples is not None:
        asked.samples.write_text(json.dumps([asdict(one) for one in samples]), encoding="utf-8")
    for one in samples[:: max(1, len(samples) // 25)]:
        print(one)
    for name in ("rss", "used", "free", "blocks"):
        print(f"{name} for each 1,000 requests: {growth_of(samples, lambda one, name=name: getattr(one, name))}")
    if not growth_of(samples).is_flat:
        complaints.append(
            f"memory grows: {growth_of(samples).last_half:.2f} MiB for each 1,000 requests of the last half"
        )
    for complaint in complaints:
        print(complaint)
    return 1 if complaints else 0


if __name__ == "__main__":
    raise SystemExit(main())

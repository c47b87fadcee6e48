"""A body of 300 MB does not become memory of the server, whether or not it says how long it is (promises.md, 7)."""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.process_memory import forget_most, most_resident
from tests.promises.plugin import Promise
from tests.promises.rows import SQLITE
from tests.server import Server, serving

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="measures by Linux's own account"),
]

MEGABYTE = 1_000_000
MOST_MEGABYTES = 20
NAME = "a body of 300 MB, with and without its length"


class TakesEverything(Server):
    """The control: a server that takes bodies of any length, and keeps them in memory."""

    program = (
        "-c",
        """
from service.__main__ import main
from service.http import request_body
real = request_body._receive
def receive(request, most_bytes, kept): return real(request, 10**9, kept)
request_body._receive, request_body._IN_MEMORY = receive, 10**9
raise SystemExit(main())
""",
    )


def growth(folder: Path, kind: type[Server], megabytes: int, *, declared: bool) -> tuple[int | None, float]:
    """The status of the answer, if there was one before the connection ended, and by how much the server's peak grew."""
    with serving(f"sqlite:///{folder / f'{kind.__name__}-{declared}.sqlite3'}", kind=kind) as server:
        pid = server.process.pid
        forget_most(pid)
        before = most_resident(pid)
        line = http.client.HTTPConnection("127.0.0.1", server.port, timeout=120)
        headers = {"Authorization": f"Bearer {server.token()}", "Content-Type": "application/json"}
        if declared:
            headers["Content-Length"] = str(megabytes * MEGABYTE)

        def body() -> Iterator[bytes]:
            piece = b"[" + b" " * (MEGABYTE - 1)
            for _ in range(megabytes):
                yield piece

        status = None
        try:
            line.request("POST", "/v1/evaluations", body=body(), headers=headers, encode_chunked=not declared)
            status = line.getresponse().status
        except (ConnectionError, http.client.HTTPException):
            # The server has answered, and closed the connection, before all was sent.
            pass
        finally:
            line.close()
        return status, (most_resident(pid) - before) / MEGABYTE


def test_a_large_body_takes_no_memory(tmp_path: Path, promise: Promise) -> None:
    grown = []
    for declared in (True, False):
        status, megabytes = growth(tmp_path, Server, 300, declared=declared)
        assert status in (413, None)
        assert megabytes < MOST_MEGABYTES
        grown.append(megabytes)
    promise(7, NAME, kept=f"peak of the web process +{grown[0]:.1f} and +{grown[1]:.1f} MB", engine=SQLITE)


def test_a_server_that_takes_everything_is_seen(tmp_path: Path, promise: Promise) -> None:
    _, grown = growth(tmp_path, TakesEverything, 100, declared=False)
    assert grown > 3 * MOST_MEGABYTES
    promise(7, NAME, control=f"no limit, all in memory: +{grown:.0f} MB for 100 MB", engine=SQLITE)

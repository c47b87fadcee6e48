"""Several worker processes behind one port, on a machine so busy that they take long to start."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from tests.journeys.test_backup import is_sqlite
from tests.server import Server

pytestmark = pytest.mark.process

SLOW_SECONDS = 6
# Python reads it as it starts: the workers, which are processes of their own, take long for that.
SLOW_START = f"""
import sys, time
if any("spawn_main" in word for word in sys.orig_argv):
    time.sleep({SLOW_SECONDS})
"""


class Impatient(Server):
    """As uvicorn has it by itself, or worse."""

    program = (
        "-c",
        "import sys, service.__main__ as program; program.WORKER_PATIENCE_SECONDS = 2; sys.exit(program.main(sys.argv[1:]))",
    )


def deaths(server: Server) -> int:
    return server.printed.count("died")


@pytest.mark.timeout(200)
def test_workers_that_take_long_to_start_are_waited_for(
    empty_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if is_sqlite(empty_database_url):
        pytest.skip("several workers need PostgreSQL")
    (tmp_path / "sitecustomize.py").write_text(SLOW_START, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")]))
    server = Server(empty_database_url, "--workers", "2")
    try:
        server.wait_until_ready()
        assert deaths(server) == 0, server.printed
    finally:
        server.end(signal.SIGTERM)
    # The control: who waits less kills them as they start.
    impatient = Impatient(empty_database_url, "--workers", "2")
    try:
        until = time.monotonic() + 60
        while deaths(impatient) == 0:
            assert time.monotonic() < until, impatient.printed
            time.sleep(0.1)
    finally:
        impatient.end(signal.SIGTERM)

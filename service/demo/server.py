"""A server of its own for the demo: another process, a temporary database, a free port on this machine."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx

from service.settings import PREFIX

START_SECONDS = 60.0


@dataclass(frozen=True, slots=True)
class Running:
    """A running server: its address, and the token of its one account."""

    url: str
    token: str
    process: subprocess.Popen[str]


class NotStarted(RuntimeError):
    """The server did not come up; the message holds what it printed."""


@contextmanager
def running_server(port: int | None = None) -> Iterator[Running]:
    """Starts `setwright serve` on an empty temporary database and stops it at the end. Raises NotStarted."""
    with TemporaryDirectory(prefix="setwright-demo-") as folder:
        chosen = port if port is not None else _free_port()
        # Settings are those of the installation: its photos, its password, its limits. Nothing of it may be used or written to.
        environment = {
            **{name: value for name, value in os.environ.items() if not name.upper().startswith(PREFIX)},
            "SETWRIGHT_DATABASE_URL": f"sqlite:///{Path(folder) / 'demo.sqlite3'}",
            "SETWRIGHT_FIRST_TOKEN_FILE": str(Path(folder) / "first-token"),
            "SETWRIGHT_LOG_LEVEL": "warning",
            "PYTHONUNBUFFERED": "1",
        }
        command = [sys.executable, "-m", "service", "serve", "--host", "127.0.0.1", "--port", str(chosen)]
        with (Path(folder) / "printed").open("w+") as printed:
            process = subprocess.Popen(command, env=environment, stdout=printed, stderr=subprocess.STDOUT, text=True)  # noqa: S603 - our own command
            try:
                url = f"http://127.0.0.1:{chosen}"
                _wait_until_ready(url, process, Path(folder) / "printed")
                yield Running(url, (Path(folder) / "first-token").read_text().strip(), process)
            finally:
                process.terminate()
                try:
                    process.wait(timeout=25)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_until_ready(url: str, process: subprocess.Popen[str], printed: Path) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        if process.poll() is not None:
            break
        try:
            if httpx.get(f"{url}/health/ready", timeout=2).status_code == httpx.codes.OK:
                return
        except httpx.HTTPError:
            pass
        time.sleep(0.1)
    raise NotStarted(f"the demo's server did not start:\n{printed.read_text()[-2000:]}")

"""The real server, in a process of its own, and other commands of the program."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx

from tests.forked import ROOT, ForkedProgram, run_forked

# Benchmarks and the soak, which are no tests, take the service as it is.
IN_TESTS = "PYTEST_VERSION" in os.environ
# A test asks for more than a caller may, and most ask for nothing that needs a process for work.
USUAL = {
    **({"SETWRIGHT_WORK_AT_START": "false", "SETWRIGHT_STANDINGS_MINUTES": "0"} if IN_TESTS else {}),
    "SETWRIGHT_RATE_ACCOUNT": "1000000/minute",
    "SETWRIGHT_RATE_ANONYMOUS": "1000000/minute",
    "SETWRIGHT_HEAVY_AT_ONCE": "1000",
}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def new_program(
    program: Sequence[str], arguments: Sequence[str], environment: Mapping[str, str]
) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *program, *arguments],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


class Server:
    """A server process, its address, and all that it printed."""

    program = ("-m", "service")
    # A new interpreter, else a fork of a process that has imported everything, which starts ten times as fast.
    is_new = not IN_TESTS

    def __init__(self, url: str, *arguments: str, settings: Mapping[str, object] | None = None) -> None:
        """`settings` by their names, such as `head_seconds`."""
        self.port = free_port()
        self.address = f"http://127.0.0.1:{self.port}"
        # Its own, so that what it has is the token that this start made.
        self._folder = TemporaryDirectory(prefix="setwright-")
        self.token_file = Path(self._folder.name) / "first-token"
        self._token: str | None = None
        environment = {
            **USUAL,
            **os.environ,
            "SETWRIGHT_DATABASE_URL": url,
            "SETWRIGHT_FIRST_TOKEN_FILE": str(self.token_file),
            "PYTHONUNBUFFERED": "1",
        }
        environment |= {f"SETWRIGHT_{name.upper()}": str(value) for name, value in (settings or {}).items()}
        asked = ["serve", "--port", str(self.port), *arguments]
        # Several workers are started anew by the one that minds them, which says to each what it was started from.
        is_new = self.is_new or "--workers" in arguments
        self.process = (new_program if is_new else ForkedProgram)(self.program, asked, environment)
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    @property
    def printed(self) -> str:
        return "".join(self.lines)

    def token(self) -> str | None:
        """The token of the account that this start made, if it made one."""
        if self._token is None and self.token_file.exists():
            self._token = self.token_file.read_text().strip()
        return self._token

    def wait_until_ready(self) -> None:
        # On a busy machine the imports alone take a minute.
        until = time.monotonic() + 180
        while time.monotonic() < until:
            try:
                # Without TLS there is nothing to verify.
                if httpx.get(f"{self.address}/health/ready", timeout=2, verify=False).status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
            assert self.process.poll() is None, self.printed
        raise AssertionError(f"not ready in time: {self.printed}")

    def end(self, sign: signal.Signals) -> int:
        if self.process.poll() is None:
            self.process.send_signal(sign)
        status = self.process.wait(30)
        self._reader.join(5)
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.token()
        self._folder.cleanup()
        return status


@contextmanager
def serving(
    url: str, *arguments: str, kind: type[Server] = Server, settings: Mapping[str, object] | None = None
) -> Iterator[Server]:
    server = kind(url, *arguments, settings=settings)
    try:
        server.wait_until_ready()
        yield server
    finally:
        server.end(signal.SIGKILL)


def run_program(url: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """What the command printed, and how it ended."""
    variables = {**os.environ, "SETWRIGHT_DATABASE_URL": url, **environment}
    return run_forked(Server.program, arguments, variables, timeout=60)

"""The installation of docs/deploy.md as plain processes of this machine: PostgreSQL that asks for a password, two web processes,
a worker, a TLS proxy, and nothing else. `python -m tests.topology` starts it to try by hand, until Ctrl-C."""

from __future__ import annotations

import os
import shutil
import signal
import ssl
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO

import httpx
from typer.main import get_command

from service.__main__ import app
from tests.own_postgresql import OwnServer, own_server
from tests.server import ROOT, free_port

CADDYFILE = ROOT / "docs" / "deploy" / "Caddyfile"
LOOPBACK = "127.0.0.1"


class Part:
    """One process, and what it printed."""

    def __init__(self, folder: Path, name: str, command: list[str], environment: dict[str, str]) -> None:
        self.name = name
        self._path = folder / f"{name}.log"
        self._log: IO[bytes] = self._path.open("ab")
        self.process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=self._log, stderr=self._log)

    @property
    def printed(self) -> str:
        return self._path.read_text(encoding="utf-8", errors="replace")

    @property
    def runs(self) -> bool:
        return self.process.poll() is None

    def end(self, sign: signal.Signals = signal.SIGTERM) -> int:
        if self.runs:
            self.process.send_signal(sign)
        try:
            status = self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        self._log.close()
        return status


class Topology:
    """The whole of it, once started."""

    def __init__(self, folder: Path, database: OwnServer) -> None:
        self.folder = folder
        self.database = database
        self.parts: dict[str, Part] = {}
        self.ports = {"web-1": free_port(), "web-2": free_port()}
        self.https_port, self._http_port = free_port(), free_port()
        self.address = f"https://localhost:{self.https_port}"
        self.token_file = folder / "first-token"
        (folder / "password").write_text(database.password + "\n", encoding="utf-8")

    @property
    def settings(self) -> dict[str, str]:
        """The environment of every process of the program; of this one's settings none is in it."""
        inherited = {name: value for name, value in os.environ.items() if not name.startswith("SETWRIGHT_")}
        return {
            **inherited,
            "PYTHONUNBUFFERED": "1",
            "SETWRIGHT_DATABASE_URL": self.database.url,
            "SETWRIGHT_DATABASE_PASSWORD_FILE": str(self.folder / "password"),
            "SETWRIGHT_PHOTOS_DIR": str(self.folder / "photos"),
            "SETWRIGHT_FIRST_TOKEN_FILE": str(self.token_file),
            "SETWRIGHT_BASE_URL": self.address,
            "SETWRIGHT_TRUSTED_PROXIES": LOOPBACK,
        }

    def _start(self, name: str, command: list[str], environment: dict[str, str]) -> None:
        self.parts[name] = Part(self.folder, name, command, environment)

    def start_web(self, name: str, **more: str) -> None:
        """Another name is a web process that the proxy does not know."""
        self.ports.setdefault(name, free_port())
        command = [sys.executable, "-m", "service", "serve", "--host", LOOPBACK, "--port", str(self.ports[name])]
        self._start(name, command, {**self.settings, **more})

    def start_worker(self) -> None:
        if "worker" in get_command(app).commands:  # type: ignore[attr-defined]
            self._start("worker", [sys.executable, "-m", "service", "worker"], self.settings)

    def start_proxy(self) -> None:
        caddy = shutil.which("caddy")
        assert caddy is not None
        environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.folder),
            "XDG_DATA_HOME": str(self.folder),
            "XDG_CONFIG_HOME": str(self.folder),
            "SETWRIGHT_SITE": self.address,
            "SETWRIGHT_UPSTREAMS": " ".join(f"{LOOPBACK}:{port}" for port in self.ports.values()),
            "SETWRIGHT_BIND": LOOPBACK,
            "SETWRIGHT_HTTP_PORT": str(self._http_port),
            "SETWRIGHT_HTTPS_PORT": str(self.https_port),
        }
        self._start("proxy", [caddy, "run", "--config", str(CADDYFILE), "--adapter", "caddyfile"], environment)

    def wait_for_web(self, name: str) -> None:
        part, until = self.parts[name], time.monotonic() + 60
        while True:
            with suppress(httpx.TransportError):
                if httpx.get(f"http://{LOOPBACK}:{self.ports[name]}/health/ready", timeout=2).status_code == 200:
                    return
            assert part.runs, part.printed
            assert time.monotonic() < until, part.printed
            time.sleep(0.1)

    def wait_for_proxy(self) -> None:
        part, until = self.parts["proxy"], time.monotonic() + 60
        while True:
            assert part.runs, part.printed
            assert time.monotonic() < until, part.printed
            with suppress(httpx.TransportError, FileNotFoundError, ssl.SSLError), self.client() as client:
                if client.get("/health/ready").status_code == 200:
                    return
            time.sleep(0.1)

    @property
    def authority(self) -> Path:
        """The certificate of the authority that Caddy made for itself: what a client trusts here."""
        return self.folder / "caddy" / "pki" / "authorities" / "local" / "root.crt"

    def client(self, address: str = LOOPBACK, **more: object) -> httpx.Client:
        """A client at an address of this machine, through the proxy; it trusts the proxy's authority and no other."""
        context = ssl.create_default_context(cafile=str(self.authority))
        transport = httpx.HTTPTransport(verify=context, local_address=address)
        return httpx.Client(base_url=self.address, transport=transport, timeout=30, **more)  # type: ignore[arg-type]

    def program(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        """A command of the program with the settings of this installation."""
        command = [sys.executable, "-m", "service", *arguments]
        given = {**self.settings, **environment}
        return subprocess.run(command, cwd=ROOT, env=given, capture_output=True, text=True, timeout=120, check=False)


@contextmanager
def started(database: OwnServer) -> Iterator[Topology]:
    """All parts, ready; and ended afterwards, the proxy first."""
    with tempfile.TemporaryDirectory(prefix="setwright-topology-") as made, ExitStack() as stack:
        topology = Topology(Path(made), database)

        def end_all() -> None:
            for part in reversed(topology.parts.values()):
                part.end()

        stack.callback(end_all)
        # The first brings the tables up to date.
        topology.start_web("web-1")
        topology.wait_for_web("web-1")
        topology.start_web("web-2")
        topology.start_worker()
        topology.start_proxy()
        topology.wait_for_web("web-2")
        topology.wait_for_proxy()
        yield topology


if __name__ == "__main__":
    with own_server("@:/#%?& \"'$") as server, started(server) as running:
        print(f"{running.address}\ntoken: {running.token_file}\nauthority: {running.authority}\nCtrl-C ends it.")
        with suppress(KeyboardInterrupt):
            signal.pause()

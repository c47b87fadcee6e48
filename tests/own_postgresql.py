"""A PostgreSQL server of the tests' own, with a password that it asks for: the one that the tests are given trusts everybody."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.server import free_port

USER = "setwright"


@dataclass(frozen=True)
class OwnServer:
    """Its address without the password, and the password. `start` and `stop` do so, with the settings that it began with; a stop
    in the mode `immediate` ends its processes as a crash would (PostgreSQL's documentation, pg_ctl)."""

    url: str
    password: str
    port: int
    start: Callable[[], None]
    stop: Callable[[str], None]


def programs() -> Path | None:
    """The folder of initdb and pg_ctl; Debian keeps them out of PATH."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).resolve().parent
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return folders[-1].parent if folders else None


@contextmanager
def own_server(password: str, **options: object) -> Iterator[OwnServer]:
    """An empty server whose one user has this password, on a free port of this machine, with settings by their names."""
    found = programs()
    assert found is not None
    # PostgreSQL does not run as root, and its user cannot look into pytest's folders.
    runner = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    with tempfile.TemporaryDirectory(prefix="setwright-pg-") as made:
        folder = Path(made)
        (folder / "password").write_text(password, encoding="utf-8")
        if runner:
            entry = pwd.getpwnam("postgres")
            for path in (folder, folder / "password"):
                os.chown(path, entry.pw_uid, entry.pw_gid)
        data, port = folder / "data", free_port()

        def run(*command: str) -> None:
            # pg_ctl leaves its output to the server, so that a pipe would never end.
            with (folder / "said").open("a+b") as said:
                done = subprocess.run([*runner, *command], stdout=said, stderr=said, timeout=120, check=False, cwd="/")
            assert done.returncode == 0, (folder / "said").read_text(encoding="utf-8", errors="replace")

        initdb = [str(found / "initdb"), "--no-sync", "--auth=scram-sha-256", "--encoding=UTF8", "--locale=C"]
        run(*initdb, f"--username={USER}", f"--pwfile={folder / 'password'}", f"--pgdata={data}")
        said = {
            "listen_addresses": "127.0.0.1",
            "port": port,
            "unix_socket_directories": folder,
            "fsync": "off",
            **options,
        }
        listening = " ".join(f"-c {name}={value}" for name, value in said.items())
        pg_ctl = str(found / "pg_ctl")

        def start() -> None:
            run(pg_ctl, "start", "-w", "-D", str(data), "-o", listening)

        def stop(mode: str) -> None:
            run(pg_ctl, "stop", "-w", "-m", mode, "-D", str(data))

        start()
        try:
            yield OwnServer(f"postgresql://{USER}@127.0.0.1:{port}/postgres", password, port, start, stop)
        finally:
            stop("immediate")

"""A backup taken from a real server while writers write: restored, it has everything that was acknowledged before it began, and
is whole. Beside it, ways to copy a live database that look as good, and must be seen to fail by the same checks."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from sqlalchemy import make_url

from service.backup.postgresql import command_of
from service.backup.take import take
from service.database.engine import read_url
from tests.conftest import settings_for
from tests.journeys.test_kills import Writer, complaints, kept_ids
from tests.pictures import picture
from tests.promises.plugin import Promise
from tests.server import Server, run_program, serving

pytestmark = pytest.mark.process

WRITERS = 4
ROUNDS = 3
TRIES = 12
NAME = "backup while writers write, restored"


def is_sqlite(url: str) -> bool:
    return make_url(url).get_backend_name() == "sqlite"


class Writers:
    """Writers at work on a server."""

    def __init__(self, server: Server, headers: dict[str, str]) -> None:
        self.each = [Writer(number) for number in range(WRITERS)]
        self._threads = [threading.Thread(target=writer.write, args=(server, headers)) for writer in self.each]
        for thread in self._threads:
            thread.start()

    def acknowledged(self) -> list[str]:
        return [identity for writer in self.each for identity in list(writer.acknowledged)]

    def wait_for(self, count: int) -> list[str]:
        """Until so many more were acknowledged; returns all."""
        wanted, until = len(self.acknowledged()) + count, time.monotonic() + 60
        while len(self.acknowledged()) < wanted:
            assert time.monotonic() < until
            time.sleep(0.005)
        return self.acknowledged()

    def join(self) -> None:
        for thread in self._threads:
            thread.join(30)
            assert not thread.is_alive()


@contextmanager
def written_to(url: str) -> Iterator[tuple[Server, dict[str, str], Writers]]:
    """A server that is written to until the end of the block."""
    with serving(url) as server:
        headers = {"Authorization": f"Bearer {server.token()}"}
        writers = Writers(server, headers)
        try:
            yield server, headers, writers
        finally:
            # The writers end when the server is gone.
            server.process.kill()
            writers.join()


def lost(before: list[str], url: str, headers: dict[str, str]) -> list[str]:
    """What a restored database lacks of what was acknowledged before the copy began."""
    with serving(url) as server:
        kept = kept_ids(server, headers)
    assert len(kept) == len(set(kept))
    return [line for line in complaints(before, kept) if line.startswith("lost")]


@pytest.mark.timeout(400)
def test_a_backup_taken_while_writers_write_is_whole(
    empty_database_url: str,
    another_database_url: Callable[[], str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    promise: Promise,
) -> None:
    monkeypatch.setenv("SETWRIGHT_PHOTOS_DIR", str(tmp_path / "photos"))
    settings = settings_for(empty_database_url, photos_dir=tmp_path / "photos")
    taken: list[tuple[Path, list[str]]] = []
    with written_to(empty_database_url) as (server, headers, writers):
        coin = writers.wait_for(20)[0]
        with httpx.Client(base_url=server.address, headers=headers, timeout=30) as client:
            upload = {**headers, "Content-Type": "image/jpeg"}
            answer = client.post(f"/v1/holdings/{coin}/photos?side=obverse", content=picture(), headers=upload)
            assert answer.status_code == 201, answer.text
            image = client.get(f"{answer.headers['location']}/image").content
        for number in range(ROUNDS):
            target = tmp_path / ("backup.tar" if number == 0 else f"backup-{number}")
            before = writers.wait_for(20)
            if number:
                # At once, while the last rows are in the log still: a command takes a second to start.
                take(settings, target, datetime.now(UTC))
            else:
                run = run_program(empty_database_url, "backup", str(target))
                assert (run.returncode, run.stderr) == (0, ""), run.stderr
                # It was written to meanwhile, else the test saw nothing.
                assert len(writers.acknowledged()) > len(before) + 5
            taken.append((target, before))
        assert [refusal for writer in writers.each for refusal in writer.refused] == []
    for number, (target, before) in enumerate(taken):
        restored = another_database_url()
        monkeypatch.setenv("SETWRIGHT_PHOTOS_DIR", str(tmp_path / f"photos-{number}"))
        run = run_program(restored, "restore", str(target))
        assert (run.returncode, run.stderr) == (0, ""), run.stdout + run.stderr
        assert "1 accounts looked at, 0 differences." in run.stdout
        assert len(before) >= 40
        assert lost(before, restored, headers) == []
        if number:
            continue
        with serving(restored) as server:
            with httpx.Client(base_url=server.address, headers=headers, timeout=30) as client:
                assert client.get(f"{answer.headers['location']}/image").content == image
            # A server that stands on a database must not lose it under its feet.
            name = Path(str(make_url(restored).database)).name
            run = run_program(restored, "restore", str(target), "--force", name)
            assert run.returncode == 1
            assert "stop the server" in run.stderr
            assert kept_ids(server, headers) != []
    before = sum(len(before) for _, before in taken)
    promise(17, NAME, kept=f"{ROUNDS} backups restored and verified, {before} acknowledged before, 0 lost, photo whole")


@pytest.mark.timeout(400)
def test_what_copies_a_live_database_otherwise_is_seen_to_fail(
    empty_database_url: str,
    another_database_url: Callable[[], str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    promise: Promise,
) -> None:
    """SQLite: `cp` of the file, whose log has the newest rows. PostgreSQL: the tables dumped one after the other."""
    monkeypatch.setenv("SETWRIGHT_PHOTOS_DIR", str(tmp_path / "photos"))
    with written_to(empty_database_url) as (_, _, writers):
        writers.wait_for(50)
        seen = is_sqlite(empty_database_url) and any(
            copy_lacks_rows(empty_database_url, tmp_path / f"copy-{number}", writers.wait_for(5))
            for number in range(TRIES)
        )
        if not is_sqlite(empty_database_url):
            early, late = tmp_path / "early", tmp_path / "late"
            dump(empty_database_url, early, "--exclude-table-data=*.mutation*")
            writers.wait_for(20)
            dump(empty_database_url, late, "--data-only", "--table=*.mutation*")
    if not is_sqlite(empty_database_url):
        restored = another_database_url()
        load(restored, early)
        load(restored, late)
        verified = run_program(restored, "verify")
        seen = verified.returncode == 1 and "it is in the log and is not kept" in verified.stdout
    assert seen
    if is_sqlite(empty_database_url):
        promise(17, NAME, control="cp of the file: lacks rows that were acknowledged")
    else:
        promise(17, NAME, control="tables dumped one after the other: verify finds a difference")


def copy_lacks_rows(url: str, target: Path, before: list[str]) -> bool:
    shutil.copy(str(make_url(url).database), target)
    try:
        with closing(sqlite3.connect(target)) as copied:
            if copied.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
                return True
            kept = [str(uuid.UUID(row[0])) for row in copied.execute("SELECT id FROM holding")]
    except sqlite3.Error:
        return True
    return any(line.startswith("lost") for line in complaints(before, kept))


def dump(url: str, target: Path, *options: str) -> None:
    command, more = command_of(read_url(url), "pg_dump", "--format=custom", *options, f"--file={target}")
    subprocess.run(command, env={"PATH": "/usr/bin:/bin", **more}, check=True, timeout=60)


def load(url: str, dumped: Path) -> None:
    command, more = command_of(read_url(url), "pg_restore", "--exit-on-error", str(dumped))
    subprocess.run(command, env={"PATH": "/usr/bin:/bin", **more}, check=True, timeout=60)

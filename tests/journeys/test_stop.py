"""A real server that is told to stop answers what is on its way, and keeps what it acknowledged; on a disk that is full it says
so, and goes on reading (promises.md, 18)."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import running, settings_for
from tests.journeys.test_kills import Writer, complaints, kept_ids
from tests.promises.plugin import Promise
from tests.promises.rows import SQLITE
from tests.server import Server, serving

pytestmark = [pytest.mark.process, pytest.mark.anyio]

WRITERS = 20
STOPPED = "SIGTERM with 20 writers"
FULL = "a file system of 4 MB that fills up"


class ForgetsAtTheEnd(Server):
    """The control: a server that answers what is on its way when it is told to stop, and does not commit it any more."""

    program = (
        "-c",
        """
from uvicorn import Server
from service.__main__ import main
from service.database.engine import Database
stopping, real = [], Server.handle_exit
def handle_exit(server, *given):
    stopping.append(True)
    real(server, *given)
def once(database, action):
    with database._writing.connect() as connection:
        transaction = connection.begin()
        answer = action(connection)
        transaction.rollback() if stopping else transaction.commit()
        return answer
Server.handle_exit, Database._once = handle_exit, once
raise SystemExit(main())
""",
    )


def stopped(server: Server, url: str) -> tuple[list[str], list[Writer], float, int]:
    """What is wrong after the server was told to stop while writers write, the writers, and how it ended."""
    writers = [Writer(number) for number in range(WRITERS)]
    try:
        server.wait_until_ready()
        headers = {"Authorization": f"Bearer {server.token()}"}
        threads = [threading.Thread(target=writer.write, args=(server, headers)) for writer in writers]
        for thread in threads:
            thread.start()
        until = time.monotonic() + 60
        while sum(len(writer.acknowledged) for writer in writers) < WRITERS and time.monotonic() < until:
            time.sleep(0.01)
        begun = time.monotonic()
        status = server.end(signal.SIGTERM)
        took = time.monotonic() - begun
    finally:
        server.end(signal.SIGKILL)
    for thread in threads:
        thread.join(30)
        assert not thread.is_alive()
    with serving(url) as again:
        kept = kept_ids(again, headers)
    acknowledged = [identity for writer in writers for identity in writer.acknowledged]
    return [line for line in complaints(acknowledged, kept) if not line.startswith("never")], writers, took, status


@pytest.mark.timeout(240)
def test_a_stop_keeps_what_was_acknowledged(empty_database_url: str, promise: Promise) -> None:
    wrong, writers, took, status = stopped(Server(empty_database_url), empty_database_url)
    assert wrong == []
    assert status in (0, -signal.SIGTERM)
    acknowledged = sum(len(writer.acknowledged) for writer in writers)
    refused = [refusal for writer in writers for refusal in writer.refused]
    assert not [refusal for refusal in refused if not refusal.startswith("503")]
    # Writes were on their way, else the test saw nothing.
    assert acknowledged >= WRITERS
    assert any(writer.pending for writer in writers)
    promise(18, STOPPED, kept=f"{acknowledged} acknowledged, 0 lost, 0 errors, ended in {took:.1f} s")


@pytest.mark.timeout(240)
def test_a_stop_that_forgets_what_it_acknowledged_is_seen(empty_database_url: str, promise: Promise) -> None:
    wrong, writers, _, _ = stopped(ForgetsAtTheEnd(empty_database_url), empty_database_url)
    assert [line for line in wrong if line.startswith("lost")]
    acknowledged = sum(len(writer.acknowledged) for writer in writers)
    promise(18, STOPPED, control=f"no commit once it is told to stop: {len(wrong)} of {acknowledged} lost")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system in memory with room for 4 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)]
    if os.geteuid() or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("only root may make a file system, where the kernel lets it")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=False)


async def filled(folder: Path) -> tuple[list[int], list[int], int]:
    """What writes were answered until the disk was full and after, what reads were answered then, and what a write was answered
    when there was room again."""
    ballast = folder / "ballast"
    async with running(
        settings_for(f"sqlite:///{folder / 'setwright.sqlite3'}", photos_dir=folder / "photos")
    ) as service:
        owner = service.collector()
        space = os.statvfs(folder)
        ballast.write_bytes(bytes(max(0, space.f_bavail * space.f_frsize - 400_000)))
        writes: list[int] = []
        for number in range(400):
            body = {"note": "x" * 3000, "number": str(number)}
            writes.append((await service.client.post("/v1/holdings", json=body, headers=owner)).status_code)
            if writes[-3:] and all(status != 201 for status in writes[-3:]) and len(writes) >= 3:
                break
        answers = [
            await service.client.get(path, headers=owner)
            for path in ("/v1/holdings?limit=200", "/v1/account", "/health/live")
        ]
        assert len(answers[0].json()["items"]) == writes.count(201)
        ballast.unlink()
        after = await service.client.post("/v1/holdings", json={"number": "after"}, headers=owner)
        return writes, [answer.status_code for answer in answers], after.status_code


async def test_a_full_disk_refuses_writes_and_goes_on_reading(small_disk: Path, promise: Promise) -> None:
    writes, reads, after = await filled(small_disk)
    assert set(writes) == {201, 507}
    assert reads == [200, 200, 200]
    assert after == 201
    told = f"{writes.count(201)} writes, then 507; 3 of 3 reads answered; after room was made 201"
    promise(18, FULL, kept=told, engine=SQLITE)


async def test_a_service_that_does_not_know_a_full_disk_is_seen(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch, promise: Promise
) -> None:
    # The control: what the driver says is passed on as it is.
    monkeypatch.setattr("service.database.errors._meaning", lambda error: None)
    writes, _, _ = await filled(small_disk)
    assert 507 not in writes
    assert 500 in writes
    promise(18, FULL, control=f"errors not told apart: {writes.count(500)} writes answered 500", engine=SQLITE)

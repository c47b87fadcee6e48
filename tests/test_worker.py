"""Background jobs: they go on after an error, and end with the server."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from service import worker
from service.http.dependencies import context_of
from tests.conftest import running, settings_for
from tests.logs import listening

pytestmark = pytest.mark.anyio

QUEUES = ("job_queue.JobsHere", "procrastinate_queue.ProcrastinateQueue")


@pytest.mark.parametrize(("job", "pause"), [("maintain", "MAINTENANCE_SECONDS"), ("check_due", "POLLING_SECONDS")])
async def test_a_job_goes_on_after_an_error_and_ends_with_the_server(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, job: str, pause: str
) -> None:
    runs: list[Any] = []

    def fail(*arguments: Any) -> Any:
        runs.append(arguments)
        raise RuntimeError("canary")

    monkeypatch.setattr(worker, job, fail)
    monkeypatch.setattr(worker, pause, 0.01)
    with listening() as written:
        async with running(settings_for(database_url, photos_dir=tmp_path, follow_hours=7)) as service:
            context = context_of(service.app)
            while len(runs) < 3:
                await asyncio.sleep(0.01)
        seen = len(runs)
        await asyncio.sleep(0.05)
    assert (set(runs), len(runs)) == ({(context,) if job == "maintain" else (context, 7)}, seen)
    # The text of an error may repeat a secret.
    assert "kind=RuntimeError" in written.getvalue()
    assert "canary" not in written.getvalue()


async def test_a_server_that_runs_for_an_evening_is_maintained_too(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[Any] = []
    monkeypatch.setattr(worker, "maintain", runs.append)
    monkeypatch.setattr(worker, "FIRST_MAINTENANCE_SECONDS", 0.01)
    async with running(settings_for(database_url, photos_dir=tmp_path)) as service:
        is_sqlite = context_of(service.app).database.is_sqlite
        await asyncio.sleep(0.1)
    # On PostgreSQL the queue says when.
    assert len(runs) == is_sqlite


async def test_origins_are_polled_only_if_the_setting_says_so(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[Any] = []

    async def check(*arguments: Any) -> None:
        runs.append(arguments)

    monkeypatch.setattr(worker, "check_due", check)
    monkeypatch.setattr(worker, "POLLING_SECONDS", 0.01)
    async with running(settings_for(database_url, photos_dir=tmp_path)):
        await asyncio.sleep(0.1)
    assert runs == []


async def test_why_no_jobs_are_done_is_logged(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def fail(_: object) -> None:
        raise OSError("canary")

    for queue in QUEUES:
        monkeypatch.setattr(f"service.{queue}.run", fail)
    with listening() as written:
        async with running(settings_for(database_url, photos_dir=tmp_path)):
            await asyncio.sleep(0.05)
    assert written.getvalue().count("kind=OSError") == 1
    assert "canary" not in written.getvalue()


async def failing_when_cancelled(*_: object) -> None:
    """What a driver does whose connection is gone while it is cancelled."""
    try:
        await asyncio.sleep(3600)
    except asyncio.CancelledError:
        raise ConnectionError("gone") from None


@pytest.mark.parametrize("what", ["polling", "jobs"])
async def test_a_job_that_fails_when_it_is_cancelled_keeps_no_server_from_stopping(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    if what == "polling":
        monkeypatch.setattr(worker, "check_due", failing_when_cancelled)
        monkeypatch.setattr(worker, "POLLING_SECONDS", 0.01)
    else:
        for queue in QUEUES:
            monkeypatch.setattr(f"service.{queue}.run", failing_when_cancelled)

    async def started_and_stopped() -> None:
        async with running(settings_for(database_url, photos_dir=tmp_path, follow_hours=7)):
            await asyncio.sleep(0.1)

    _, waiting = await asyncio.wait([asyncio.create_task(started_and_stopped())], timeout=20)
    assert not waiting

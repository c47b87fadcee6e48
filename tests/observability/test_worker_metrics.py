"""What a process tells that does jobs and serves nobody, and to whom."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest
from pydantic import SecretStr

from service.http.metric_sources import worker_readings
from service.http.worker_metrics import metrics_app
from service.observability.metrics import FAMILIES
from service.runtime import opened
from service.worker import counted
from tests.conftest import settings_for
from tests.observability.test_metrics import SECRET, read, value
from tests.server import free_port, run_program

pytestmark = pytest.mark.anyio


async def test_only_those_who_may_read_a_servers_metrics_read_a_workers(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, photos_dir=tmp_path, base_url="", metrics_token=SecretStr(SECRET))
    right = {"Authorization": f"Bearer {SECRET}"}
    readers = [
        ("127.0.0.1", {}, 200),
        ("192.0.2.1", {}, 403),
        ("192.0.2.1", right, 200),
        ("127.0.0.1", {"Authorization": "Bearer another"}, 403),
        ("127.0.0.1", {"X-Forwarded-For": "192.0.2.1"}, 403),
    ]
    with opened(settings) as context:
        app = metrics_app(context)
        for peer, headers, status in readers:
            async with httpx.AsyncClient(
                transport=httpx.ASGITransport(app, client=(peer, 50_000)), base_url="http://worker.test"
            ) as client:
                answer = await client.get("/metrics", headers=headers)
                elsewhere = await client.get("/v1/holdings", headers=headers)
            assert (answer.status_code, elsewhere.status_code) == (status, 404), (peer, headers)
            kind = "text/plain; version=0.0.4; charset=utf-8" if status == 200 else "application/problem+json"
            assert answer.headers["content-type"] == kind
            assert ("setwright_jobs_ended_total" in answer.text) is (status == 200)


async def test_jobs_and_runs_of_schedules_are_told(database_url: str, tmp_path: Path) -> None:
    async def fail() -> None:
        raise RuntimeError

    async def end_well() -> None:
        return

    with opened(settings_for(database_url, photos_dir=tmp_path, base_url="")) as context:
        jobs = context.job_tally
        jobs.running, jobs.seconds = 1, 7.5
        jobs.outcomes.update(done=5, failed=3, left=2)
        jobs.counts["solver_runs", ("proven",)] += 4
        proven = next(
            reading.value - 4
            for reading in worker_readings(context)
            if (reading.name, reading.labels) == ("solver_runs", ("proven",))
        )
        for job in (end_well, end_well, fail):
            try:
                await counted(context, "maintenance", job)
            except RuntimeError:
                assert job is fail
        for reading in worker_readings(context):
            assert len(reading.labels) == len(FAMILIES[reading.name].labels), reading
        transport = httpx.ASGITransport(metrics_app(context), client=("127.0.0.1", 50_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://worker.test") as client:
            told = read((await client.get("/metrics")).text)
    ended = [value(told, "jobs_ended_total", outcome=outcome) for outcome in ("done", "failed", "left")]
    assert (value(told, "jobs_running"), ended, value(told, "jobs_seconds_total")) == (1, [5, 3, 2], 7.5)
    assert value(told, "solver_runs_total", outcome="proven") == proven + 4
    runs = [value(told, "job_runs_total", job="maintenance", outcome=outcome) for outcome in ("success", "failure")]
    assert runs == [2, 1]
    assert value(told, "job_last_success_timestamp_seconds", job="maintenance") > 1_700_000_000


def test_a_port_that_cannot_be_had_is_named() -> None:
    port = free_port()
    environment = {"SETWRIGHT_HOST": "192.0.2.1", "SETWRIGHT_WORKER_METRICS_PORT": str(port)}
    ended = run_program("postgresql://postgres@127.0.0.1:9/nothing", "worker", **environment)
    assert ended.returncode == 2
    assert f"SETWRIGHT_HOST 192.0.2.1, SETWRIGHT_WORKER_METRICS_PORT {port}" in ended.stderr

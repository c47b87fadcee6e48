"""Workers beside a server: one is killed in the middle of a job, and the job ends elsewhere, once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import httpx
import psutil
import pytest

from tests.conftest import SERVER_URL
from tests.observability.test_metrics import read, value
from tests.server import ROOT, free_port, serving

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(SERVER_URL is None, reason="on SQLite the one server does its jobs"),
]

SETTINGS: dict[str, object] = {"jobs_in_server": False, "job_lease_seconds": 3}
# Far more than it takes on an idle machine: some 40 seconds.
PATIENCE_SECONDS = 240.0


@contextmanager
def a_worker(
    url: str, metrics_port: int, settings: Mapping[str, object] | None = None
) -> Iterator[subprocess.Popen[str]]:
    environment = {**os.environ, "SETWRIGHT_DATABASE_URL": url, "SETWRIGHT_JOB_LEASE_SECONDS": "3"}
    environment["SETWRIGHT_WORKER_METRICS_PORT"] = str(metrics_port)
    environment |= {f"SETWRIGHT_{name.upper()}": str(value) for name, value in (settings or {}).items()}
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "worker"],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("Working"):
                break
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def computing(worker: subprocess.Popen[str]) -> bool:
    """Whether one of its processes computes."""

    def spent() -> float:
        found = 0.0
        for process in psutil.Process(worker.pid).children(recursive=True):
            times = process.cpu_times()
            found += times.user + times.system
        return found

    before = spent()
    time.sleep(0.5)
    return spent() - before > 0.05


def heavy() -> dict[str, Any]:
    """An evaluation of 60,000 pairs of a coin and a place under rules that reach all of them: some seconds."""
    slots = [{"id": f"s{number}", "accepts": f"year_on_coin > {number * 3}"} for number in range(200)]
    rules = [
        {"id": f"k{number}", "kind": "at_most", "count": 3 + number, "where": f"year_on_coin > {1000 + 150 * number}"}
        for number in range(5)
    ]
    coins = [{"id": f"c{number}", "facts": {"year_on_coin": 1000 + number * 3}} for number in range(300)]
    definition = {"format": "set-definition/1", "title": "x", "slots": slots, "constraints": rules}
    return {"definition": definition, "holdings": coins, "budget_seconds": 8}


def test_a_job_whose_worker_is_killed_ends_elsewhere_once_and_is_counted_there(empty_database_url: str) -> None:
    ports = [free_port(), free_port()]
    with (
        serving(empty_database_url, settings=SETTINGS) as server,
        httpx.Client(base_url=server.address, timeout=60) as client,
        a_worker(empty_database_url, ports[0]) as one,
        a_worker(empty_database_url, ports[1]) as other,
    ):
        headers = {"Authorization": f"Bearer {server.token()}", "Prefer": "respond-async"}
        made = client.post("/v1/evaluations", json=heavy(), headers=headers)
        assert made.status_code == 202, made.text
        where, until = made.headers["location"], time.monotonic() + PATIENCE_SECONDS
        while client.get(where, headers=headers).json()["state"] == "queued":
            assert time.monotonic() < until
            time.sleep(0.2)
        at_work = next(worker for worker in (one, other, one, other, one, other) if computing(worker))
        at_work.send_signal(signal.SIGKILL)
        while True:
            job = client.get(where, headers=headers).json()
            if job["state"] not in ("queued", "running"):
                break
            assert time.monotonic() < until, job
            time.sleep(0.5)
        assert (job["state"], job["status"], job["attempts"]) == ("done", 200, 2), job
        result = client.get(job["result"], headers=headers)
        assert len(result.json()["slots"]) == 200
        # The other one goes on with what comes next.
        again = client.post("/v1/definition-checks", json=heavy()["definition"], headers=headers)
        while client.get(again.headers["location"], headers=headers).json()["state"] != "done":
            assert time.monotonic() < until
            time.sleep(0.2)
        # It tells what it did, by a port of its own: the schedule put back what the other one had begun.
        survivor, port = (other, ports[1]) if at_work is one else (one, ports[0])
        told = read(httpx.get(f"http://127.0.0.1:{port}/metrics").text)
        while value(told, "jobs_running"):
            told = read(httpx.get(f"http://127.0.0.1:{port}/metrics").text)
        assert value(told, "jobs_ended_total", outcome="done") == 2
        assert value(told, "jobs_ended_total", outcome="failed") == 0
        assert value(told, "jobs_seconds_total") > 0.05
        assert value(told, "work_ended_total", room="accounts", outcome="done") == 2
        assert value(told, "job_runs_total", job="sweep", outcome="success") > 0
        assert httpx.get(f"http://127.0.0.1:{port}/metrics", headers={"Via": "1.1 proxy"}).status_code == 403
        survivor.send_signal(signal.SIGTERM)
        assert survivor.wait(30) == 0

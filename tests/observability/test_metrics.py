"""The metrics: what happened is counted, once, in a bounded number of series, and only those see it who may."""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from pydantic import SecretStr

from service.assignment import cp_sat
from service.errors import Busy
from service.http.api.metrics import readings
from service.http.dependencies import context_of
from service.observability.metrics import FAMILIES, FOLDER, Metrics, Reading, shared_folder
from service.runtime import Limiter
from service.settings import InvalidSettings, read_settings
from tests.conftest import SERVER_URL, Running, running, settings_for
from tests.http.set_changes import move_in
from tests.server import ROOT, serving

pytestmark = pytest.mark.anyio
SECRET = "a token for whoever looks after it"
Samples = Mapping[tuple[str, frozenset[tuple[str, str]]], float]


def read(text: bytes | str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Every sample by its name, without the prefix, and its labels."""
    told = text if isinstance(text, str) else text.decode()
    return {
        (sample.name.removeprefix("setwright_"), frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(told)
        for sample in family.samples
    }


def value(samples: Samples, name: str, **labels: str) -> float:
    return samples.get((name, frozenset(labels.items())), 0.0)


def now(service: Running) -> Samples:
    """The metrics as this process would tell them."""
    metrics: Metrics = service.app.state.metrics
    metrics.publish(readings(service.app.state, context_of(service.app)))
    return read(metrics.text())


# --- what is counted -----------------------------------------------------------------------------------------------------


async def ensure_requests_are_counted(service: Running) -> None:
    owner = service.collector()
    before = now(service)
    made = [await service.client.post("/v1/holdings", json={}, headers=owner) for _ in range(3)]
    pages = [await service.client.get("/v1/holdings", headers=owner) for _ in range(2)]
    head = await service.client.head("/v1/holdings", headers=owner)
    stranger = await service.client.get("/v1/holdings")
    nothing = await service.client.get("/v1/nothing")
    assert [answer.status_code for answer in (*made, *pages, head, stranger, nothing)] == [201] * 3 + [200] * 3 + [
        401,
        404,
    ]
    after = now(service)

    def more(name: str, **labels: str) -> float:
        return value(after, name, **labels) - value(before, name, **labels)

    holdings: dict[str, str] = {"route": "/v1/holdings"}
    assert more("requests_total", method="POST", status="2xx", **holdings) == 3
    assert more("requests_total", method="GET", status="2xx", **holdings) == 2
    assert more("requests_total", method="HEAD", status="2xx", **holdings) == 1
    assert more("requests_total", method="GET", status="4xx", **holdings) == 1
    assert more("requests_total", method="GET", status="4xx", route="(no route)") == 1
    assert more("request_seconds_count", method="POST", **holdings) == 3
    assert more("request_seconds_bucket", method="POST", le="+Inf", **holdings) == 3
    assert more("request_seconds_sum", method="POST", **holdings) > 0
    sent = sum(len(answer.content) for answer in made)
    assert more("sent_bytes_total", method="POST", **holdings) == sent
    assert more("received_bytes_total", method="POST", **holdings) == 3 * len("{}")
    assert more("sent_bytes_total", method="HEAD", **holdings) == 0
    assert value(after, "requests_in_flight") == 0


async def test_requests_are_counted(service: Running) -> None:
    await ensure_requests_are_counted(service)


@pytest.mark.parametrize("broken", ["nothing is counted", "a status is left out", "the route is the address"])
async def test_requests_that_are_not_counted_rightly_are_seen(
    service: Running, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    # The controls of the test above.
    honest = Metrics.count

    def count(metrics: Metrics, method: str, route: str, status: int, *more: Any) -> None:
        if broken == "a status is left out" and status == 401:
            return
        if broken != "nothing is counted":
            honest(metrics, method, "/v1/holdings/4711" if broken.startswith("the route") else route, status, *more)

    monkeypatch.setattr(Metrics, "count", count)
    with pytest.raises(AssertionError):
        await ensure_requests_are_counted(service)


async def test_the_number_of_series_does_not_grow_with_what_callers_make_up(service: Running) -> None:
    owner = service.collector()

    async def ask(number: int) -> None:
        paths = (f"/v1/holdings/{number}", f"/v1/nothing/{number}", f"/v1/holdings?limit=1&x={number}", f"/{number}")
        for path in paths:
            await service.client.get(path, headers=owner)
            await service.client.request(f"MADE{number}UP", path)
        await service.client.request("PATCH", "/v1/sync")

    def by_callers(told: Iterable[Any]) -> set[Any]:
        # A job that ends meanwhile has a series from then on.
        return {series for series in told if not series[0].startswith("job_")}

    await ask(0)
    before = now(service)
    for number in range(1, 30):
        await ask(number)
    assert by_callers(now(service)) == by_callers(before)
    assert value(before, "requests_total", method="other", route="(no route)", status="4xx") > 0
    assert not any("0" in of for _, labels in before for name, of in labels if name in ("route", "method"))


async def test_a_stream_of_events_is_open_and_no_slow_request(service: Running) -> None:
    owner, metrics = service.collector(), service.app.state.metrics
    app: Any = service.app
    headers = [(b"authorization", owner["Authorization"].encode())]
    scope = {"type": "http", "method": "GET", "path": "/v1/holdings/events", "headers": headers, "query_string": b""}
    scope |= {"http_version": "1.1", "client": ("127.0.0.1", 1), "server": ("a", 1), "scheme": "http", "root_path": ""}
    leaves, begun = asyncio.Event(), asyncio.Event()

    async def receive() -> Any:
        await leaves.wait()
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.body":
            begun.set()

    reader = asyncio.create_task(app({**scope, "raw_path": b"/v1/holdings/events"}, receive, send))
    await begun.wait()
    during = now(service)
    assert (value(during, "event_streams"), value(during, "requests_in_flight")) == (1, 1)
    leaves.set()
    await reader
    after = now(service)
    route = {"method": "GET", "route": "/v1/holdings/events"}
    assert (value(after, "event_streams"), value(after, "requests_in_flight"), metrics.in_flight) == (0, 0, 0)
    assert value(after, "requests_total", status="2xx", **route) == 1
    assert value(after, "request_seconds_count", **route) == 0


async def test_work_that_runs_waits_and_is_refused_is_seen(service: Running) -> None:
    context = context_of(service.app)
    settings, done = context.settings, threading.Event()
    room = settings.solves_at_once + settings.solves_waiting
    before = value(now(service), "limiter_refused_total", limiter="work")
    tasks = [asyncio.create_task(context.compute(done.wait)) for _ in range(room)]
    while context.limiter.running < settings.solves_at_once:
        await asyncio.sleep(0.01)
    with pytest.raises(Busy):
        await context.compute(done.wait)
    told = now(service)
    done.set()
    await asyncio.gather(*tasks)
    assert value(told, "limiter_running", limiter="work") == settings.solves_at_once
    assert value(told, "limiter_waiting", limiter="work") == settings.solves_waiting
    assert value(told, "limiter_refused_total", limiter="work") == before + 1
    assert value(told, "limiter_running", limiter="photos") == 0
    after = now(service)
    assert (value(after, "limiter_running", limiter="work"), value(after, "limiter_waiting", limiter="work")) == (0, 0)


async def test_all_that_bounds_work_is_seen(service: Running) -> None:
    context, told = context_of(service.app), now(service)
    every = [field.name for field in fields(context) if isinstance(getattr(context, field.name), Limiter)]
    assert len([name for name, _ in told if name.endswith("limiter_running")]) == len(every) == 6


async def test_connections_and_writers_of_the_database_are_seen(service: Running) -> None:
    context = context_of(service.app)
    pools = ("reading", "writing") if context.database.is_sqlite else ("all", "all")
    seen: list[Samples] = []
    before = now(service)

    async def waiting() -> None:
        # While the first holds the place of the writer a second one waits for it.
        second = asyncio.create_task(context.write(lambda connection: None))
        for _ in range(500):
            if context.database.use.writers_waiting or not context.database.is_sqlite:
                break
            await asyncio.sleep(0.01)
        seen.append(now(service))
        held.set()
        await second

    held, begun = threading.Event(), threading.Event()

    def hold(connection: Any) -> None:
        begun.set()
        held.wait(20)

    first = asyncio.create_task(context.write(hold))
    await asyncio.to_thread(begun.wait)
    reader = asyncio.create_task(context.read(lambda connection: held.wait(20)))
    await asyncio.sleep(0.2)
    await waiting()
    await asyncio.gather(first, reader)
    (told,) = seen
    in_use = sum(value(told, "database_connections", pool=pool) for pool in set(pools))
    assert in_use >= 2 > sum(value(before, "database_connections", pool=pool) for pool in set(pools))
    assert value(told, "database_connections_limit", pool=pools[0]) > 0
    assert value(told, "database_writers_waiting") == (1 if context.database.is_sqlite else 0)
    assert value(now(service), "database_writers_waiting") == 0


async def test_caches_and_the_work_of_the_solver_are_seen(service: Running) -> None:
    mine = await move_in(service.client, service.collector())
    before = now(service)
    for _ in range(3):
        answer = await service.client.get(f"{mine.sets[0]}/evaluation?today=2026-01-03", headers=dict(mine.headers))
        assert answer.status_code == 200
    after = now(service)

    def more(name: str, **labels: str) -> float:
        return value(after, name, **labels) - value(before, name, **labels)

    assert more("cache_requests_total", cache="answers", outcome="miss") == 1
    assert more("cache_requests_total", cache="answers", outcome="hit") == 2
    assert more("cache_bytes", cache="answers") >= len(answer.content)
    assert value(after, "cache_bytes", cache="definitions") > 0
    assert value(after, "cache_bytes", cache="columns") > 0
    assert (
        sum(more("cache_requests_total", cache="columns", outcome=outcome) for outcome in ("hit", "miss", "patch")) > 0
    )
    assert sum(more("cache_requests_total", cache="definitions", outcome=outcome) for outcome in ("hit", "miss")) > 0


async def test_what_another_process_counts_comes_back_with_its_answer(database_url: str, tmp_path: Path) -> None:
    settings = settings_for(database_url, photos_dir=tmp_path, small_work_milliseconds=0.0)
    async with running(settings) as service:
        mine = await move_in(service.client, service.collector())
        before = now(service)
        answer = await service.client.get(f"{mine.sets[0]}/evaluation?today=2026-01-04", headers=dict(mine.headers))
        after = now(service)
    assert answer.status_code == 200

    def more(name: str, **labels: str) -> float:
        return value(after, name, **labels) - value(before, name, **labels)

    assert more("work_ended_total", room="accounts", outcome="done") == 1
    assert more("work_ended_total", room="strangers", outcome="done") == 0
    assert value(after, "work_running", room="accounts") == 0
    assert (
        sum(more("cache_requests_total", cache="columns", outcome=outcome) for outcome in ("hit", "miss", "patch")) == 1
    )
    assert sum(more("cache_requests_total", cache="definitions", outcome=outcome) for outcome in ("hit", "miss")) == 1


@pytest.mark.parametrize("seconds", [1.0, 0.0])
def test_runs_of_the_solver_are_counted_by_what_they_proved(seconds: float) -> None:
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    variables = [model.new_bool_var("") for _ in range(40)]
    for first in range(38):
        model.add(sum(variables[first : first + 3]) >= 2)
    model.minimize(sum(variable * (7 + number % 5) for number, variable in enumerate(variables)))
    before = (cp_sat.COUNTS.proven, cp_sat.COUNTS.unproven, cp_sat.COUNTS.seconds)
    _, status = cp_sat.run_solver(model, [], cp_sat.SolverBudget(1), seconds)
    proven, unproven = cp_sat.COUNTS.proven - before[0], cp_sat.COUNTS.unproven - before[1]
    assert (proven, unproven) == ((1, 0) if status == cp_model.OPTIMAL else (0, 1))
    assert (status == cp_model.OPTIMAL) is (seconds == 1.0)
    assert cp_sat.COUNTS.seconds >= before[2]


async def test_every_family_is_told_and_everything_read_is_one(service: Running) -> None:
    context = context_of(service.app)
    read_now = list(readings(service.app.state, context))
    service.app.state.metrics.publish(read_now)
    kinds = {
        family.name.removeprefix("setwright_"): family.type
        for family in text_string_to_metric_families(service.app.state.metrics.text().decode())
    }
    assert {name: family.kind for name, family in FAMILIES.items()}.items() <= kinds.items()
    assert set(kinds) - set(FAMILIES) == {"requests", "request_seconds", "sent_bytes", "received_bytes"}
    of_process = {"processes", "requests_in_flight", "resident_memory_bytes", "open_files", "cpu_seconds"}
    told = {reading.name for reading in read_now} | of_process
    # Jobs have run at no time yet.
    assert set(FAMILIES) - told <= {"job_last_success_timestamp_seconds"}
    for reading in read_now:
        assert len(reading.labels) == len(FAMILIES[reading.name].labels), reading


def test_a_count_that_begins_again_is_not_taken_off() -> None:
    metrics, labels = Metrics(), ("answers",)
    for count in (5, 7, 2, 3):
        metrics.publish([Reading("cache_evictions", count, labels)])
    assert value(read(metrics.text()), "cache_evictions_total", cache="answers") == 7 + 3


# --- who may read them ---------------------------------------------------------------------------------------------------

ALONE: dict[str, Any] = {"base_url": ""}
# Settings besides, the peer, headers, and whether the metrics are given.
READERS: list[tuple[dict[str, Any], str, dict[str, str], bool]] = [
    (ALONE, "127.0.0.1", {}, True),
    (ALONE, "127.9.9.9", {}, True),
    (ALONE, "::1", {}, True),
    (ALONE, "::ffff:127.0.0.1", {}, True),
    (ALONE, "192.0.2.1", {}, False),
    (ALONE, "10.0.0.1", {}, False),
    (ALONE, "testclient", {}, False),
    (ALONE, "::ffff:192.0.2.1", {}, False),
    (ALONE, "192.0.2.1", {"Host": "127.0.0.1"}, False),
    (ALONE, "192.0.2.1", {"X-Forwarded-For": "127.0.0.1"}, False),
    (ALONE, "127.0.0.1", {"X-Forwarded-For": "192.0.2.1"}, False),
    (ALONE, "127.0.0.1", {"X-Forwarded-For": "127.0.0.1"}, False),
    (ALONE, "127.0.0.1", {"Forwarded": "for=192.0.2.1"}, False),
    (ALONE, "127.0.0.1", {"Via": "1.1 proxy"}, False),
    (ALONE, "127.0.0.1", {"X-Real-IP": "127.0.0.1"}, False),
    ({"base_url": "http://localhost:8000"}, "127.0.0.1", {}, True),
    ({"base_url": "https://coins.example"}, "127.0.0.1", {}, False),
    ({"base_url": "", "trusted_proxies": "127.0.0.1"}, "127.0.0.1", {}, False),
    ({"base_url": "", "trusted_proxies": "127.0.0.1"}, "127.0.0.1", {"X-Forwarded-For": "127.0.0.1"}, False),
    ({"base_url": "", "trusted_proxies": "192.0.2.9"}, "192.0.2.9", {"X-Forwarded-For": "127.0.0.1"}, False),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {"Authorization": f"Bearer {SECRET}"}, True),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {"Authorization": f"bearer  {SECRET}"}, True),
    (
        {"metrics_token": SecretStr(SECRET), "trusted_proxies": "192.0.2.1"},
        "192.0.2.1",
        {"Authorization": f"Bearer {SECRET}"},
        True,
    ),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {}, False),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {"Authorization": f"Bearer {SECRET}x"}, False),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {"Authorization": f"Bearer {SECRET[:-1]}"}, False),
    ({"metrics_token": SecretStr(SECRET)}, "192.0.2.1", {"Authorization": f"Basic {SECRET}"}, False),
    ({"metrics_token": SecretStr(SECRET), "base_url": ""}, "127.0.0.1", {}, True),
    # A wrong one is wrong wherever it comes from.
    ({"metrics_token": SecretStr(SECRET), "base_url": ""}, "127.0.0.1", {"Authorization": "Bearer another"}, False),
    ({}, "192.0.2.1", {"Authorization": "Bearer "}, False),
    (ALONE, "192.0.2.1", {"Authorization": "Bearer anything"}, False),
]


async def refused_and_given(url: str, folder: Path) -> list[bool]:
    found = []
    for settings, peer, headers, _ in READERS:
        made = settings_for(url, photos_dir=folder).model_copy(update=settings)
        async with running(made) as service:
            transport = httpx.ASGITransport(service.app, client=(peer, 50_000))
            async with httpx.AsyncClient(transport=transport, base_url="http://setwright.test") as client:
                answer = await client.get("/metrics", headers=headers)
        assert answer.status_code in (200, 403)
        if answer.status_code == 200:
            assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
            assert value(read(answer.text), "processes") == 1
        found.append(answer.status_code == 200)
    return found


async def test_only_those_who_may_read_the_metrics(database_url: str, tmp_path: Path) -> None:
    assert await refused_and_given(database_url, tmp_path) == [given for *_, given in READERS]


@pytest.mark.parametrize("broken", ["_is_loopback", "_FORWARDING", "compare_digest"])
async def test_a_door_that_stands_open_is_seen(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    # The controls of the test above.
    open_door: Any = () if broken == "_FORWARDING" else lambda *_: True
    monkeypatch.setattr(f"service.http.api.metrics.{broken}", open_door)
    assert await refused_and_given(database_url, tmp_path) != [given for *_, given in READERS]


def test_a_token_that_can_be_guessed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SETWRIGHT_METRICS_TOKEN", "canary")
    with pytest.raises(InvalidSettings, match="METRICS_TOKEN has fewer than 16") as refused:
        read_settings()
    assert "canary" not in str(refused.value)


# --- several processes ---------------------------------------------------------------------------------------------------

COUNTING = """
import os, sys
from service.observability.metrics import Metrics, Reading
metrics = Metrics()
for _ in range(int(sys.argv[1])):
    metrics.count("GET", "/v1/holdings", 200, 0.002, 10, 0)
metrics.in_flight = 2
took = Reading("job_last_duration_seconds", int(sys.argv[1]), ("polling",))
metrics.publish([Reading("cache_requests", 4, ("answers", "hit")), took])
print("counted", flush=True)
sys.stdin.read()
sys.stdout.buffer.write(metrics.text())
"""


@pytest.fixture
def shared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv(FOLDER, str(tmp_path))
    with shared_folder(2):
        yield Path(os.environ[FOLDER])


def begin(count: int) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(COUNTING), str(count)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "counted\n"
    return process


def test_processes_are_summed_up_and_one_that_died_counts_as_far_as_it_came(shared: Path) -> None:
    first, second = begin(3), begin(4)
    told = read(second.communicate("")[0])
    last = begin(5)
    first.kill()
    first.communicate()
    # Nothing of a process that is gone is there now; what it counted was.
    later = read(last.communicate("")[0])
    holdings = {"method": "GET", "route": "/v1/holdings"}
    for samples, count, processes in ((told, 7, 2), (later, 12, 1)):
        assert value(samples, "requests_total", status="2xx", **holdings) == count
        assert value(samples, "request_seconds_count", **holdings) == count
        assert value(samples, "request_seconds_bucket", le="0.005", **holdings) == count
        assert value(samples, "sent_bytes_total", **holdings) == 10 * count
        assert value(samples, "processes") == processes
        assert value(samples, "requests_in_flight") == 2 * processes
    assert value(told, "cache_requests_total", cache="answers", outcome="hit") == 8
    assert (value(told, "job_last_duration_seconds", job="polling")) == 4
    assert len(list(shared.iterdir())) > 0


def test_the_shared_folder_is_gone_afterwards_and_one_process_has_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(FOLDER, str(tmp_path))
    with pytest.raises(RuntimeError), shared_folder(2):
        (inside,) = tmp_path.iterdir()
        assert os.environ[FOLDER] == str(inside)
        (inside / "counter_1.db").touch()
        raise RuntimeError
    assert (list(tmp_path.iterdir()), os.environ[FOLDER]) == ([], str(tmp_path))
    with shared_folder(1):
        assert FOLDER not in os.environ


@pytest.mark.process
@pytest.mark.timeout(300)
@pytest.mark.skipif(SERVER_URL is None, reason="SQLite is served by one process")
def test_a_server_of_two_processes_tells_the_requests_of_both(
    empty_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SETWRIGHT_METRICS_TOKEN", SECRET)
    monkeypatch.setenv(FOLDER, str(tmp_path))
    headers = {"Authorization": f"Bearer {SECRET}"}
    with serving(empty_database_url, "--workers", "2") as server:
        for _ in range(40):
            # A connection of its own, so that both are asked.
            assert httpx.get(f"{server.address}/health/live").status_code == 200
        told = read(httpx.get(f"{server.address}/metrics", headers=headers).raise_for_status().text)
        assert value(told, "processes") in (1, 2)
        assert value(told, "requests_total", method="GET", route="/health/live", status="2xx") == 40
        assert httpx.get(f"{server.address}/metrics", headers={"Authorization": "Bearer x"}).status_code == 403
        pids = set(re.findall(r"_(\d+)\.db", " ".join(path.name for path in tmp_path.rglob("*.db"))))
        assert len(pids) == 2
        assert SECRET not in server.printed
        server.end(15)
    assert list(tmp_path.iterdir()) == []

"""A real server that is asked more than it can answer: the rest is refused at once or soon, and what it answers it answers in
time."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from tests.load import Load, percentile, request, run
from tests.promises.plugin import Promise
from tests.server import Server, serving

pytestmark = pytest.mark.process

CONNECTIONS = (8, 64, 256)
SECONDS = 3.5
# One request is to take so long that 256 at once are more than can be answered within 3 s, on any machine.
ONE_SECONDS = 0.045
MOST_P99_SECONDS = 3.0
ATTEMPTS = 3


class WithoutGate(Server):
    """The control: every request is begun when it comes."""

    program = (
        "-c",
        "from service.__main__ import main\n"
        "from service.http import gate\n"
        "async def straight(self, *given): await self._app(*given)\n"
        "gate.Gated.__call__ = straight\n"
        "raise SystemExit(main())",
    )


@contextmanager
def at_work(folder: Path, kind: type[Server], **settings: object) -> Iterator[tuple[Server, str]]:
    """A server, and a request that takes it a while: an export of so many coins."""
    quiet = {"log_level": "warning", **settings}
    with serving(f"sqlite:///{folder / 'overload.sqlite3'}", kind=kind, settings=quiet) as server:
        headers = {"Authorization": f"Bearer {server.token()}"}
        with httpx.Client(base_url=server.address, headers=headers, timeout=60) as client:
            for number in range(40):
                rows = "\n".join(f"crown,{1500 + row % 400},{number}-{row}" for row in range(150))
                sent = client.post(
                    "/v1/holdings/imports",
                    content=f"denomination,year_on_coin,number\n{rows}\n",
                    headers={"Content-Type": "text/csv"},
                )
                assert sent.status_code == 200, sent.text
                if statistics.median(seconds_of(client) for _ in range(5)) > ONE_SECONDS:
                    break
        yield server, request("GET", "/v1/holdings/export?format=csv", headers)


def seconds_of(client: httpx.Client) -> float:
    started = time.perf_counter()
    assert client.get("/v1/holdings/export?format=csv").status_code == 200
    return time.perf_counter() - started


def measured(server: Server, asked: str) -> list[Load]:
    """Eight connections are measured before and after the others, so that what else the machine does counts for both sides."""
    return [run(server.port, number, SECONDS, [asked]) for number in (*CONNECTIONS, CONNECTIONS[0])]


def missed(loads: Sequence[Load]) -> list[Load]:
    """Those that were answered too late, or too seldom: what another program on the same cores can cause as well."""
    few = [load for load in loads if load.connections == CONNECTIONS[0]]
    usual = statistics.fmean(load.goodput for load in few) if few else 0.0
    # Where nothing was good there is no percentile (NaN), and that is too late too.
    late = [load for load in loads if not percentile(load.good, 99) < MOST_P99_SECONDS]
    refused = [load for load in few if set(load.statuses) != {200}]
    seldom = [load for load in loads if load.connections == CONNECTIONS[-1] and load.goodput < usual / 2]
    return late + refused + seldom


def shown(loads: Sequence[Load]) -> str:
    return "; ".join(str(load) for load in loads)


# Other programs run on the same cores, and make a measurement miss now and then what the server would have kept. So the whole of
# it is made anew, up to three times: the bounds stay as they are. What is no question of time holds each time.
@pytest.mark.alone
def test_overload_is_answered(tmp_path: Path, promise: Promise) -> None:
    with at_work(tmp_path, Server) as (server, asked):
        for attempt in range(1, ATTEMPTS + 1):
            loads = measured(server, asked)
            for load in loads:
                assert set(load.statuses) <= {200, 503}, load
                assert (load.late, load.broken, load.without_retry_after) == (0, 0, 0), load
                assert load.connections < CONNECTIONS[-1] or load.statuses[503] > 0, load
            misses, told = missed(loads), f"{shown(loads)}; attempt {attempt}"
            if not misses:
                break
        health = run(server.port, 1, 0.5, [request("GET", "/health/ready", {})])
    promise(9, "more asked than can be answered", kept=told)
    assert not misses, f"{shown(misses)} of {told}"
    assert set(health.statuses) == {200}


@pytest.mark.long
def test_the_control_without_a_gate_is_late(tmp_path: Path, promise: Promise) -> None:
    with at_work(tmp_path, WithoutGate) as (server, asked):
        # Long enough for most of them to be answered once.
        load = run(server.port, CONNECTIONS[-1], 8, [asked], patience=60)
    promise(9, "more asked than can be answered", control=f"without a gate {load}")
    assert missed([load]), load
    assert 503 not in load.statuses

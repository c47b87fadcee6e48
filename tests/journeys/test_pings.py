"""While one caller's evaluation is computed, others are served (promises.md, 8)."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest

from tests.factories import a_document, a_holding
from tests.load import percentile
from tests.promises.plugin import Promise
from tests.promises.rows import SQLITE
from tests.server import Server, serving

pytestmark = [pytest.mark.process, pytest.mark.alone]

PAUSE_SECONDS = 0.005
SOLVE_SECONDS = 2.0
NAME = "a small request every 5 ms during an evaluation"


class ComputesHere(Server):
    """The control: a server that computes where it serves."""

    program = (
        "-c",
        """
from service.__main__ import main
from service.http.elsewhere import Elsewhere
from service.runtime import Context
async def weigh(self, cost): pass
async def compute(self, call): return call()
Elsewhere.weigh, Context.compute = weigh, compute
raise SystemExit(main())
""",
    )


def hard() -> dict[str, Any]:
    """An evaluation that takes all the time that it may."""
    chance = Random(1)
    ids = [f"slot-{n:02}" for n in range(60)]
    constraints = []
    for number in range(25):
        kind = chance.choice(("at_most", "different", "same", "not_elsewhere"))
        by = chance.choice((["mint"], ["year_on_coin"], ["mint", "year_on_coin"]))
        entry: dict[str, Any] = {"id": f"rule-{number}", "kind": kind, "places": chance.sample(ids, 15)}
        constraints.append(entry | ({"per": by, "count": chance.randint(1, 3)} if kind == "at_most" else {"by": by}))
    places = {name: f"year_on_coin >= {1800 + n % 50} AND grade > {n % 30}" for n, name in enumerate(ids)}
    coins = [
        a_holding(
            f"coin-{n:03}",
            grade=chance.randint(1, 70),
            year_on_coin=chance.randint(1800, 1900),
            mint=chance.choice("ABCDE"),
        )
        for n in range(120)
    ]
    document = a_document(places, constraints=constraints, prefer=[{"highest": "grade"}, {"lowest": "year_on_coin"}])
    return {"definition": document, "holdings": coins, "budget_seconds": SOLVE_SECONDS}


def pinged(folder: Path, kind: type[Server]) -> tuple[float, list[float]]:
    """How long the evaluation took, and each ping that began during it."""
    with serving(f"sqlite:///{folder / f'{kind.__name__}.sqlite3'}", kind=kind) as server:
        headers = {"Authorization": f"Bearer {server.token()}"}
        took: list[float] = []

        def evaluate() -> None:
            with httpx.Client(base_url=server.address, headers=headers, timeout=120) as client:
                begun = time.monotonic()
                answer = client.post("/v1/evaluations", json=hard())
                assert answer.status_code == 200, answer.text
                took.append(time.monotonic() - begun)

        pings = []
        with httpx.Client(base_url=server.address, headers=headers, timeout=120) as client:
            for _ in range(20):
                client.get("/v1/account").raise_for_status()
            caller = threading.Thread(target=evaluate)
            caller.start()
            while caller.is_alive():
                begun = time.monotonic()
                client.get("/v1/account").raise_for_status()
                pings.append(time.monotonic() - begun)
                time.sleep(PAUSE_SECONDS)
            caller.join()
    return took[0], sorted(pings)


def told(took: float, pings: list[float]) -> str:
    p99, longest = percentile(pings, 99) * 1000, pings[-1] * 1000
    return f"{len(pings)} served in {took:.1f} s, p99 {p99:.0f} ms, longest {longest:.0f} ms"


def test_others_are_served_while_one_computes(tmp_path: Path, promise: Promise) -> None:
    took, pings = pinged(tmp_path, Server)
    assert took > 1, "the evaluation was over too soon to show anything"
    # On a busy machine each ping takes longer; none waits for the evaluation.
    assert len(pings) > 20
    assert pings[-1] < took / 2
    promise(8, NAME, kept=told(took, pings), engine=SQLITE)


def test_a_server_that_computes_where_it_serves_is_seen(tmp_path: Path, promise: Promise) -> None:
    took, pings = pinged(tmp_path, ComputesHere)
    assert pings[-1] > took / 2
    promise(8, NAME, control=f"computes where it serves: {told(took, pings)}", engine=SQLITE)

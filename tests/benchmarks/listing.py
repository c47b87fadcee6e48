"""Looking through the holdings of one owner, over HTTP: pages, filters, orders and counts in a large collection and in a small
one, in turns."""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import httpx

from service.memory import settle_memory
from tests.benchmarks.syncing import Devices
from tests.conftest import Running, own_database, running, settings_for

REPEATS = 3
ASKED = {
    "a page by id": {},
    "filter": {"filter": "grade >= 60 AND denomination = 'crown'"},
    "filter and count": {"filter": "grade >= 60", "count": "true"},
    "sort": {"sort": "-grade"},
    "sort, the third page": {"sort": "-grade"},
}


@dataclass(frozen=True)
class Listed:
    """Median seconds of one question with so many holdings."""

    asked: str
    holdings: int
    seconds: float


def measured(server_url: str | None, sizes: tuple[int, int]) -> list[Listed]:
    """Each question to a collection of each size."""
    # As a server does.
    settle_memory()
    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), server_url) as url:
        return asyncio.run(_measured(url, sizes))


async def _measured(url: str, sizes: tuple[int, int]) -> list[Listed]:
    async with running(settings_for(url)) as service:
        owners = {size: Devices(service) for size in sizes}
        for size, owner in owners.items():
            await owner.fill(size)
        times: dict[tuple[str, int], list[float]] = {(asked, size): [] for asked in ASKED for size in sizes}
        addresses = {(asked, size): await _address(service, owners[size], asked) for asked, size in times}
        for _ in range(REPEATS):
            for (asked, size), found in times.items():
                started = time.perf_counter()
                answer = await service.client.get(addresses[asked, size], headers=owners[size].headers)
                found.append(time.perf_counter() - started)
                assert answer.status_code == 200, answer.text
                assert len(answer.json()["items"]) > 0
    return [Listed(asked, size, statistics.median(found)) for (asked, size), found in times.items()]


async def _address(service: Running, owner: Devices, asked: str) -> str:
    """Where the question is asked; for a later page by way of those before it."""
    address = str(httpx.URL("/v1/holdings", params={"limit": "100", **ASKED[asked]}))
    for _ in range(2 if asked.endswith("page") else 0):
        address = (await service.client.get(address, headers=owner.headers)).json()["next"]
    return address

"""Threads share two heaps of glibc's in a process that serves, and what is not needed any more is freed."""

from __future__ import annotations

import asyncio
import gc
import platform
import subprocess
import sys
import weakref
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import pytest

from service import memory
from tests.conftest import Running, running, settings_for
from tests.rings import Ring, left_to_collection, only_asked

DOCUMENT: dict[str, Any] = {
    "format": "set-definition/1",
    "title": "Crowns and florins",
    "prefer": [{"highest": "grade"}],
    "slots": [
        {"id": f"{name}-{number}", "accepts": f"denomination = '{name}' AND grade >= {10 * number}"}
        for name in ("crown", "florin")
        for number in range(1, 4)
    ],
}
_HOLDING = """
import sys
from service.memory import settle_memory
from tests.process_memory import heaps_of_threads

if sys.argv[1] == "settled":
    settle_memory()
print(heaps_of_threads())
"""


def heaps(settled: str) -> int:
    told = subprocess.run(
        [sys.executable, "-c", _HOLDING, settled], capture_output=True, text=True, check=True, timeout=60
    )
    return int(told.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other libraries of C have no such limit")
def test_threads_share_two_heaps() -> None:
    assert heaps("settled") <= 2
    assert heaps("as it is") > 2


# One in ten of what was allotted stays, so that no end of a heap is free.
_FREEING = """
import sys
import psutil
from service.memory import give_back

def kibibytes():
    return psutil.Process().memory_info().rss // 1024

held = [bytes(20_000) for _ in range(5_000)]
most = kibibytes()
held = held[::10]
if sys.argv[1] == "given back":
    give_back()
print(most - kibibytes())
"""


def freed(how: str) -> int:
    """KiB of some 100,000 of which nine tenths are free."""
    told = subprocess.run([sys.executable, "-c", _FREEING, how], capture_output=True, text=True, check=True, timeout=60)
    return int(told.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other libraries of C have nothing of the kind")
def test_what_is_free_is_given_back() -> None:
    assert freed("given back") > 60_000
    assert freed("as it is") < 20_000


@pytest.mark.anyio
async def test_a_process_that_serves_is_tidied(
    database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = asyncio.Event()
    loop = asyncio.get_running_loop()
    monkeypatch.setattr(memory, "TIDY_SECONDS", 0.01)
    monkeypatch.setattr(memory, "give_back", lambda: loop.call_soon_threadsafe(given.set))
    async with running(settings_for(database_url, photos_dir=tmp_path)):
        gc.disable()
        ring = Ring()
        # As old as what came since the last time may be.
        gc.collect(0)
        seen = weakref.ref(ring)
        del ring
        try:
            async with asyncio.timeout(60):
                while seen() is not None:
                    await asyncio.sleep(0.01)
                await given.wait()
        finally:
            gc.enable()


@pytest.mark.anyio
async def test_requests_leave_no_rings(service: Running) -> None:
    """What refers back to itself is freed by garbage collection alone. An object of ours that a request leaves to it, in a ring
    or held by one, is kept for as long as that takes."""
    me, client = service.collector(), service.client
    made = await client.post("/v1/definitions", json={"document": DOCUMENT}, headers=me)
    assert made.status_code == 201, made.text
    mine = f"/v1/definitions/{made.json()['id']}"
    grades = count(1)

    async def change() -> httpx.Response:
        body = {"facts": {"denomination": "crown", "grade": next(grades)}}
        return await client.post("/v1/holdings", json=body, headers=me)

    async def filtered() -> httpx.Response:
        query = {"filter": f"grade > {next(grades)} AND set('{made.json()['id']}') IS NULL", "count": "true"}
        return await client.get("/v1/holdings", params=query, headers=me)

    async def evaluated() -> httpx.Response:
        assert (await change()).status_code == 201
        return await client.get(f"{mine}/evaluation", headers=me)

    async def wanted() -> httpx.Response:
        assert (await change()).status_code == 201
        return await client.get(f"{mine}/want-list", headers=me)

    async def checked() -> httpx.Response:
        title = f"Edition {next(grades)}"
        return await client.post("/v1/definition-checks", json={"definition": {**DOCUMENT, "title": title}}, headers=me)

    async def stateless() -> httpx.Response:
        coins = [{"id": "a", "facts": {"grade": next(grades)}}, {"id": "b", "facts": {"denomination": "crown"}}]
        return await client.post("/v1/evaluations", json={"definition": DOCUMENT, "holdings": coins}, headers=me)

    async def refused() -> httpx.Response:
        return await client.post("/v1/holdings", json={"facts": {"grade": f"no {next(grades)}"}}, headers=me)

    left: dict[str, dict[str, int]] = {}
    for ask, status in (
        (change, 201),
        (filtered, 200),
        (evaluated, 200),
        (wanted, 200),
        (checked, 200),
        (stateless, 200),
        (refused, 422),
    ):
        # What is made once, or kept, is there afterwards.
        for _ in range(3):
            answer = await ask()
            assert answer.status_code == status, answer.text
        with only_asked():
            for _ in range(5):
                await ask()
            left[ask.__name__] = left_to_collection()
    assert not any(left.values()), left


def test_a_ring_is_seen() -> None:
    """The control of the test above."""
    with only_asked():
        Ring()
        assert left_to_collection() == {"Ring": 1}
        assert left_to_collection() == {}

"""The measure of memory sees a planted leak, and no such growth where there is none."""

from __future__ import annotations

import asyncio
import multiprocessing
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import httpx
import pytest

from service.app import create_app
from tests.conftest import settings_for
from tests.soak.one_process import Answered, Counted, Sample, growth_of, sample

LEAK_BYTES = 100_000
REQUESTS, EACH = 300, 10


async def samples_of(folder: Path, leak_bytes: int) -> list[Sample]:
    """Of so many requests, after as many that fill what is filled first."""
    app = create_app(settings_for(f"sqlite:///{folder}/{leak_bytes}.sqlite3", photos_dir=folder))
    answered, found, began = Answered(leak_bytes), [], time.monotonic()
    app.add_middleware(Counted, answered=answered)
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://setwright.test") as client:
            for number in range(2 * REQUESTS):
                assert (await client.get("/health/live")).status_code == 200
                if number >= REQUESTS and number % EACH == 0:
                    found.append(sample(answered, began))
    assert answered.count == 2 * REQUESTS
    return found


def both(folder: Path) -> tuple[list[Sample], list[Sample]]:
    """Without a leak, then with one."""
    return asyncio.run(samples_of(folder, 0)), asyncio.run(samples_of(folder, LEAK_BYTES))


def test_a_planted_leak_is_seen(tmp_path: Path) -> None:
    planted = LEAK_BYTES * 1000 / 1024**2
    # In a process of its own: what is free in this one would be taken first, and it would not grow.
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as alone:
        sound, leaking = alone.submit(both, tmp_path).result()
    for of in (lambda one: one.rss, lambda one: one.used):
        assert growth_of(leaking, of).whole == pytest.approx(planted, rel=0.2)
        assert all(third > planted / 2 for third in growth_of(leaking, of).thirds)
        assert abs(growth_of(sound, of).whole) < planted / 10


def test_growth_that_ends_is_told_from_growth_that_goes_on() -> None:
    def taken(size: float, requests: int) -> Sample:
        return Sample(requests, requests / 30, size, size, 0.0, 0, 1)

    filling = [taken(100 + min(number, 20) * 2.0, number * 100) for number in range(60)]
    growing = [taken(100 + number * 0.5, number * 100) for number in range(60)]
    assert growth_of(filling).thirds == pytest.approx((20, 0, 0), abs=1)
    assert growth_of(growing).thirds == pytest.approx((5, 5, 5))
    assert growth_of(filling).is_flat
    assert not growth_of(growing).is_flat

"""Standings of a club whose members were never evaluated, through the whole service in this process."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

from tests.benchmarks import clubs, reference_work
from tests.benchmarks.race import Disagreement
from tests.benchmarks.target import Measurement, Scale, Target
from tests.conftest import own_database, running, settings_for

# Members, coins and places.
SIZES = {Scale.QUICK: (8, 500, 100), Scale.USUAL: (20, 2_000, 500), Scale.FULL: (200, 2_000, 500)}
# A member's time in November in that of the reference work, by coins and places.
NOVEMBER = {(500, 100): 1.5, (2_000, 500): 8.3}


async def _standings(url: str, members: int, coins: int, places: int) -> tuple[float, float]:
    """Seconds of CPU of one member's standing, and of the reference work."""
    async with running(settings_for(url)) as service:
        # What is loaded and compiled for the first member of any club is not counted.
        await clubs.standing(service, 1, 10, 3)
        reference = reference_work.seconds()
        seconds, listed = await clubs.standing(service, members, coins, places)
    if len(listed) != members or not all(one["counts"]["filled"] for one in listed):
        raise Disagreement(f"{len(listed)} members of {members}")
    return seconds / members, reference


def measured(members: int, coins: int, places: int) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), None) as url:
        return asyncio.run(_standings(url, members, coins, places))


def standings(scale: Scale) -> Measurement:
    members, coins, places = SIZES[scale]
    ours, reference = measured(members, coins, places)
    size = f"{members} members, {coins:,} x {places:,} each, one"
    return Measurement(size, ours, reference * NOVEMBER[coins, places])


TARGETS = (
    Target(
        "standings", "standings", "a member's standing, cold", "the same in November, by reference work", "at most", 1 / 6,
        standings, quick=True,
    ),
)  # fmt: skip

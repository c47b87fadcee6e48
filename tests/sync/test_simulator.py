"""Schedules of devices, crashes and restored backups; a seed that fails is named and replays. SETWRIGHT_SYNC_SEEDS takes
thousands."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.strategies import examples
from tests.sync.simulator import World

SEEDS = int(os.environ.get("SETWRIGHT_SYNC_SEEDS", "750"))
CHUNK = 250


@pytest.mark.parametrize("first", range(0, SEEDS, CHUNK))
def test_no_schedule_loses_anything(first: int) -> None:
    totals: dict[str, int] = {}
    for seed in range(first, first + CHUNK):
        world = World(seed)
        world.run()
        totals = {name: totals.get(name, 0) + count for name, count in world.counts.items()}
    # It has to have met what it is there for.
    assert all(count > 100 for count in totals.values()), totals


@settings(deadline=None, database=None, max_examples=examples(100), suppress_health_check=list(HealthCheck))
@given(st.integers(min_value=10_000_000), st.integers(5, 300))
def test_no_schedule_of_any_length_does(seed: int, steps: int) -> None:
    World(seed, steps=steps).run()


def test_a_seed_replays() -> None:
    worlds = [World(17), World(17)]
    for world in worlds:
        world.run()
    assert worlds[0].server.now.records == worlds[1].server.now.records
    assert worlds[0].server.now.states == worlds[1].server.now.states

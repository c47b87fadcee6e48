"""How many bytes sync takes on the wire. They follow from the content alone, so they are bounded here; `tests.benchmarks` prints
them."""

from __future__ import annotations

import pytest

from tests.benchmarks.traffic import measured
from tests.conftest import Running

pytestmark = pytest.mark.anyio

# Pages have 500 records, each compressed by itself: twice as many take twice the bytes.
HOLDINGS, OF = 500, 10_000
KILOBYTE, MEGABYTE = 1_000, 1_000_000


async def test_a_day_and_a_first_sync_are_small(service: Running) -> None:
    found = {(one.coding, one.slim): one for one in await measured(service, HOLDINGS)}
    # What the records are like: without a coding, and without asking for less, they take what they took.
    before = found["identity", False]
    assert 100 * KILOBYTE < before.day.down < 140 * KILOBYTE
    assert before.day.up > 12 * KILOBYTE
    assert 10 * MEGABYTE < before.first.down * OF / HOLDINGS < 15 * MEGABYTE
    for coding in ("gzip", "br", "zstd"):
        small = found[coding, True]
        assert small.day.down <= 15 * KILOBYTE, coding
        assert small.day.up <= 5 * KILOBYTE, coding
        # A device beside which nobody wrote is up to date by what it was answered.
        assert small.sent.down <= 4 * KILOBYTE, coding
        assert small.part.down * OF / HOLDINGS <= 1.5 * MEGABYTE, coding
        # Each of the ways helps.
        other = found[coding, False]
        assert small.day.down < other.day.down < before.day.down
        assert small.part.down < small.first.down < other.first.down < before.first.down

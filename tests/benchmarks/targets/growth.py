"""How the time of a whole evaluation grows with places and coins, and that of standings with members: the steepest slope between
two sizes on logarithmic axes; against holdings + fits + places, but for places (`beyond_the_first`)."""

from __future__ import annotations

import asyncio
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import msgspec

from service.evaluation.columns import of_views
from service.evaluation.places import Collection, places_of
from service.progress import evaluate as evaluation
from tests.benchmarks import clubs
from tests.benchmarks.data import a_case
from tests.benchmarks.race import Side, median
from tests.benchmarks.target import Measurement, Scale, Target
from tests.conftest import own_database, running, settings_for

PLACES = {Scale.QUICK: (10, 100, 200), Scale.USUAL: (10, 200, 500, 1_000, 2_000)}
COINS = {Scale.QUICK: (1_000, 5_000), Scale.USUAL: (1_000, 3_000, 10_000, 30_000, 100_000)}
MEMBERS = {Scale.QUICK: (1, 5), Scale.USUAL: (1, 5, 20, 50)}
PLACES[Scale.FULL] = PLACES[Scale.USUAL]
COINS[Scale.FULL] = (*COINS[Scale.USUAL], 300_000, 1_000_000)
MEMBERS[Scale.FULL] = (1, 5, 20, 100, 500)
COINS_OF_PLACES, PLACES_OF_COINS = 10_000, 500
COINS_OF_A_MEMBER, PLACES_OF_MEMBERS = 500, 100

Points = list[tuple[float, float]]


def steepest(points: Sequence[tuple[float, float]]) -> float:
    """The largest slope between neighbours: 1 is linear, 2 quadratic."""
    return max(math.log(b[1] / a[1]) / math.log(b[0] / a[0]) for a, b in pairwise(points))


def beyond_the_first(points: Sequence[tuple[float, float]]) -> Points:
    """What each size and its time are beyond those of the first: what stays the same from size to size (the coins, where places
    grow) takes its time in each of them, and is in none of these. A constant and a multiple of the size have the slope 1."""
    (size, seconds), *more = points
    return [(one - size, max(took - seconds, 1e-9)) for one, took in more]


def overall(points: Sequence[tuple[float, float]]) -> float:
    return steepest((points[0], points[-1]))


def slopes(points: Points, what: str) -> Measurement:
    told = ", ".join(f"{size:,.0f}: {seconds:.3g} s" for size, seconds in points)
    note = f"{told}; from the first to the last {overall(points):.2f}"
    return Measurement(what, steepest(points), note=note, points=tuple(points))


def evaluated(coins: int, places: int) -> tuple[float, float]:
    """Holdings + fits + places, and the seconds from holdings read to bytes."""
    case = a_case(coins, places)
    rows = case.rows
    laid = places_of(case.definition, Collection([(row,) for row in rows], {}, case.context))
    columns = of_views(rows, case.definition.attributes, case.context)
    fits = sum(columns.count(place.predicate)[1] for place in laid)
    run = Side(lambda: msgspec.json.encode(evaluation.evaluate(case.request)))
    # The service takes so many at most in one evaluation.
    with patch.object(evaluation, "MOST_HOLDINGS", 10_000_000):
        seconds, answer = median(run, 3 if coins <= 100_000 else 1)
    assert len(answer) > places
    return coins + fits + places, seconds


def by_places(scale: Scale) -> Measurement:
    evaluated(100, 5)
    found = [(float(places), *evaluated(COINS_OF_PLACES, places)) for places in PLACES[scale]]
    points = [(places, seconds) for places, _, seconds in found]
    # What it was before: one sum of all kinds of work, in which places weigh as little as coins, which are the same in all sizes.
    summed = steepest([(work, seconds) for _, work, seconds in found])
    told = slopes(points, "places")
    note = f"{told.note}; against holdings + fits + places, as one sum, {summed:.2f}"
    return replace(told, ours=steepest(beyond_the_first(points)), note=note)


def by_coins(scale: Scale) -> Measurement:
    evaluated(100, 5)
    return slopes([evaluated(coins, PLACES_OF_COINS) for coins in COINS[scale]], "holdings + fits + places")


async def _standings(url: str, sizes: Sequence[int]) -> Points:
    points = []
    async with running(settings_for(url)) as service:
        await clubs.standing(service, 1, 10, 3)
        for members in sizes:
            seconds, listed = await clubs.standing(service, members, COINS_OF_A_MEMBER, PLACES_OF_MEMBERS)
            points.append((float(members), seconds))
            assert len(listed) == members
    return points


def by_members(scale: Scale) -> Measurement:
    with tempfile.TemporaryDirectory() as folder, own_database(Path(folder), None) as url:
        points = asyncio.run(_standings(url, MEMBERS[scale]))
    return slopes(points, f"members of {COINS_OF_A_MEMBER:,} x {PLACES_OF_MEMBERS:,}")


def _target(name: str, what: str, measure: Callable[[Scale], Measurement]) -> Target:
    # A tenth above linear is what the same code shows from one run to the next.
    return Target(f"growth-{name}", "growth", what, "linear", "at most", 1.1, measure, unit="slope")


TARGETS = (
    _target("places", f"growth of an evaluation of {COINS_OF_PLACES:,} coins, 10 to 2,000 places", by_places),
    _target("holdings", f"growth of an evaluation with {PLACES_OF_COINS} places, 1,000 coins to 1,000,000", by_coins),
    _target("members", "growth of cold standings, 1 to 500 members", by_members),
)

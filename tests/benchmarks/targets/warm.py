"""One change taken into the columns that are kept of an owner."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

from service.accounts.model import Owner
from service.database.engine import Database, Limits
from service.database.ids import new_id
from service.facts.core_attributes import CORE
from service.holdings.columns.store import held_by
from service.holdings.sync.actions import synchronise
from service.http.api.sync import judged
from tests.benchmarks.data import SEED, a_coin
from tests.benchmarks.race import Side, race
from tests.benchmarks.servers import NOW, YEARS, an_empty_house, move_in
from tests.benchmarks.target import Measurement, Scale, Target

SIZES = {Scale.QUICK: 10_000, Scale.USUAL: 100_000, Scale.FULL: 1_000_000}
SMALL = 1_000
AT = "2026-11-25T12:00:00Z"


def grades(database: Database, owner: Owner) -> Iterator[tuple[str, int]]:
    """A new coin by sync, and from then on another grade of it, without end: its id and its grade."""
    chance, coin, before, grade = random.Random(SEED), new_id(), None, 1
    while True:
        made, grade = new_id(), grade % 70 + 1
        facts = {"grade": grade} if before else {**a_coin(chance, 0, YEARS)["facts"], "grade": grade}
        body: dict[str, Any] = {"mutation_id": made, "id": coin, "patch": facts, "edited_at": AT}
        body |= {"op": "update", "from": {"grade": before}} if before else {"op": "create"}
        sent = judged(body, NOW, None)
        database.write(lambda connection: synchronise(connection, owner, "phone", [sent], CORE, NOW))
        before = made
        yield coin, grade


def one_change(scale: Scale) -> Measurement:
    size = SIZES[scale]
    with an_empty_house(Limits(warm_bytes=2**30)) as (_, database):

        def taking_in(coins: int) -> Side[bool]:
            """Whether the columns are of the newest state, and have the coin's new grade."""
            owner = move_in(database, coins, []).owner
            changes = grades(database, owner)

            change = ("", 0)

            def run() -> bool:
                held = database.read(lambda connection: held_by(connection, owner))
                row = held.place_of(change[0])
                return len(held) == coins + 1 and row is not None and held[row].data["facts"]["grade"] == change[1]

            def make() -> None:
                nonlocal change
                change = next(changes)

            make()
            assert run()
            return Side(run, before=make)

        times = race(taking_in(size), taking_in(SMALL), lambda ours, theirs: ours and theirs)
    return Measurement(f"{size:,} against {SMALL:,}", times.ours, times.theirs)


TARGETS = (
    Target(
        "one-change", "warm", "one change taken in, 1,000,000 coins", "the same with 1,000 coins", "at most", 1.2, one_change,
        quick=True,
    ),
)  # fmt: skip

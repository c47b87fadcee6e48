"""What is kept here, evaluated: by a server that knows nothing of the owner yet, after one changed coin, and with a candidate."""

from __future__ import annotations

import gc
import json
import random
import sqlite3
import statistics
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import msgspec

from tests.benchmarks.data import SEED, a_coin
from tests.benchmarks.race import Disagreement, Side, median
from tests.benchmarks.servers import YEARS, Answer, Caller, Collector, a_document, an_empty_house, move_in
from tests.benchmarks.target import Measurement, Scale, Target
from tests.server import Server, serving

LARGE = {Scale.QUICK: (5_000, 100), Scale.USUAL: (100_000, 1_000), Scale.FULL: (100_000, 1_000)}
MIDDLE = {Scale.QUICK: (2_000, 100), Scale.USUAL: (10_000, 500), Scale.FULL: (10_000, 500)}
ROUNDS, CHANGES = 3, 9


@dataclass
class House:
    """A database with a collector, and another one with a few coins, whose evaluation loads what every evaluation needs."""

    url: str
    collector: Collector
    another: Collector
    size: str

    @property
    def evaluation(self) -> str:
        return f"/v1/definitions/{self.collector.sets[0]}/evaluation"

    @contextmanager
    def served(self) -> Iterator[tuple[Server, Caller]]:
        """A new server that has evaluated for another owner."""
        with serving(self.url) as server:
            first = Caller(server, self.another.headers)
            assert first.get(f"/v1/definitions/{self.another.sets[0]}/evaluation").status == 200
            yield server, Caller(server, self.collector.headers)

    def cold(self) -> tuple[float, Answer]:
        """Seconds of the first evaluation of a new server, and its answer."""
        with self.served() as (_, caller):
            seconds, answer = caller.getting(self.evaluation).sample()
        assert answer.status == 200, answer
        return seconds, answer


@contextmanager
def a_house(coins: int, places: int) -> Iterator[House]:
    with an_empty_house() as (url, database):
        collector = move_in(database, coins, [a_document(places)])
        yield House(url, collector, move_in(database, 20, [a_document(3)]), f"{coins:,} x {places:,}")


def rows_and_json(house: House, read: Callable[[str], Any] = msgspec.json.decode) -> Side[int]:
    """The driver's rows of the owner's coins, the JSON of each read: how many there are."""
    connection = sqlite3.connect(house.url.removeprefix("sqlite:///"))
    most = "SELECT owner_id FROM holding GROUP BY owner_id ORDER BY count(*) DESC LIMIT 1"
    owner = connection.execute(most).fetchone()

    def run() -> int:
        found = connection.execute("SELECT * FROM holding WHERE owner_id = ?", owner)
        data = [column[0] for column in found.description].index("data")
        # What this process keeps besides is looked through for garbage meanwhile: that would double the time of the floor.
        gc.disable()
        try:
            return len([read(row[data]) for row in found])
        finally:
            gc.enable()

    return Side(run)


def cold(scale: Scale) -> Measurement:
    coins, places = LARGE[scale]
    with a_house(coins, places) as house:
        bare = rows_and_json(house)
        ours, theirs = [], []
        for _ in range(1 if scale == Scale.QUICK else ROUNDS):
            seconds, answer = house.cold()
            floor, found = bare.sample()
            summary = answer.json["summary"]
            if found != summary["filled"] + summary["tentative"] + summary["unplaced"]:
                raise Disagreement(f"{found} rows; {summary}")
            ours.append(seconds)
            theirs.append(floor)
        slower, _ = median(rows_and_json(house, json.loads))
    usual = statistics.median(ours)
    note = f"with the standard library's json {slower * 1e3:.0f} ms, {usual / slower:.1f}x"
    return Measurement(house.size, usual, statistics.median(theirs), note=note)


def changed(scale: Scale) -> Measurement:
    chance = random.Random(SEED)
    with a_house(*MIDDLE[scale]) as house, house.served() as (_, caller):
        coins = [one["id"] for one in caller.get("/v1/holdings?limit=100").json["items"]]
        # The history of these coins begins with the first change.
        change_one(caller, coins[0], {"grade": 1})
        caller.get(house.evaluation)
        times = []
        for _ in range(CHANGES):
            change_one(caller, chance.choice(coins), {"grade": chance.randint(1, 70)})
            seconds, answer = caller.getting(house.evaluation).sample()
            times.append(seconds)
        colds = []
        for _ in range(ROUNDS):
            seconds, whole = house.cold()
            if whole.body != answer.body:
                raise Disagreement("another answer from a new server than after the change")
            colds.append(seconds)
    return Measurement(house.size, statistics.median(times), statistics.median(colds))


def change_one(caller: Caller, coin: str, facts: dict[str, Any]) -> None:
    """One coin gets other facts."""
    tag = caller.get(f"/v1/holdings/{coin}").headers["etag"]
    answer = caller.patch(f"/v1/holdings/{coin}", {"facts": facts}, {"If-Match": tag})
    assert answer.status == 200, answer


def candidate(scale: Scale) -> Measurement:
    """The gain told is that of evaluating with the coin."""
    chance = random.Random(SEED + 1)
    with a_house(*MIDDLE[scale]) as house:
        colds = [house.cold()[0] for _ in range(ROUNDS)]
        with house.served() as (_, caller):
            before = caller.get(house.evaluation).json["summary"]
            times = []
            for number in range(CHANGES):
                facts = a_coin(chance, number, YEARS)["facts"]
                body = {"coins": [{"facts": facts}], "definitions": [house.collector.sets[0]]}
                seconds, answer = Side(lambda: caller.post("/v1/candidates", body), caller.cpu).sample()
                assert answer.status == 200, answer
                times.append(seconds)
            added = caller.post("/v1/holdings", {"facts": facts})
            assert added.status == 201, added
            gain = caller.get(house.evaluation).json["summary"]["certain"] - before["certain"]
            told = answer.json["sets"][0]["candidates"][0]["certain_gain"]
            if told != gain:
                raise Disagreement(f"told gain {told}, evaluated {gain}")
    return Measurement(house.size, statistics.median(times), statistics.median(colds))


COLD = "a new server's first evaluation"
TARGETS = (
    Target(
        "cold", "stored", "HTTP: cold evaluation of a stored set", "the driver's rows, their JSON read", "at most", 4, cold,
        quick=True,
    ),
    Target("changed", "stored", "HTTP: evaluation after one changed coin", COLD, "at most", 1 / 8, changed),
    Target("candidate", "stored", "HTTP: a candidate", COLD, "at most", 1 / 20, candidate),
)  # fmt: skip

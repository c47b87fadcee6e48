"""Looking through many holdings, over HTTP: a filter, a count and an order, beside a page by id and beside a small collection."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import cycle
from typing import Any
from urllib.parse import quote

from tests.benchmarks.data import SEED, VALUES, a_coin
from tests.benchmarks.race import Side, Times, race
from tests.benchmarks.servers import YEARS, Answer, Caller, an_empty_house, move_in
from tests.benchmarks.target import Measurement, Scale, Target
from tests.server import serving

SIZES = {Scale.QUICK: 10_000, Scale.USUAL: 100_000, Scale.FULL: 100_000}
SMALL, PAGE = 1_000, 100
# What is asked is another grade or value each time, so that no answer is one that was given before.
ASKED = ("filter", "filter and count", "sort of a filter")


@dataclass(frozen=True)
class Drawer:
    """A collection on a server, and what the facts of its coins are."""

    caller: Caller
    facts: list[dict[str, Any]]

    def asking(self, kind: str, compares: str = "=") -> Side[tuple[int, str, Answer]]:
        """Grade, value and the answer of one question after the other: coins of that value, or of any other (`<>`)."""
        questions = cycle([(grade, value) for grade in range(40, 60) for value in VALUES])

        def run() -> tuple[int, str, Answer]:
            grade, value = next(questions)
            rule = quote(f"grade >= {grade} AND denomination {compares} '{value}'")
            more = {"filter and count": "&count=true", "sort of a filter": "&sort=-grade"}.get(kind, "")
            return grade, value, self.caller.get(f"/v1/holdings?limit={PAGE}&filter={rule}{more}")

        return Side(run, self.caller.cpu)

    def is_right(self, grade: int, value: str, answer: Answer, compares: str = "=") -> bool:
        """Whether the page is full of coins that fit, and counts them all."""

        def fits_the_rule(facts: dict[str, Any]) -> bool:
            return facts["grade"] >= grade and (facts["denomination"] == value) == (compares == "=")

        fitting = [one for one in self.facts if fits_the_rule(one)]
        page = [one["facts"] for one in answer.json["items"]]
        fits = all(map(fits_the_rule, page))
        counted = answer.json.get("count", len(fitting))
        return answer.status == 200 and fits and len(page) == min(PAGE, len(fitting)) and counted == len(fitting)

    def pages(self) -> Side[Answer]:
        """Pages by id, one after the other, from the start again after some."""
        addresses = [f"/v1/holdings?limit={PAGE}"]
        for _ in range(8):
            addresses.append(self.caller.get(addresses[-1]).json["next"])
        turn = cycle(addresses)
        return Side(lambda: self.caller.get(next(turn)), self.caller.cpu)


@contextmanager
def drawers(*sizes: int) -> Iterator[list[Drawer]]:
    with an_empty_house() as (url, database):
        collectors = [move_in(database, size, []) for size in sizes]
        with serving(url) as server:
            yield [
                Drawer(Caller(server, collector.headers), facts_of(size))
                for collector, size in zip(collectors, sizes, strict=True)
            ]


def facts_of(coins: int) -> list[dict[str, Any]]:
    chance = random.Random(SEED)
    return [a_coin(chance, number, YEARS)["facts"] for number in range(coins)]


def worst(found: dict[str, Times], size: str) -> Measurement:
    kind = max(found, key=lambda kind: found[kind].ours / found[kind].theirs)
    told = ", ".join(f"{name} {times.ours / times.theirs:.2f}x" for name, times in found.items())
    return Measurement(f"{size}, {kind}", found[kind].ours, found[kind].theirs, note=told)


def against_page_by_id(scale: Scale) -> Measurement:
    size = SIZES[scale]
    with drawers(size) as (drawer,):
        found = {
            kind: race(
                drawer.asking(kind),
                drawer.pages(),
                lambda ours, page: drawer.is_right(*ours) and len(page.json["items"]) == PAGE,
                seconds=1.0,
            )
            for kind in ASKED
        }
    return worst(found, f"{size:,}, pages of {PAGE}")


def against_small(scale: Scale) -> Measurement:
    """Questions to which both have a full page: with one value, a thousand coins had a third of one."""
    size = SIZES[scale]
    with drawers(size, SMALL) as (large, small):
        found = {
            kind: race(
                large.asking(kind, "<>"),
                small.asking(kind, "<>"),
                lambda ours, theirs: large.is_right(*ours, "<>") and small.is_right(*theirs, "<>"),
                seconds=1.0,
            )
            for kind in ASKED
        }
    return worst(found, f"{size:,} against {SMALL:,}")


TARGETS = (
    Target(
        "filter-page", "holdings", "HTTP: a page of a filter, a count or an order", "a page by id", "at most", 3,
        against_page_by_id, quick=True,
    ),
    Target(
        "filter-growth", "holdings", "HTTP: the same of 100,000", f"its own time at {SMALL:,}", "at most", 1.5, against_small
    ),
)  # fmt: skip

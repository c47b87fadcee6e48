"""Answers over HTTP on a real server, each beside a bare route that sends the same bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from tests.benchmarks.race import race
from tests.benchmarks.servers import Answer, Caller, Collector, a_document, an_empty_house, bare, move_in, same
from tests.benchmarks.target import Measurement, Scale, Target
from tests.server import serving

SIZES = {Scale.QUICK: (1_000, 60), Scale.USUAL: (10_000, 500), Scale.FULL: (10_000, 500)}
NOTHING_NEW = Answer(304, {}, b"")
# By what they read: nothing, the account, one row of each kind, a page of a few.
SMALL = (
    "/health/live",
    "/v1/account",
    "/v1/account/tokens",
    "/v1/definitions",
    "/v1/definitions/{set}",
    "/v1/definitions/{set}/pins",
    "/v1/definitions/{set}/adoption",
    "/v1/holdings?limit=1",
    "/v1/holdings/{coin}",
    "/v1/holdings/imports",
    "/v1/clubs",
    "/v1/account/presumptions",
)


@dataclass(frozen=True)
class House:
    size: str
    caller: Caller
    collector: Collector

    @property
    def set_path(self) -> str:
        return f"/v1/definitions/{self.collector.sets[0]}"


@contextmanager
def a_house(scale: Scale, *, small: bool = False) -> Iterator[House]:
    """The service, of a collector with a collection and a set; `small`: with a set of a few places."""
    coins, places = (100, 5) if small else SIZES[scale]
    with an_empty_house() as (url, database):
        collector = move_in(database, coins, [a_document(places)])
        with serving(url) as server:
            yield House(f"{coins:,} x {places:,}", Caller(server, collector.headers), collector)


def remembered(path: str, *, of_set: bool = True) -> Callable[[Scale], Measurement]:
    """What was answered before and has not changed since, of one set or of all."""

    def measure(scale: Scale) -> Measurement:
        with a_house(scale) as house:
            address = house.set_path + path if of_set else path
            answer = house.caller.get(address)
            assert answer.status == 200, answer
            with bare({"answer": answer}) as peer:
                times = race(house.caller.getting(address), peer.getting("/answer"), same)
        return Measurement(f"{house.size}, {len(answer.body):,} bytes", times.ours, times.theirs)

    return measure


def unchanged(scale: Scale) -> Measurement:
    with a_house(scale) as house, bare({"answer": NOTHING_NEW}) as peer:
        address = f"{house.set_path}/evaluation"
        known = {"If-None-Match": house.caller.get(address).headers["etag"]}
        times = race(house.caller.getting(address, known), peer.getting("/answer"), same)
    return Measurement(house.size, times.ours, times.theirs)


def small(scale: Scale) -> Measurement:
    """The worst of several."""
    with a_house(scale, small=True) as house:
        coin = house.caller.get("/v1/holdings?limit=1").json["items"][0]["id"]
        paths = [path.format(set=house.collector.sets[0], coin=coin) for path in SMALL]
        answers = {f"answer-{n}": house.caller.get(path) for n, path in enumerate(paths)}
        assert all(answer.status == 200 for answer in answers.values()), answers
        with bare(answers) as peer:
            found = [
                race(house.caller.getting(path), peer.getting(f"/{name}"), same, seconds=0.7)
                for path, name in zip(paths, answers, strict=True)
            ]
    ratios = sorted((times.ours / times.theirs, n) for n, times in enumerate(found))
    worst, middle = ratios[-1], ratios[len(ratios) // 2]
    times = found[worst[1]]
    note = f"the worst of {len(SMALL)}: {SMALL[worst[1]]}; the median {middle[0]:.1f}x: {SMALL[middle[1]]}"
    return Measurement(f"{len(SMALL)} paths", times.ours, times.theirs, note=note)


SAME_BYTES = "a bare FastAPI route sending the same bytes"
TARGETS = (
    Target(
        "cached-evaluation", "answers", "HTTP: evaluation, nothing changed", SAME_BYTES, "at most", 1.1,
        remembered("/evaluation"), quick=True,
    ),
    Target(
        "cached-want-list", "answers", "HTTP: want list, nothing changed", SAME_BYTES, "at most", 1.1,
        remembered("/want-list"),
    ),
    Target(
        "cached-need-sheet", "answers", "HTTP: need sheet, nothing changed", SAME_BYTES, "at most", 1.1,
        remembered("/v1/need-sheets", of_set=False),
    ),
    Target(
        "unchanged", "answers", "HTTP: 304 to an evaluation's tag", "a bare FastAPI route without a body", "at most", 1.5,
        unchanged, quick=True,
    ),
    Target("small-get", "answers", "HTTP: any small GET", SAME_BYTES, "at most", 5, small, quick=True),
)  # fmt: skip

"""Two ways to the same answer, measured in turns in one run, and refused where the answers do not agree."""

from __future__ import annotations

import gc
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

A = TypeVar("A")
B = TypeVar("B")

# Seconds that a sample takes, and from which on a first call counts.
SAMPLE, LONG = 0.03, 1.0
MOST_CALLS, MOST_ROUNDS = 100, 100


class Disagreement(Exception):
    """Ours and the peer's answers differ: a ratio of their times would compare different work."""


@dataclass(frozen=True)
class Side(Generic[A]):
    """What is timed, and by which clock, in seconds: the CPU time of this process, or of the one that does the work. What is done
    `before` every call is not timed."""

    run: Callable[[], A]
    clock: Callable[[], float] = time.process_time
    before: Callable[[], object] | None = None

    def sample(self, calls: int = 1) -> tuple[float, A]:
        """The mean seconds of so many calls, and the last answer."""
        seconds = 0.0
        for _ in range(calls if self.before else 1):
            if self.before:
                self.before()
            begun = self.clock()
            for _ in range(1 if self.before else calls):
                answer = self.run()
            seconds += self.clock() - begun
        return seconds / calls, answer


@dataclass(frozen=True)
class Times:
    """Median seconds of a call, and in how many rounds."""

    ours: float
    theirs: float
    rounds: int


def race(
    ours: Side[A], theirs: Side[B], agree: Callable[[A, B], bool], *, least: int = 3, seconds: float = 2.0
) -> Times:
    """Both in turns, for `least` rounds and until `seconds` have passed; the answers of every round must agree. A sample is as
    many calls as take a while. The first call of each is not counted, unless it is a long one. What was made before is left out
    of garbage collection, for neither side made it. Raises Disagreement."""
    gc.collect()
    gc.freeze()
    mine, other, begun = list[float](), list[float](), time.perf_counter()
    try:
        first, second = ours.sample(), theirs.sample()
        _ensure(agree, first[1], second[1])
        if min(first[0], second[0]) >= LONG:
            mine, other = [first[0]], [second[0]]
        calls = [max(1, min(MOST_CALLS, int(SAMPLE / max(once, 1e-9)))) for once in (first[0], second[0])]
        while len(mine) < least or (time.perf_counter() - begun < seconds and len(mine) < MOST_ROUNDS):
            first, second = ours.sample(calls[0]), theirs.sample(calls[1])
            _ensure(agree, first[1], second[1])
            mine.append(first[0])
            other.append(second[0])
    finally:
        gc.unfreeze()
    return Times(statistics.median(mine), statistics.median(other), len(mine))


def _ensure(agree: Callable[[A, B], bool], ours: A, theirs: B) -> None:
    if not agree(ours, theirs):
        raise Disagreement(f"ours: {ours!r:.200}; the peer's: {theirs!r:.200}")


def median(side: Side[A], rounds: int = 3) -> tuple[float, A]:
    """The median seconds of so many samples, and the last answer: for absolute figures, and for one thing at several sizes."""
    times = []
    for _ in range(rounds):
        seconds, answer = side.sample()
        times.append(seconds)
    return statistics.median(times), answer

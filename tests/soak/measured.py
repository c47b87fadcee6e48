"""What was measured of requests and of memory, and what may be concluded from it."""

from __future__ import annotations

import statistics
import threading
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import httpx


@dataclass
class Requests:
    """How requests ended and how long those took that were answered, by what was asked. Many threads write into it."""

    ends: Counter[tuple[str, str]] = field(default_factory=Counter)
    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    unforeseen: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def answered(self, kind: str, answer: httpx.Response, seconds: float) -> None:
        with self._lock:
            self.ends[kind, str(answer.status_code)] += 1
            self.seconds[kind].append(seconds)
            is_busy = answer.status_code == 503 and "retry-after" in answer.headers
            if answer.status_code >= 500 and not is_busy:
                self.unforeseen.append(f"{kind}: {answer.status_code} {answer.text[:300]}")
            # 412: somebody else counted; 429: too many for one account.
            if 400 <= answer.status_code < 500 and answer.status_code not in (412, 429):
                self.refused.append(f"{kind}: {answer.status_code} {answer.text[:300]}")

    def failed(self, kind: str, problem: Exception) -> None:
        with self._lock:
            self.ends[kind, type(problem).__name__] += 1

    def by_end(self) -> dict[str, int]:
        """How often each status, or each way to have no answer, was met."""
        found: Counter[str] = Counter()
        for (_, end), count in self.ends.items():
            found[end] += count
        return dict(sorted(found.items()))

    def milliseconds(self) -> dict[str, tuple[int, float, float, float, float]]:
        """By what was asked: how many answers, and the 50th, 95th and 99th percentile and the longest."""
        return {kind: _percentiles(took) for kind, took in sorted(self.seconds.items())}


def _percentiles(took: Sequence[float]) -> tuple[int, float, float, float, float]:
    ordered = sorted(took)
    at = [ordered[min(len(ordered) - 1, int(len(ordered) * part))] * 1000 for part in (0.5, 0.95, 0.99)]
    return len(ordered), *at, ordered[-1] * 1000


@dataclass(frozen=True)
class Memory:
    """The growth of one process after its warm-up: a line through its samples."""

    role: str
    minutes: float
    mean: float
    slope: float

    @property
    def is_flat(self) -> bool:
        """Whether it would be larger by less than a tenth after an hour: or it is too young to tell."""
        return self.minutes < 5 or self.slope * 60 < 0.1 * self.mean + 20


def growth(samples: Mapping[tuple[int, str], Sequence[tuple[float, float]]], warm_up: float) -> list[Memory]:
    """Of processes by id and role, with samples of minutes and MiB that are no file's; without what was before `warm_up`."""
    found = []
    for (_, role), taken in samples.items():
        # A young process has its own warm-up.
        begin = max(warm_up, taken[0][0] + min(warm_up, 2.0))
        warm = [(minute, size) for minute, size in taken if minute >= begin]
        if len(warm) >= 6:
            minutes, sizes = zip(*warm, strict=True)
            slope = statistics.linear_regression(minutes, sizes).slope
            found.append(Memory(role, minutes[-1] - minutes[0], statistics.fmean(sizes), slope))
    return sorted(found, key=lambda one: (one.role, -one.minutes))

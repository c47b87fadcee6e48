"""A row of the table of targets, and what measuring it gave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from importlib.util import find_spec
from typing import Literal

Direction = Literal["at least", "at most"]
Unit = Literal["x", "s", "ms", "MiB", "slope"]


class Scale(StrEnum):
    """How large: a minute in all, for every commit; ten minutes in all, the sizes of the targets; and a million holdings."""

    QUICK = "quick"
    USUAL = "usual"
    FULL = "full"


@dataclass(frozen=True)
class Measurement:
    """`ours` and `theirs` are in seconds (of CPU, unless `clock` says otherwise) or in MiB; without a peer `ours` is the figure
    itself, in the unit of the target. `points` are (size, seconds) where it was measured how the time grows."""

    size: str
    ours: float
    theirs: float | None = None
    clock: str = "CPU"
    note: str = ""
    points: tuple[tuple[float, float], ...] = ()


Measure = Callable[[Scale], Measurement]


@dataclass(frozen=True)
class Target:
    """A row. `direction` "at least": the peer's time in ours, "at most": ours in the peer's. `needs` are the modules of the peer
    that only the benchmarks install; `missing` says why it is not measured; `quick` rows run for every commit, `full` ones
    only when all is asked for."""

    name: str
    group: str
    what: str
    peer: str
    direction: Direction
    bound: float
    measure: Measure | None
    unit: Unit = "x"
    needs: tuple[str, ...] = ()
    quick: bool = False
    missing: str = ""
    full: bool = False

    def value(self, found: Measurement) -> float:
        """The ratio, or the figure itself where there is no peer."""
        if found.theirs is None:
            return found.ours
        return found.theirs / found.ours if self.direction == "at least" else found.ours / found.theirs

    def is_met(self, value: float) -> bool:
        return value >= self.bound if self.direction == "at least" else value <= self.bound

    def why_not(self) -> str:
        """Why it cannot be measured here; empty where it can."""
        lacking = [name for name in self.needs if find_spec(name) is None]
        return self.missing or (f"needs {', '.join(lacking)}: '.[benchmarks]'" if lacking else "")

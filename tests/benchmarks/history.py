"""Runs kept in docs/benchmarks/history.jsonl, one a line, and what became worse between two of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from tests.benchmarks.run import ROOT, Row, Run
from tests.benchmarks.target import Scale

FOLDER = ROOT / "docs" / "benchmarks"
HISTORY = FOLDER / "history.jsonl"
# Ratios of one run hardly move with the machine's speed, but they do with what else it does.
MUCH = 1.5


@dataclass(frozen=True)
class Change:
    """One row in two runs. `worse` is by what factor: above 1 worse, below 1 better."""

    name: str
    before: float
    after: float
    worse: float

    @property
    def is_regression(self) -> bool:
        return self.worse > MUCH


def save(run: Run, file: Path = HISTORY) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("ab") as kept:
        kept.write(msgspec.json.encode(run) + b"\n")


def read_runs(file: Path = HISTORY) -> list[Run]:
    """The runs of a file, the oldest first: none where it is not there."""
    if not file.exists():
        return []
    return [msgspec.json.decode(line, type=Run) for line in file.read_bytes().splitlines() if line.strip()]


def last_rows(runs: Iterable[Run], scale: Scale) -> dict[str, Row]:
    """By name the newest row measured at this scale."""
    return {row.name: row for run in runs if run.scale == scale for row in run.rows if row.state == "measured"}


def changes(before: Iterable[Row], after: Sequence[Row]) -> list[Change]:
    """The rows that both measured at one size, the worst first."""
    earlier = {row.name: row for row in before}
    found = []
    for row in after:
        old = earlier.get(row.name)
        if old is None or not old.value or not row.value or old.measurement is None or row.measurement is None:
            continue
        if old.measurement.size != row.measurement.size:
            continue
        factor = old.value / row.value if row.direction == "at least" else row.value / old.value
        found.append(Change(row.name, old.value, row.value, factor))
    return sorted(found, key=lambda change: -change.worse)

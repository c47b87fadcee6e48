"""Verdicts of all coins for all rules, counted, beside engines that know two values and beside floors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from service.evaluation.columns import Columns, of_views
from service.evaluation.places import Collection, places_of
from service.facts.holding import View
from service.rules.predicates import Predicate, reads
from tests.benchmarks import peers
from tests.benchmarks.data import a_case
from tests.benchmarks.race import Side, race
from tests.benchmarks.target import Measurement, Scale, Target

SIZES = {Scale.QUICK: (20_000, 500), Scale.USUAL: (100_000, 1_000), Scale.FULL: (100_000, 1_000)}
SMALLER = {Scale.QUICK: (1_000, 100), Scale.USUAL: (5_000, 500), Scale.FULL: (5_000, 500)}
# Of a peer that goes row by row so many pairs are tried, and its time is that of all in proportion.
PAIRS = 3_000_000

Peer = Callable[[Sequence[Predicate], Sequence[View]], Callable[[], int]]


@dataclass(frozen=True)
class Rules:
    """Coins and rules of one size."""

    coins: int
    predicates: list[Predicate]
    rows: list[View]
    columns: Columns

    @property
    def size(self) -> str:
        return f"{self.coins:,} x {len(self.predicates):,}"

    @property
    def names(self) -> list[str]:
        """The attributes that the rules read."""
        return sorted(frozenset().union(*map(reads, self.predicates)))

    def counted(self) -> Callable[[], int]:
        """How many pairs fit for certain. Columns and compiled rules are kept from one call to the next, no verdict is."""

        def run() -> int:
            kept = self.columns
            columns = Columns(kept.rows, kept.column, kept.attributes, kept.context, kept.plans)
            return int(columns.counts(self.predicates)[0].sum())

        return run

    def told_plainly(self, rows: Sequence[View]) -> int:
        """The same among those of these coins of which everything is known plainly or not at all: all that engines of two
        values, which are told plain values, can find."""
        rows = [row for row in rows if all(peers.plain(row, name) is not None for name in row.facts)]
        columns = of_views(rows, self.columns.attributes, self.columns.context)
        return sum(columns.count(predicate)[0] for predicate in self.predicates)


def rules(coins: int, places: int) -> Rules:
    case = a_case(coins, places)
    rows, context = case.rows, case.context
    laid = places_of(case.definition, Collection([(row,) for row in rows], {}, context))
    columns = of_views(rows, case.definition.attributes, context)
    made = Rules(coins, [place.predicate for place in laid], rows, columns)
    for name in made.names:
        columns.column(name)
    return made


kept_rules = cache(rules)
"""The rows of a group are about the same rules, which take a while to make."""


def against(
    peer: Peer, sizes: dict[Scale, tuple[int, int]] = SIZES, *, by_row: bool = False
) -> Callable[[Scale], Measurement]:
    def measure(scale: Scale) -> Measurement:
        case = kept_rules(*sizes[scale])
        rows = case.rows[: max(1, PAIRS // len(case.predicates))] if by_row else case.rows
        expected, every = case.told_plainly(rows), case.counted()()
        run = peer(case.predicates, rows)
        times = race(
            Side(case.counted()), Side(run), lambda ours, theirs: (ours, theirs) == (every, expected), seconds=5.0
        )
        share = case.coins / len(rows)
        note = f"the peer's time for {len(rows):,} coins, in proportion" if share > 1 else ""
        return Measurement(case.size, times.ours, times.theirs * share, note=note)

    return measure


def copying(scale: Scale) -> Measurement:
    case = kept_rules(*SIZES[scale])
    copy = peers.memcpy(case.coins, len(case.predicates))
    every, size = case.counted()(), copy()
    times = race(Side(case.counted()), Side(copy), lambda ours, theirs: (ours, theirs) == (every, size), seconds=5.0)
    return Measurement(case.size, times.ours, times.theirs)


def _target(name: str, peer: str, bound: float, measure: Any, direction: Any = "at least", **more: Any) -> Target:
    return Target(
        f"verdicts-{name}", "verdicts", "verdicts of all coins for all rules", peer, direction, bound, measure, **more
    )


TARGETS = (
    _target("polars", "polars, one lazy select", 6, against(peers.polars_lazy), needs=("polars",)),
    _target("duckdb", "DuckDB, rules as a table, one join", 1.5, against(peers.duckdb_join), "at most", needs=("duckdb",)),
    _target(
        "duckdb-small", "DuckDB, rules as a table, one join", 2.5, against(peers.duckdb_join, SMALLER), "at most",
        needs=("duckdb",),
    ),
    _target("cel", "CEL in Rust, row by row", 2_000, against(peers.cel_rust, by_row=True), needs=("cel",)),
    _target(
        "python", "one generated Python function, row by row", 50, against(peers.fused_python, by_row=True), quick=True
    ),
    _target("memcpy", "a memcpy of its own answer", 20, copying, "at most"),
)  # fmt: skip

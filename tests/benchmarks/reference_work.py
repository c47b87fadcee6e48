"""A fixed piece of plain Python, as a yardstick for what only an earlier version of the service could be compared with.

How long the code of November 2026 (commit ce8eb8a) took was measured in turns with this work on one machine; the quotient is kept
where it is used. So November's time on any machine is the quotient times what this work takes there, in the same run. It must
never be changed.
"""

from __future__ import annotations

import gc
import statistics
import time
from dataclasses import dataclass

PIECES = 20_000
SUM = 196_252


@dataclass(frozen=True)
class Piece:
    kind: str
    year: int
    words: tuple[str, ...]


def work() -> int:
    """Objects made, put into dicts, sorted, compared and told in words: what such a service does most. Garbage collection, whose
    cost hangs on all else in memory, is kept out."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        return _work()
    finally:
        if was_on:
            gc.enable()


def seconds(rounds: int = 5) -> float:
    """The median of its CPU time. Raises AssertionError where it did something else."""
    times = []
    for _ in range(rounds):
        begun = time.process_time()
        assert work() == SUM
        times.append(time.process_time() - begun)
    return statistics.median(times)


def _work() -> int:
    pieces = [Piece("abc"[n % 3] * 2, 1800 + n * 7 % 171, (f"word {n % 97}", str(n))) for n in range(PIECES)]
    by_kind: dict[tuple[str, int], list[Piece]] = {}
    for piece in pieces:
        by_kind.setdefault((piece.kind, piece.year), []).append(piece)
    found = 0
    for (kind, year), group in sorted(by_kind.items()):
        group.sort(key=lambda piece: (piece.words[0], -piece.year, piece.words[1]))
        fitting = [
            piece for piece in group if (piece.year % 2 == 0 and piece.kind in ("aa", "cc")) or piece.year > 1900
        ]
        found += len(f"{kind} of {year}: " + ", ".join(" ".join(piece.words) for piece in fitting))
    return found + len(frozenset(pieces))

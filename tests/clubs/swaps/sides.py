"""A side of a search from a whole evaluation; the service makes its own from figures that it keeps."""

from __future__ import annotations

from collections.abc import Mapping

from service.clubs.swaps.model import Side
from service.progress.result import Evaluation


def side_of(
    owner: str, result: Evaluation, most: Mapping[str, int] | None = None, expected: frozenset[str] = frozenset()
) -> Side:
    places = [(entry.place, entry.label, entry.status) for entry in result.places()]
    spares = [
        (entry.holding, entry.pieces or 1, entry.places or []) for entry in result.unplaced if entry.reason == "spare"
    ]
    return Side(owner, places, spares, most or {}, expected)

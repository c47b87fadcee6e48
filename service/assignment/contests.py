"""Contests: minimal groups of places that together have fewer fitting coins than places (Hall violators).

From an empty place alternating paths lead to the coins that fit it, from those to the places where they sit, from there to
the coins that fit those, and so on. When every coin met is used up, the places met are one more than their fitting coins
(P. Hall, On Representatives of Subsets, 1935), and the group is minimal: along the path back from any of its places the
coins can be moved so that this place is the empty one, so all the others can be filled. When a coin that is left over is
met, the place stays empty for another reason (a set-level rule, a pin), and there is no contest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contest:
    """`places` together have only the pieces of `holdings`, one too few; `empty` is the place that is empty now."""

    empty: int
    places: tuple[int, ...]
    holdings: tuple[int, ...]


def contests(
    empty: Iterable[int],
    fitting: Sequence[Iterable[int]],
    seats: Mapping[int, int],
    quantity: Sequence[int],
) -> list[Contest]:
    """The contest around each of the empty places that has one. `fitting[place]` are the holdings that fit, `seats` leads
    from a filled place to its holding. Linear in the edges met, for each empty place."""
    sitting: dict[int, list[int]] = {}
    for place, holding in seats.items():
        sitting.setdefault(holding, []).append(place)
    found = (_around(place, fitting, sitting, quantity) for place in empty)
    return [contest for contest in found if contest is not None]


def _around(
    start: int, fitting: Sequence[Iterable[int]], sitting: Mapping[int, list[int]], quantity: Sequence[int]
) -> Contest | None:
    places, holdings = {start}, set[int]()
    waiting = [start]
    while waiting:
        for holding in fitting[waiting.pop()]:
            if holding in holdings:
                continue
            there = sitting.get(holding, [])
            if len(there) < quantity[holding]:
                return None
            holdings.add(holding)
            new = [place for place in there if place not in places]
            places.update(new)
            waiting.extend(new)
    if not holdings:
        return None  # nothing fits it at all: a hole, and nobody contends for anything
    return Contest(start, tuple(sorted(places)), tuple(sorted(holdings)))

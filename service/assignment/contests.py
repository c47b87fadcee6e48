"""Contests: minimal groups of places that together have fewer fitting pieces than places (Hall violators).

From an empty place alternating paths lead to the holdings that fit it, from those to the places where they are, from
there to the holdings that fit those, and so on. When every holding reached is used up, the places reached are one more
than their fitting pieces (P. Hall, "On representatives of subsets", Journal of the London Mathematical Society, 1935).
The group is minimal: along the path back from any of its places the pieces can be moved so that this place becomes the
empty one, so all others can be filled. When a holding with an unused piece is reached, the place is empty for another
reason (a set-level rule or a pin), and there is no contest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Contest:
    """`places` are fitted by the pieces of `holdings` only, one too few; both ascending. `empty` is the place among them
    that is empty now."""

    empty: int
    places: tuple[int, ...]
    holdings: tuple[int, ...]


def contests(
    empty: Iterable[int],
    fitting: Sequence[Iterable[int]],
    holding_of: Mapping[int, int],
    quantity: Sequence[int],
) -> list[Contest]:
    """The contest around each of the empty places that has one, in their order.

    `fitting[place]` are the holdings that fit the place, `holding_of` maps each filled place to its holding,
    `quantity[holding]` is the number of pieces. Every filled place must hold one that fits it. A place that nothing fits
    has no contest. Time: linear in the edges reached, for each empty place. Two empty places may give overlapping
    contests, or the same group twice.

    Two places, one coin that fits both, in the first:

    >>> contests([1], fitting=[[0], [0]], holding_of={0: 0}, quantity=[1])
    [Contest(empty=1, places=(0, 1), holdings=(0,))]

    With a second piece the place is empty for another reason:

    >>> contests([1], fitting=[[0], [0]], holding_of={0: 0}, quantity=[2])
    []
    """
    places_of: dict[int, list[int]] = {}
    for place, holding in holding_of.items():
        places_of.setdefault(holding, []).append(place)
    found = (_contest_around(place, fitting, places_of, quantity) for place in empty)
    return [contest for contest in found if contest is not None]


def _contest_around(
    start: int, fitting: Sequence[Iterable[int]], places_of: Mapping[int, list[int]], quantity: Sequence[int]
) -> Contest | None:
    places, holdings = {start}, set[int]()
    waiting = [start]
    while waiting:
        for holding in fitting[waiting.pop()]:
            if holding in holdings:
                continue
            there = places_of.get(holding, [])
            if len(there) < quantity[holding]:
                return None
            holdings.add(holding)
            new = [place for place in there if place not in places]
            places.update(new)
            waiting.extend(new)
    return Contest(start, tuple(sorted(places)), tuple(sorted(holdings))) if holdings else None

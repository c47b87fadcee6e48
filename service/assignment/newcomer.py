"""One more coin in a solved problem: what follows when it takes a place. Pure, whole numbers only.

The coin that was there goes where that gains most, and so on, until a place that was empty is filled or a coin is left over:
a shortest path in the residual graph. In an optimum no cycle of moves gains anything, and with the last level, `order`, none
costs nothing either, so the path is the only one, and the placements after it are those of solving again (R. K. Ahuja, T. L.
Magnanti, J. B. Orlin, Network Flows, 1993, section 9.3: an optimal flow and one more unit along a shortest path is optimal; from
memory). The new coin's id counts as behind all others.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.assignment.edges import Edges
from service.assignment.levels import mixed_radix_weights
from service.assignment.neighbours import leaders_of
from service.assignment.network import all_losses
from service.assignment.problem import AssignmentProblem, Placement
from service.assignment.unruled import reached_by_rules

MOST_EDGES = 300_000
"""With more edges of placed holdings than this in one component it is left out."""
EMPTY = -1


@dataclass(frozen=True, slots=True)
class Move:
    """A place with its holding before (EMPTY: none) and after."""

    place: int
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Displacement:
    """What follows when one more holding takes a `place`: `before` is the holding that was there, `moves` are the other places
    that change, in their order. Of several places that are as good the one with the smallest `rank` is taken."""

    place: int
    before: int
    moves: tuple[Move, ...]
    rank: int

    @property
    def fills(self) -> int | None:
        """The other place that was empty and is filled."""
        return next((move.place for move in self.moves if move.before == EMPTY), None)


@dataclass(frozen=True, slots=True)
class Newcomer:
    """`at` has an entry for every place that no set-level rule reaches, over other coins too; `ruled` are the others, but
    for `large` ones, of components with too many edges. `leaders`: a number for each place, the same for those that hang
    together."""

    at: Mapping[int, Displacement]
    ruled: frozenset[int]
    large: frozenset[int]
    leaders: Sequence[int]


def newcomer(problem: AssignmentProblem, placements: Sequence[Placement]) -> Newcomer:
    """What one more holding does at each place of a problem with these placements, which are the optimum on all levels."""
    edges = Edges.of(problem.edges, problem.preference_levels).ordered()
    leaders = leaders_of(problem)
    reached = reached_by_rules(problem, edges)
    under_rules = {leader for leader, is_reached in zip(leaders, reached.tolist(), strict=True) if is_reached}
    ruled = frozenset(at for at, leader in enumerate(leaders) if leader in under_rules)
    seats = {placement.place: placement.holding for placement in placements}
    options = _options(problem, edges, frozenset(seats.values()), ruled)
    parts: dict[int, list[int]] = {}
    for at, leader in enumerate(leaders):
        if at not in ruled:
            parts.setdefault(leader, []).append(at)
    found: dict[int, tuple[int, tuple[Move, ...]]] = {}
    large: set[int] = set()
    for places in parts.values():
        if sum(len(options.get(at, ())) for at in places) > MOST_EDGES:
            large.update(places)
            continue
        part = _Part(problem, places, seats, options)
        found.update((at, (seats.get(at, EMPTY), part.moves_after(at))) for at in places)
    ranks = _ranks(problem, found)
    displaced = {place: Displacement(place, before, moves, ranks[place]) for place, (before, moves) in found.items()}
    return Newcomer(displaced, ruled, frozenset(large), leaders)


_Options = Mapping[int, Mapping[int, tuple[int, ...]]]
"""By place, of the holdings that may be there, those that are placed somewhere: what they lose there on each level."""


def _options(problem: AssignmentProblem, edges: Edges, placed: Collection[int], ruled: Collection[int]) -> _Options:
    is_placed = np.zeros(len(problem.quantity), bool)
    is_placed[list(placed)] = True
    is_free = np.ones(len(problem.required), bool)
    is_free[list(ruled)] = False
    kept = edges.at(is_placed[edges.holding] & is_free[edges.place])
    columns = [
        [losses] * len(kept) if isinstance(losses, int) else losses.tolist()
        for losses in all_losses(problem, kept).values()
    ]
    found: dict[int, dict[int, tuple[int, ...]]] = {}
    for place, holding, *losses in zip(kept.place.tolist(), kept.holding.tolist(), *columns, strict=True):
        found.setdefault(place, {})[holding] = tuple(losses)
    return found


class _Part:
    """One component: where each placed holding goes best when one of its pieces is released."""

    def __init__(
        self, problem: AssignmentProblem, places: Sequence[int], seats: Mapping[int, int], options: _Options
    ) -> None:
        self._seats = seats
        cost = _packed(places, options, len(problem.quantity))
        self._next: dict[int, int] = {}
        self._gain = dict.fromkeys({seats[at] for at in places if at in seats}, 0)
        pairs = [(at, holding) for at in places for holding in options.get(at, ()) if holding in self._gain]
        # Bellman and Ford: there are no negative cycles, so that this ends.
        changed = True
        while changed:
            changed = False
            for at, holding in pairs:
                occupant = seats.get(at, EMPTY)
                if occupant == holding:
                    continue
                gain = cost[at, holding] - cost[at, occupant] + self._gain.get(occupant, 0)
                if gain < self._gain[holding]:
                    self._gain[holding], self._next[holding] = gain, at
                    changed = True

    def moves_after(self, place: int) -> tuple[Move, ...]:
        """What moves when the holding of the place is released."""
        moves = []
        holding = self._seats.get(place, EMPTY)
        while holding in self._next:
            at = self._next[holding]
            before = self._seats.get(at, EMPTY)
            moves.append(Move(at, before, holding))
            holding = before
        return tuple(sorted(moves, key=lambda move: move.place))


def _packed(places: Sequence[int], options: _Options, holdings: int) -> dict[tuple[int, int], int]:
    """What a holding loses at a place on all levels, `order` too, as one number, of which a path of moves adds up."""
    levels = len(next(iter(next(iter(options.values()), {}).values()), ()))
    spreads = [0] * levels
    for at in places:
        for losses in options.get(at, {}).values():
            spreads = [max(spread, abs(lost)) for spread, lost in zip(spreads, losses, strict=True)]
    base = _base(holdings)
    # Each place adds and takes away once at most.
    order = base ** len(places) * 2
    weights = mixed_radix_weights([4 * (len(places) + 1) * spread for spread in spreads] + [4 * order])[:levels]
    found: dict[tuple[int, int], int] = {}
    for number, at in enumerate(places):
        power = base ** (len(places) - 1 - number)
        found[at, EMPTY] = (holdings + 1) * power
        for holding, losses in options.get(at, {}).items():
            packed = sum(lost * weight for lost, weight in zip(losses, weights, strict=True) if lost)
            found[at, holding] = packed + holding * power
    return found


def _base(holdings: int) -> int:
    """In the order of placements a place has one of these digits: a holding, the new one, none."""
    return 2 * (holdings + 2)


def _ranks(problem: AssignmentProblem, found: Mapping[int, tuple[int, tuple[Move, ...]]]) -> dict[int, int]:
    """The places by what comes first where two of them are as good: place by place the first holding, the new one behind all
    others and none behind that."""
    holdings = len(problem.quantity)

    def digit(holding: int) -> int:
        return holdings + 1 if holding == EMPTY else holding

    def changes(place: int) -> dict[int, int]:
        before, moves = found[place]
        steps: Iterable[tuple[int, int, int]] = ((move.place, move.before, move.after) for move in moves)
        return {place: holdings - digit(before)} | {at: digit(after) - digit(old) for at, old, after in steps}

    base, last = _base(holdings), len(problem.required)
    value = {place: sum(step * base ** (last - at) for at, step in changes(place).items()) for place in found}
    return {place: rank for rank, place in enumerate(sorted(found, key=lambda place: (value[place], place)))}

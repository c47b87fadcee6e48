"""Places and holdings without a bond between them: exact, on whole numbers of any size, without a solver.

Places are put in one at a time, each by a shortest path of moves that ends where a holding has a piece to spare or a
place is left empty, with a price on every holding that is used up (Jonker and Volgenant 1987, for holdings of several
pieces). All levels are packed into one whole number, so one pass decides them together. At the end every place has an
option of the least cost plus price, and only used-up holdings have a price: by complementary slackness that proves the
optimum, and names every other optimum too (the *tight* options), from which the canonical one is taken.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.assignment.components import Board, Component, radices

EMPTY = -1
"""Stands for the holding of a place that stays empty, and for the edge of that choice."""


@dataclass(slots=True)
class Filling:
    """An optimum of a component with its prices. `chosen` and `options` speak of holdings (EMPTY for none)."""

    options: Mapping[int, Mapping[int, int]]
    """For each place its holdings in order, EMPTY last, each with its packed cost."""
    quantity: Sequence[int]
    price: dict[int, int] = field(default_factory=dict)
    chosen: dict[int, int] = field(default_factory=dict)
    sitting: dict[int, dict[int, None]] = field(default_factory=dict)

    def tight(self, place: int) -> Iterator[int]:
        """The holdings that the place takes in some assignment of least cost plus price, in order, EMPTY last."""
        costs, price = self.options[place], self.price
        here = self.chosen[place]
        least = costs[here] + price[here]
        return (holding for holding, cost in costs.items() if cost + price[holding] == least)

    def has_spare(self, holding: int) -> bool:
        """Whether one more place could take the holding."""
        return holding == EMPTY or len(self.sitting[holding]) < self.quantity[holding]

    def is_loose(self, holding: int) -> bool:
        """Whether a piece of the holding may as well stay unused."""
        return holding == EMPTY or not self.price[holding]

    def sit(self, place: int, holding: int) -> None:
        """Move the place to the holding."""
        if place in self.chosen:
            del self.sitting[self.chosen[place]][place]
        self.chosen[place] = holding
        self.sitting[holding][place] = None


def fill(board: Board, component: Component) -> Filling:
    """The first optimum in canonical order of the component, its bonds left aside."""
    filling = Filling(_options(board, component), board.quantity)
    for holding in {EMPTY, *(board.edges[edge].holding for edge in component.edges)}:
        filling.price[holding] = 0
        filling.sitting[holding] = {}
    for place in component.places:
        _put_in(filling, place)
    _take_first(filling, component.places)
    return filling


def taken_edges(board: Board, component: Component, filling: Filling) -> frozenset[int]:
    """The edges of the component that the filling takes."""
    return frozenset(e for e in component.edges if filling.chosen[board.edges[e].place] == board.edges[e].holding)


def _options(board: Board, component: Component) -> dict[int, dict[int, int]]:
    weights = multipliers(board, component)
    options: dict[int, dict[int, int]] = {place: {} for place in component.places}
    for number in component.edges:
        edge = board.edges[number]
        options[edge.place][edge.holding] = sum(
            loss * weight for loss, weight in zip(board.losses[number], weights, strict=True) if loss
        )
    for costs in options.values():
        costs[EMPTY] = 0
    return options


def multipliers(board: Board, component: Component) -> tuple[int, ...]:
    """What one of each level weighs when all levels are packed into one whole number."""
    return radices([most - least for least, most in level_spreads(board, component)])


def level_spreads(board: Board, component: Component) -> list[tuple[int, int]]:
    """For every level the least and the most that all places together could lose."""
    count = len(board.levels)
    bounds = {place: ([0] * count, [0] * count) for place in component.places}
    for number in component.edges:
        least, most = bounds[board.edges[number].place]
        for level, loss in enumerate(board.losses[number]):
            least[level] = min(least[level], loss)
            most[level] = max(most[level], loss)
        if board.standings[number].wavers:
            doubt = board.doubt_level(number)
            most[doubt] = max(most[doubt], 1)
    return [
        (sum(least[level] for least, _ in bounds.values()), sum(most[level] for _, most in bounds.values()))
        for level in range(count)
    ]


def _put_in(filling: Filling, newcomer: int) -> None:
    """Seat one more place along the cheapest chain of moves, and raise the prices that the chain pressed on."""
    price, options = filling.price, filling.options
    nearest: dict[int, int] = {}
    arrives: dict[int, int] = {}
    done: dict[int, int] = {}
    heap: list[tuple[int, int]] = []

    def look_from(place: int, base: int) -> None:
        for holding, cost in options[place].items():
            if holding in done:
                continue
            distance = base + cost + price[holding]
            if holding not in nearest or distance < nearest[holding]:
                nearest[holding] = distance
                arrives[holding] = place
                heapq.heappush(heap, (distance, holding))

    look_from(newcomer, 0)
    while True:
        distance, holding = heapq.heappop(heap)
        if holding in done:
            continue
        if filling.has_spare(holding):
            break
        done[holding] = distance
        for place in filling.sitting[holding]:
            look_from(place, distance - options[place][holding] - price[holding])
    for passed, at in done.items():
        price[passed] += distance - at
    while True:
        place = arrives[holding]
        left = filling.chosen.get(place)
        filling.sit(place, holding)
        if left is None:
            return
        holding = left


def _take_first(filling: Filling, places: Iterable[int]) -> None:
    """Give each place in order the first holding that some optimum has there, those before it kept as they are."""
    kept: set[int] = set()
    for place in places:
        hopeless: set[int] = set()
        for holding in filling.tight(place):
            if holding == filling.chosen[place]:
                break
            moves = _way(filling, holding, filling.chosen[place], kept | {place}, hopeless)
            if moves is not None:
                for mover, goal in moves:
                    filling.sit(mover, goal)
                filling.sit(place, holding)
                break
        kept.add(place)


def _way(filling: Filling, start: int, goal: int, kept: set[int], hopeless: set[int]) -> list[tuple[int, int]] | None:
    """Moves by which one place more at `start` and one less at `goal` costs nothing; None when there are none.

    `hopeless` holds what is known not to lead to the goal, and grows when the search fails.
    """
    came: dict[int, tuple[int, int | None]] = {start: (start, None)}
    queue = [start]
    for here in queue:
        if here == goal:
            moves = []
            while here != start:
                before, mover = came[here]
                if mover is not None:
                    moves.append((mover, here))
                here = before
            return moves
        for there, mover in _next(filling, here, goal, kept):
            if there not in came and there not in hopeless:
                came[there] = (here, mover)
                queue.append(there)
    hopeless.update(came)
    return None


def _next(filling: Filling, here: int, goal: int, kept: set[int]) -> Iterator[tuple[int, int | None]]:
    if here == EMPTY:
        # What may stay unused can give up a piece; when the goal can, nothing else need be looked at.
        if filling.is_loose(goal):
            yield goal, None
            return
        yield from ((loose, None) for loose, seated in filling.sitting.items() if seated and filling.is_loose(loose))
    elif filling.is_loose(here) and filling.has_spare(here):
        yield EMPTY, None
    for place in filling.sitting[here]:
        if place not in kept:
            yield from ((there, place) for there in filling.tight(place))

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
from functools import cached_property

from service.assignment.components import Component, Layout, level_multipliers
from service.assignment.matching import MatchingOptions, optimal_matching

EMPTY = -1
"""Stands for the holding of a place that stays empty, and for the edge of that choice."""


LARGE = 2_000
"""From so many edges on scipy's solver is asked first; it takes some 0.1 s to load."""


class FlowState:
    """An optimum of a component with its prices. `chosen`, `sitting` and `options` speak of holdings (EMPTY for none);
    `options` are for each place its holdings in order, EMPTY last, each with its packed cost."""

    def __init__(self, board: Layout, component: Component) -> None:
        self._board, self._component = board, component
        self.quantity = board.quantity
        holdings = [EMPTY, *sorted({board.edges[edge].holding for edge in component.edges})]
        self.price: dict[int, int] = dict.fromkeys(holdings, 0)
        self.sitting: dict[int, dict[int, None]] = {holding: {} for holding in holdings}
        self.chosen: dict[int, int] = {}
        self.tight: Mapping[int, Sequence[int]] = {}
        """The holdings that each place takes in some assignment of least cost plus price, in order, EMPTY last."""

    @cached_property
    def options(self) -> Mapping[int, Mapping[int, int]]:
        return _options(self._board, self._component)

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

    def is_proven(self) -> bool:
        """The certificate, on all levels at once: every place sits on an option of the least cost plus price, no price is
        below nought, and only what is used up has one."""
        for place, costs in self.options.items():
            here = self.chosen[place]
            if costs[here] + self.price[here] > min(cost + self.price[holding] for holding, cost in costs.items()):
                return False
        return all(
            price == 0 or (price > 0 and holding != EMPTY and not self.has_spare(holding))
            for holding, price in self.price.items()
        )


def solve_flow(board: Layout, component: Component, *, in_order: bool = True) -> FlowState:
    """The first optimum in canonical order of the component, its bonds left aside; any optimum where the order does not
    matter."""
    filling = (_by_solver(board, component) if len(component.edges) >= LARGE else None) or _by_paths(board, component)
    if in_order:
        _take_first(filling, component.places)
    return filling


def _by_solver(board: Layout, component: Component) -> FlowState | None:
    options = MatchingOptions(board, component)
    found = optimal_matching(options)
    if found is None:
        return None
    chosen, prices, tight = found
    filling = FlowState(board, component)
    names = [*options.holdings, *([EMPTY] * len(options.places))]
    filling.price.update(zip(options.holdings, prices.tolist(), strict=False))
    for place, column in zip(options.places, options.column[chosen].tolist(), strict=True):
        filling.sit(place, names[column])
    lists: dict[int, list[int]] = {place: [] for place in options.places}
    for row, column in zip(options.row[tight].tolist(), options.column[tight].tolist(), strict=True):
        lists[options.places[row]].append(names[column])
    filling.tight = lists
    return filling


def _by_paths(board: Layout, component: Component) -> FlowState:
    filling = FlowState(board, component)
    for place in component.places:
        _put_in(filling, place)
    price = filling.price
    tight: dict[int, list[int]] = {}
    for place, costs in filling.options.items():
        here = filling.chosen[place]
        least = costs[here] + price[here]
        tight[place] = [holding for holding, cost in costs.items() if cost + price[holding] <= least]
        if any(costs[holding] + price[holding] < least for holding in tight[place]):
            raise ArithmeticError("the flow's own prices do not prove its answer")
    filling.tight = tight
    return filling


def selected_edges(board: Layout, component: Component, filling: FlowState) -> frozenset[int]:
    """The edges of the component that the filling takes."""
    return frozenset(e for e in component.edges if filling.chosen[board.edges[e].place] == board.edges[e].holding)


def _options(board: Layout, component: Component) -> dict[int, dict[int, int]]:
    weights = level_weights(board, component)
    options: dict[int, dict[int, int]] = {place: {} for place in component.places}
    for number in component.edges:
        edge = board.edges[number]
        options[edge.place][edge.holding] = sum(
            loss * weight for loss, weight in zip(board.losses[number], weights, strict=True) if loss
        )
    for costs in options.values():
        costs[EMPTY] = 0
    return options


def level_weights(board: Layout, component: Component) -> tuple[int, ...]:
    """What one of each level weighs when all levels are packed into one whole number."""
    return level_multipliers([most - least for least, most in level_spreads(board, component)])


def level_spreads(board: Layout, component: Component) -> list[tuple[int, int]]:
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


def _put_in(filling: FlowState, newcomer: int) -> None:
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


def _take_first(filling: FlowState, places: Iterable[int]) -> None:
    """Give each place in order the first holding that some optimum has there, those before it kept as they are."""
    takers: dict[int, list[int]] = {}
    for place, holdings in filling.tight.items():
        for holding in holdings:
            takers.setdefault(holding, []).append(place)
    kept: set[int] = set()
    for place in places:
        here, wanted = filling.chosen[place], filling.tight[place]
        kept.add(place)
        better = wanted[: wanted.index(here)]
        if not better:
            continue
        onward = _ways_to(filling, here, takers, kept, better[0])
        first = next((holding for holding in better if holding in onward), None)
        if first is not None:
            for mover, goal in _moves(onward, first, here):
                filling.sit(mover, goal)
            filling.sit(place, first)


_Onward = dict[int, tuple[int | None, int]]
"""For a holding the place that moves away from it (None: a piece is just left unused, or taken up) and where to."""


def _ways_to(filling: FlowState, goal: int, takers: Mapping[int, Sequence[int]], kept: set[int], first: int) -> _Onward:
    """From which holdings a chain of moves that costs nothing leads to the goal, so that one place more can sit there and
    one less at the goal. The search ends early once `first` is met."""
    onward: _Onward = {goal: (None, goal)}
    queue = [goal]
    for there in queue:
        for here, mover in _before(filling, there, takers, kept):
            if here not in onward:
                onward[here] = (mover, there)
                if here == first:
                    return onward
                queue.append(here)
    return onward


def _before(
    filling: FlowState, there: int, takers: Mapping[int, Sequence[int]], kept: set[int]
) -> Iterator[tuple[int, int | None]]:
    for place in takers.get(there, ()):
        if place not in kept:
            yield filling.chosen[place], place
    if there == EMPTY:
        # What has a piece to spare and no price can be taken up for nothing.
        yield from ((h, None) for h in takers if h != EMPTY and filling.is_loose(h) and filling.has_spare(h))
    elif filling.is_loose(there) and filling.sitting[there]:
        yield EMPTY, None


def _moves(onward: _Onward, start: int, goal: int) -> list[tuple[int, int]]:
    moves = []
    here = start
    while here != goal:
        mover, there = onward[here]
        if mover is not None:
            moves.append((mover, there))
        here = there
    return moves

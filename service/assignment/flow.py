"""The best assignment of a component without side constraints: exact, on whole numbers of any size, without a solver.

A minimum-cost flow by successive shortest paths with dual prices: places are inserted one at a time, each along the
cheapest augmenting path, which ends at a holding with a piece to spare or at a place that is left empty (R. Jonker, A.
Volgenant, "A shortest augmenting path algorithm for dense and sparse linear assignment problems", Computing 38, 1987,
here for holdings of several pieces; from memory). All levels are packed into one whole number
(`service.assignment.levels`), so one pass decides them together.

At the end every place has an option of the least cost plus price, and only holdings that are used up have a price. By
complementary slackness that proves the optimum, and it describes every other optimum: those that use *tight* options only
(reduced cost 0) and leave no priced piece unused. The canonical one among them is then selected.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from copy import copy
from functools import cached_property

from service.assignment.components import Component, Layout
from service.assignment.levels import edge_bonuses, level_weights
from service.assignment.matching import MatchingOptions, optimal_matching

EMPTY = -1
"""The holding of a place that stays empty; its edge as well."""
LARGE = 2_000
"""From this number of edges on scipy's solver is tried first; it takes some 0.1 s to load."""


class FlowState:
    """An optimum of a component with its dual prices.

    `holding_of` maps each place to its holding (EMPTY for none), `places_of` each holding to its places, `price` each
    holding to its dual price on the packed scale (0 for EMPTY). `tight` lists for each place its holdings of reduced cost
    0, in order, EMPTY last.
    """

    def __init__(
        self,
        quantity: Mapping[int, int] | Sequence[int],
        holdings: Iterable[int],
        options: Callable[[], Mapping[int, Mapping[int, int]]] = dict,
    ) -> None:
        """`holdings` are all that a place may have; `options` tells the costs where they are asked for."""
        self.quantity, self._options = quantity, options
        names = [EMPTY, *sorted(holdings)]
        self.price: dict[int, int] = dict.fromkeys(names, 0)
        self.places_of: dict[int, dict[int, None]] = {holding: {} for holding in names}
        self.holding_of: dict[int, int] = {}
        self.tight: Mapping[int, Sequence[int]] = {}

    @cached_property
    def options(self) -> Mapping[int, Mapping[int, int]]:
        """For each place its holdings in order, EMPTY last, each with its packed cost."""
        return self._options()

    def has_capacity(self, holding: int) -> bool:
        """Whether one more place could take the holding."""
        return holding == EMPTY or len(self.places_of[holding]) < self.quantity[holding]

    def is_unpriced(self, holding: int) -> bool:
        """Whether an optimum may leave a piece of the holding unused."""
        return holding == EMPTY or not self.price[holding]

    def assign(self, place: int, holding: int) -> None:
        """Give the place this holding, instead of the one that it has."""
        if place in self.holding_of:
            del self.places_of[self.holding_of[place]][place]
        self.holding_of[place] = holding
        self.places_of[holding][place] = None


def _state(layout: Layout, component: Component) -> FlowState:
    """The component before anything is placed."""

    def options() -> Mapping[int, Mapping[int, int]]:
        weights = level_weights(layout, component)
        bonuses = edge_bonuses(component.bonuses, waived=False)
        options: dict[int, dict[int, int]] = {place: {} for place in component.places}
        for number in component.edges:
            edge = layout.edges[number]
            options[edge.place][edge.holding] = sum(
                lost * weight for lost, weight in zip(layout.losses[number], weights, strict=True) if lost
            )
            for level, earns in bonuses.get(number, {}).items():
                options[edge.place][edge.holding] -= earns * weights[level]
        for costs in options.values():
            costs[EMPTY] = 0
        return options

    return FlowState(layout.quantity, {layout.edges[edge].holding for edge in component.edges}, options)


def solve_flow(layout: Layout, component: Component, *, in_order: bool = True) -> FlowState:
    """The optimum of a component on all levels, its side constraints ignored; a bonus counts for each of its edges, above
    its number too, or for none where it is waived.

    Ties: the canonical optimum, in which each place in order has the first holding that some optimum with the same
    choices before it allows (EMPTY last). With `in_order` false: any optimum. Time: one shortest path for each place, so
    at most places times edges times log(holdings), and one search among tight options for each place whose first tight
    option is not its own; memory linear in edges. From LARGE edges on `service.assignment.matching` finds the optimum,
    where its proof succeeds.

    >>> from service.assignment.components import components, lay_out
    >>> from service.assignment.problem import AssignmentProblem, Basis, Edge
    >>> edges = (
    ...     Edge(place=0, holding=0, basis=Basis.FIRM, cost=(0,)),
    ...     Edge(place=0, holding=1, basis=Basis.FIRM, cost=(3,)),
    ...     Edge(place=1, holding=0, basis=Basis.FIRM, cost=(1,)),
    ... )
    >>> layout = lay_out(AssignmentProblem((True, True), (1, 1), edges, preference_levels=1))
    >>> (component,) = components(layout)
    >>> flow = solve_flow(layout, component)
    >>> flow.holding_of
    {0: 1, 1: 0}

    Filling both places outweighs any cost. Holding 0 is used up and has a price, holding 1 is not and has none; every
    optimum uses tight options only:

    >>> flow.price[0] > 0, flow.price[1]
    (True, 0)
    >>> flow.tight
    {0: [0, 1], 1: [0]}
    """
    flow = (_by_matching(layout, component) if len(component.edges) >= LARGE else None) or _by_paths(layout, component)
    if in_order:
        make_canonical(flow, component.places)
    return flow


def selected_edges(layout: Layout, component: Component, flow: FlowState) -> frozenset[int]:
    """The edges of the component that the flow uses."""
    return frozenset(e for e in component.edges if flow.holding_of[layout.edges[e].place] == layout.edges[e].holding)


def moved_out(flow: FlowState, places: Iterable[int], holding: int) -> FlowState | None:
    """An optimum without the holding in any of these places, in which it cannot be: `tight` is without it there. None where
    there is no such optimum. The flow at hand stays as it is. A shortest path for each piece."""
    without = copy(flow)
    without.holding_of = dict(flow.holding_of)
    without.places_of = {name: dict(there) for name, there in flow.places_of.items()}
    barred = frozenset(places)
    without.tight = {
        place: [there for there in options if there != holding] if place in barred else options
        for place, options in flow.tight.items()
    }
    for place in [place for place in flow.places_of[holding] if place in barred]:
        if not _move_over(without, place, without.tight[place], {place}):
            return None
    return without


def _by_matching(layout: Layout, component: Component) -> FlowState | None:
    options = MatchingOptions(layout, component)
    found = optimal_matching(options)
    if found is None:
        return None
    chosen, prices, is_tight = found
    flow = _state(layout, component)
    names = [*options.holdings, *([EMPTY] * len(options.places))]
    flow.price.update(zip(options.holdings, prices.tolist(), strict=False))
    for place, column in zip(options.places, options.column[chosen].tolist(), strict=True):
        flow.assign(place, names[column])
    tight: dict[int, list[int]] = {place: [] for place in options.places}
    for row, column in zip(options.row[is_tight].tolist(), options.column[is_tight].tolist(), strict=True):
        tight[options.places[row]].append(names[column])
    flow.tight = tight
    return flow


def _by_paths(layout: Layout, component: Component) -> FlowState:
    flow = _state(layout, component)
    for place in component.places:
        augment(flow, place)
    price = flow.price
    tight: dict[int, list[int]] = {}
    for place, costs in flow.options.items():
        here = flow.holding_of[place]
        least = costs[here] + price[here]
        tight[place] = [holding for holding, cost in costs.items() if cost + price[holding] <= least]
        if any(costs[holding] + price[holding] < least for holding in tight[place]):
            raise ArithmeticError("the prices of the flow do not prove that it is optimal")
    flow.tight = tight
    return flow


def augment(flow: FlowState, newcomer: int) -> None:
    """Insert one more place along the cheapest augmenting path (Dijkstra on reduced costs), and raise the prices of the
    holdings that the search passed."""
    price, options = flow.price, flow.options
    nearest: dict[int, int] = {}
    arrives: dict[int, int] = {}
    done: dict[int, int] = {}
    heap: list[tuple[int, int]] = []

    def relax(place: int, base: int) -> None:
        for holding, cost in options[place].items():
            if holding in done:
                continue
            distance = base + cost + price[holding]
            if holding not in nearest or distance < nearest[holding]:
                nearest[holding] = distance
                arrives[holding] = place
                heapq.heappush(heap, (distance, holding))

    relax(newcomer, 0)
    while True:
        distance, holding = heapq.heappop(heap)
        if holding in done:
            continue
        if flow.has_capacity(holding):
            break
        done[holding] = distance
        for place in flow.places_of[holding]:
            relax(place, distance - options[place][holding] - price[holding])
    for passed, at in done.items():
        price[passed] += distance - at
    while True:
        place = arrives[holding]
        left = flow.holding_of.get(place)
        flow.assign(place, holding)
        if left is None:
            return
        holding = left


def make_canonical(
    flow: FlowState, places: Iterable[int], strong_component_of: Mapping[int, int] | None = None
) -> None:
    """Give each place in order the first holding that some optimum has there, with the places before it unchanged. A place has
    another holding in some optimum only where both are in one strongly connected component (`certainty`), whichever optimum
    is at hand: where the components are given, others are not looked for."""
    fixed: set[int] = set()
    for place in places:
        here, tight = flow.holding_of[place], flow.tight[place]
        fixed.add(place)
        earlier = tight[: tight.index(here)]
        if strong_component_of is not None:
            own = strong_component_of[here]
            earlier = [there for there in earlier if strong_component_of[there] == own]
        if not earlier:
            continue
        if flow.is_unpriced(here) and flow.is_unpriced(earlier[0]) and flow.has_capacity(earlier[0]):
            # A piece of the one is left unused instead of one of the other.
            flow.assign(place, earlier[0])
            continue
        _move_over(flow, place, earlier, fixed)


def _move_over(flow: FlowState, place: int, options: Iterable[int], fixed: set[int]) -> bool:
    """Give the place the first of these holdings that an alternating path of reduced cost 0 allows, which moves no fixed
    place; whether there is one."""
    here = flow.holding_of[place]
    seen: set[int] = set()
    for holding in options:
        moves = _moves_between(flow, holding, here, fixed, seen)
        if moves is not None:
            for mover, to in moves:
                flow.assign(mover, to)
            flow.assign(place, holding)
            return True
    return False


def _moves_between(
    flow: FlowState, start: int, goal: int, fixed: set[int], seen: set[int]
) -> list[tuple[int, int]] | None:
    """The moves (place, its new holding) of an alternating path of reduced cost 0, after which one more place can have `start`
    and one less has `goal`; None where there is no such path. `seen` are holdings from which no path leads to the goal, and
    gets those that were tried."""
    came: dict[int, tuple[int, int | None]] = {}
    queue = [] if start in seen else [start]
    seen.add(start)
    if start == goal:
        return []
    is_free_to_leave = flow.is_unpriced(goal)
    for here in queue:
        for there, mover in _steps_from(flow, here, goal, fixed):
            if there in seen:
                continue
            seen.add(there)
            came[there] = here, mover
            if there == goal:
                return _moves_along(came, start, goal)
            if is_free_to_leave and there != EMPTY and flow.is_unpriced(there) and flow.has_capacity(there):
                # A piece of this one is used, and one of the goal is left.
                return _moves_along(came, start, there)
            queue.append(there)
    return None


def _moves_along(came: Mapping[int, tuple[int, int | None]], start: int, end: int) -> list[tuple[int, int]]:
    moves = []
    while end != start:
        before, mover = came[end]
        if mover is not None:
            moves.append((mover, end))
        end = before
    return moves


def _steps_from(flow: FlowState, here: int, goal: int, fixed: set[int]) -> Iterator[tuple[int, int | None]]:
    if here == EMPTY:
        # A piece of an unpriced holding can be left unused at no cost.
        if flow.is_unpriced(goal):
            yield goal, None
        yield from ((h, None) for h, places in flow.places_of.items() if places and flow.is_unpriced(h))
    elif flow.is_unpriced(here) and flow.has_capacity(here):
        yield EMPTY, None
    for place in flow.places_of[here]:
        if place not in fixed:
            yield from ((there, place) for there in flow.tight[place])

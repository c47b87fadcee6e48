"""The optimum of a component as it was made canonical, and holdings moved out of it, by searches that start at the goal.

How any optimum is found has not changed, and is that of the service: `test_certificates` proves it by its prices, and
`test_properties` by brute force.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from copy import copy

from service.assignment.components import Component, Layout
from service.assignment.flow import EMPTY, FlowState
from service.assignment.flow import solve_flow as any_optimum


def solve_flow(layout: Layout, component: Component, *, in_order: bool = True) -> FlowState:
    """As `service.assignment.flow.solve_flow`."""
    flow = any_optimum(layout, component, in_order=False)
    if in_order:
        _make_canonical(flow, component.places)
    return flow


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
    takers: dict[int, list[int]] = {}
    for place, options in without.tight.items():
        for there in options:
            takers.setdefault(there, []).append(place)
    for place in [place for place in flow.places_of[holding] if place in barred]:
        steps = _alternating_paths(without, holding, takers, {place}, None)
        elsewhere = next((option for option in without.tight[place] if option in steps), None)
        if elsewhere is None:
            return None
        for mover, to in _moves_along(steps, elsewhere, holding):
            without.assign(mover, to)
        without.assign(place, elsewhere)
    return without


def _make_canonical(flow: FlowState, places: Iterable[int]) -> None:
    """Give each place in order the first holding that some optimum has there, with the places before it unchanged."""
    takers: dict[int, list[int]] = {}
    for place, holdings in flow.tight.items():
        for holding in holdings:
            takers.setdefault(holding, []).append(place)
    fixed: set[int] = set()
    for place in places:
        here, tight = flow.holding_of[place], flow.tight[place]
        fixed.add(place)
        earlier = tight[: tight.index(here)]
        if not earlier:
            continue
        steps = _alternating_paths(flow, here, takers, fixed, earlier[0])
        first = next((holding for holding in earlier if holding in steps), None)
        if first is not None:
            for mover, to in _moves_along(steps, first, here):
                flow.assign(mover, to)
            flow.assign(place, first)


_Steps = dict[int, tuple[int | None, int]]
"""For a holding the next step of a path: the place that leaves it (None: a piece is put to use, or left unused), and the
holding to which it goes."""


def _alternating_paths(
    flow: FlowState, goal: int, takers: Mapping[int, Sequence[int]], fixed: set[int], first: int | None
) -> _Steps:
    """The holdings from which an alternating path of reduced cost 0 leads to the goal, so that one more place can have
    that holding and one less the goal. The breadth-first search ends early once it reaches `first`."""
    steps: _Steps = {goal: (None, goal)}
    queue = [goal]
    for there in queue:
        for here, mover in _steps_to(flow, there, takers, fixed):
            if here not in steps:
                steps[here] = (mover, there)
                if here == first:
                    return steps
                queue.append(here)
    return steps


def _steps_to(
    flow: FlowState, there: int, takers: Mapping[int, Sequence[int]], fixed: set[int]
) -> Iterator[tuple[int, int | None]]:
    for place in takers.get(there, ()):
        if place not in fixed:
            yield flow.holding_of[place], place
    if there == EMPTY:
        # A spare piece of an unpriced holding can be put to use at no cost.
        yield from ((h, None) for h in takers if h != EMPTY and flow.is_unpriced(h) and flow.has_capacity(h))
    elif flow.is_unpriced(there) and flow.places_of[there]:
        yield EMPTY, None


def _moves_along(steps: _Steps, start: int, goal: int) -> list[tuple[int, int]]:
    moves = []
    here = start
    while here != goal:
        mover, there = steps[here]
        if mover is not None:
            moves.append((mover, there))
        here = there
    return moves

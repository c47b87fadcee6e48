"""Assignments of a layout and what they lose on its levels; all levels packed into one whole number.

Packing is exact: the weight of a level exceeds the most by which all later levels together can differ, so comparing
packed numbers compares the levels in order. Python's integers have no size limit, so nothing overflows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.assignment.components import Component, Layout
from service.assignment.problem import Level

_MAXIMISED = frozenset({"pins", "required", "places", "moved"})


@dataclass(frozen=True, slots=True)
class Assignment:
    """The selected edges of a layout, and those of the undetermined ones among them that are tentative."""

    edges: frozenset[int]
    tentative: frozenset[int] = frozenset()


def loss(layout: Layout, level: int, assignment: Assignment) -> int:
    """What the assignment loses on the level; less is better."""
    total = sum(layout.losses[edge][level] for edge in assignment.edges)
    return total + sum(1 for edge in assignment.tentative if layout.doubt_level(edge) == level)


def reported_level(name: str, lost: int, bound: int) -> Level:
    """The level with the sign that it has in a solution: on levels that are maximised a loss of -3 is a value of 3."""
    sign = -1 if name in _MAXIMISED else 1
    return Level(name, sign * lost, lost == bound, sign * bound)


def level_spreads(layout: Layout, component: Component) -> list[tuple[int, int]]:
    """For each level the smallest and the largest loss of all places of the component together, taken place by place."""
    count = len(layout.levels)
    bounds = {place: ([0] * count, [0] * count) for place in component.places}
    for number in component.edges:
        least, most = bounds[layout.edges[number].place]
        for level, lost in enumerate(layout.losses[number]):
            least[level] = min(least[level], lost)
            most[level] = max(most[level], lost)
        if layout.statuses[number].is_undetermined:
            doubt = layout.doubt_level(number)
            most[doubt] = max(most[doubt], 1)
    return [
        (sum(least[level] for least, _ in bounds.values()), sum(most[level] for _, most in bounds.values()))
        for level in range(count)
    ]


def level_weights(layout: Layout, component: Component) -> tuple[int, ...]:
    """The weight of a loss of 1 on each level in the packed number."""
    return mixed_radix_weights([most - least for least, most in level_spreads(layout, component)])


def mixed_radix_weights(spreads: Sequence[int]) -> tuple[int, ...]:
    """Weights for digits with these spreads, most significant first: a weight exceeds all that later digits can make
    up."""
    weights = [1] * len(spreads)
    for i in range(len(spreads) - 2, -1, -1):
        weights[i] = weights[i + 1] * (spreads[i + 1] + 1)
    return tuple(weights)


def packed_loss(layout: Layout, component: Component, assignment: Assignment) -> int:
    """The losses of the assignment on all levels as one number; less is better."""
    weights = level_weights(layout, component)
    return sum(loss(layout, level, assignment) * weight for level, weight in enumerate(weights))

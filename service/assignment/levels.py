"""Assignments of a layout and what they lose on its levels; all levels packed into one whole number.

Packing is exact: the weight of a level exceeds the most by which all later levels together can differ, so comparing
packed numbers compares the levels in order. Python's integers have no size limit, so nothing overflows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.assignment.components import Bonus, Component, Layout, Losses, match
from service.assignment.problem import AssignmentProblem, Basis, Level, Placement

_MANY = 60
"""From this number of edges on spreads are found on arrays."""
_LARGE = 2**61
_MAXIMISED = frozenset({"pins", "required", "places", "moved", "sure"})


@dataclass(frozen=True, slots=True)
class Assignment:
    """The selected edges of a layout; those of the undetermined ones among them that are tentative; and those of an open
    basis whose basis is UNKNOWN."""

    edges: frozenset[int]
    tentative: frozenset[int] = frozenset()
    unknown: frozenset[int] = frozenset()

    def among(self, edges: Iterable[int]) -> Assignment:
        """The part of the assignment in these edges."""
        kept = frozenset(edges)
        return Assignment(self.edges & kept, self.tentative & kept, self.unknown & kept)


def assignment_of(layout: Layout, placements: Iterable[Placement]) -> Assignment:
    """The placements of a solution, as far as the layout has them."""
    basis_at = {(placement.place, placement.holding): placement.basis for placement in placements}
    edges: dict[int, Basis] = {}
    for number, edge in enumerate(layout.edges):
        if (edge.place, edge.holding) in basis_at:
            edges[number] = basis_at[edge.place, edge.holding]
    return Assignment(
        frozenset(edges),
        frozenset(n for n, b in edges.items() if b is not Basis.FIRM and layout.statuses[n].is_undetermined),
        frozenset(n for n, b in edges.items() if b.counted is Basis.UNKNOWN and layout.statuses[n].has_open_basis),
    )


def is_firm(layout: Layout, edge: int, assignment: Assignment) -> bool:
    """Whether the edge is selected and its placement is certain."""
    return edge in assignment.edges and edge not in assignment.tentative and layout.statuses[edge].can_be_firm


def is_declared(layout: Layout, edge: int, assignment: Assignment) -> bool:
    """Whether the edge is selected and its placement rests on declared alternatives at most."""
    return edge in assignment.edges and basis_of(layout, edge, assignment) is not Basis.UNKNOWN


def basis_of(layout: Layout, edge: int, assignment: Assignment) -> Basis:
    """What the placement of a selected edge rests on."""
    status = layout.statuses[edge]
    if is_firm(layout, edge, assignment):
        return Basis.FIRM
    return Basis.UNKNOWN if edge in assignment.unknown else max(status.doubt, Basis.ALTERNATIVES)


def shown_basis(problem: AssignmentProblem, layout: Layout, edge: int, bases: Mapping[int, Basis]) -> Basis:
    """The basis of a selected edge as it is told: REFERENCE where nothing else makes it UNKNOWN. `bases` has those of all
    selected edges, as the levels count them."""
    if bases[edge] is not Basis.UNKNOWN:
        return bases[edge]
    if layout.statuses[edge].doubt is Basis.UNKNOWN:
        return _own_basis(layout, edge, bases)
    one = layout.edges[edge]
    reasons = set[Basis]()
    for rule in problem.rules:
        if rule.kind.binds_one and rule.bound == one.place:
            there = [n for n in bases if layout.edges[n].place in rule.places - {one.place}]
            matches = {n: match(rule, one.holding, layout.edges[n].holding) for n in there}
            found = {
                max(_own_basis(layout, n, bases), m, key=_DOUBTS.index) for n, m in matches.items() if m is not None
            }
            # Where a rule has a surer match it is not the reason.
            reasons |= found if all(basis.counted is Basis.UNKNOWN for basis in found) else set()
    return Basis.REFERENCE if reasons == {Basis.REFERENCE} else Basis.UNKNOWN


_DOUBTS = (Basis.FIRM, Basis.ALTERNATIVES, Basis.REFERENCE, Basis.UNKNOWN)


def _own_basis(layout: Layout, edge: int, bases: Mapping[int, Basis]) -> Basis:
    return Basis.REFERENCE if bases[edge] is Basis.UNKNOWN and layout.statuses[edge].is_reference else bases[edge]


def earned(bonus: Bonus, assignment: Assignment) -> int:
    """How many of the selected edges count for the bonus, those above its number included."""
    counted = bonus.edges & assignment.edges
    return len(counted - assignment.tentative if bonus.firm_only else counted)


def loss(layout: Layout, level: int, assignment: Assignment) -> int:
    """What the assignment loses on the level; less is better."""
    total = sum(layout.losses[edge][level] for edge in assignment.edges)
    total += sum(layout.when_tentative[edge][level] for edge in assignment.tentative)
    total += sum(layout.when_unknown[edge][level] for edge in assignment.unknown)
    own = (bonus for bonus in layout.bonuses if bonus.level == level)
    return total - sum(min(bonus.count, earned(bonus, assignment)) for bonus in own)


def reported_level(name: str, lost: int, bound: int) -> Level:
    """The level with the sign that it has in a solution: on levels that are maximised a loss of -3 is a value of 3."""
    sign = -1 if name in _MAXIMISED else 1
    return Level(name, sign * lost, lost == bound, sign * bound)


def value_of(layout: Layout, level: int, assignment: Assignment) -> int:
    """The value of a level as it is reported for a whole assignment."""
    name = layout.levels[level]
    return reported_level(name, loss(layout, level, assignment), 0).value + (
        layout.wanted if name == "shortfall" else 0
    )


def level_spreads(layout: Layout, component: Component) -> list[tuple[int, int]]:
    """For each level the smallest and the largest loss of all places of the component together, taken place by place and
    bonus by bonus."""
    if len(component.edges) >= _MANY and not component.bonuses:
        found = _spreads_in_arrays(layout, component)
        if found is not None:
            return found
    count = len(layout.levels)
    bonuses = edge_bonuses(component.bonuses)
    bounds = {place: ([0] * count, [0] * count) for place in component.places}
    for number in component.edges:
        least, most = bounds[layout.edges[number].place]
        for losses in _variants(layout, number):
            for level, lost in enumerate(losses):
                least[level] = min(least[level], lost)
                most[level] = max(most[level], lost)
        for level, earns in bonuses.get(number, {}).items():
            least[level] = min(least[level], layout.losses[number][level] - earns)
    return [
        (sum(least[level] for least, _ in bounds.values()), sum(most[level] for _, most in bounds.values()))
        for level in range(count)
    ]


def _spreads_in_arrays(layout: Layout, component: Component) -> list[tuple[int, int]] | None:
    """The same on arrays; None where a loss needs more than 64 bits. Edges are in the order of their places."""
    edges = component.edges
    try:
        best = np.array([layout.losses[edge] for edge in edges], np.int64)
        worst = best.copy()
        least = best.copy()
        for more in (layout.when_tentative, layout.when_unknown):
            rows = [row for row, edge in enumerate(edges) if edge in more]
            if rows:
                best[rows] += np.array([more[edges[row]] for row in rows], np.int64)
                least, worst = np.minimum(least, best), np.maximum(worst, best)
    except OverflowError:
        return None
    if int(np.abs(best).max(initial=0)) >= _LARGE or int(np.abs(worst).max(initial=0)) >= _LARGE:
        return None
    places = np.array([layout.edges[edge].place for edge in edges], np.int64)
    start = np.flatnonzero(np.diff(places, prepend=-1))
    lowest = np.minimum(np.minimum.reduceat(least, start), 0)
    highest = np.maximum(np.maximum.reduceat(worst, start), 0)
    return [(sum(low), sum(high)) for low, high in zip(lowest.T.tolist(), highest.T.tolist(), strict=True)]


def _variants(layout: Layout, edge: int) -> Iterator[Losses]:
    """The losses of an edge for each way to be placed."""
    best = layout.losses[edge]
    yield best
    if edge in layout.when_tentative:
        best = tuple(a + b for a, b in zip(best, layout.when_tentative[edge], strict=True))
        yield best
    if edge in layout.when_unknown:
        yield tuple(a + b for a, b in zip(best, layout.when_unknown[edge], strict=True))


def edge_bonuses(bonuses: Iterable[Bonus], *, waived: bool = True) -> dict[int, dict[int, int]]:
    """For the edges that earn bonuses how many on each level, with or without those that the flow leaves out."""
    found: dict[int, dict[int, int]] = {}
    for bonus in bonuses:
        for edge in bonus.edges if waived or not bonus.is_waived else ():
            own = found.setdefault(edge, {})
            own[bonus.level] = own.get(bonus.level, 0) + 1
    return found


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

"""Feasible assignments under side constraints, found without a solver: good starting points (incumbents), no
optimality."""

from __future__ import annotations

from service.assignment.components import Component, Layout, edges_of
from service.assignment.flow import FlowState, selected_edges, solve_flow
from service.assignment.levels import Assignment, loss, packed_loss
from service.rules.side_constraints import Limit

_MOST_ROUNDS = 12


def is_feasible(component: Component, assignment: Assignment) -> bool:
    """Whether the assignment satisfies every side constraint of the component."""
    firm = assignment.edges - assignment.tentative
    for constraint in component.side_constraints:
        counted = firm if constraint.firm_only else assignment.edges
        if isinstance(constraint, Limit):
            if sum(1 for edge in constraint.edges if edge in counted) > constraint.count:
                return False
        elif sum(1 for group in constraint.groups if not counted.isdisjoint(group)) > 1:
            return False
    return True


def first_incumbent(layout: Layout, component: Component, flow: FlowState) -> Assignment:
    """A feasible assignment near the optimum without side constraints, `flow`: edges of the flow that violate a
    constraint are forbidden and the flow is solved again, up to 12 times; the best result is returned."""
    best: tuple[int, Assignment] | None = None
    allowed = component.edges
    for _ in range(_MOST_ROUNDS):
        wanted = selected_edges(layout, component, flow)
        assignment = greedy_assignment(layout, component, wanted)
        lost = packed_loss(layout, component, assignment)
        if best is None or lost < best[0]:
            best = lost, assignment
        refused = (wanted - assignment.edges) | (wanted & assignment.tentative)
        if not refused:
            break
        allowed = tuple(edge for edge in allowed if edge not in refused)
        flow = solve_flow(layout, Component(component.places, allowed, ()))
    assert best is not None
    return best[1]


def greedy_assignment(layout: Layout, component: Component, wanted: frozenset[int]) -> Assignment:
    """A feasible assignment: edges are selected while they fit, wanted ones first, then by their losses, firm if
    possible. Ties: by edge number."""
    constraints = component.side_constraints
    touching: dict[int, list[int]] = {edge: [] for edge in component.edges}
    for number, constraint in enumerate(constraints):
        for edge in edges_of(constraint):
            touching[edge].append(number)
    group_of = [
        {}
        if isinstance(constraint, Limit)
        else {edge: i for i, group in enumerate(constraint.groups) for edge in group}
        for constraint in constraints
    ]
    counts = [0] * len(constraints)
    groups: list[int | None] = [None] * len(constraints)
    edges: set[int] = set()
    tentative: set[int] = set()
    filled: set[int] = set()
    pieces: dict[int, int] = {}

    def fits(edge: int, number: int) -> bool:
        constraint = constraints[number]
        if isinstance(constraint, Limit):
            return counts[number] < constraint.count
        return groups[number] in (None, group_of[number][edge])

    for edge in sorted(component.edges, key=lambda edge: (edge not in wanted, layout.losses[edge], edge)):
        place, holding = layout.edges[edge].place, layout.edges[edge].holding
        if place in filled or pieces.get(holding, 0) >= layout.quantity[holding]:
            continue
        if not all(fits(edge, number) for number in touching[edge] if not constraints[number].firm_only):
            continue
        is_firm = all(fits(edge, number) for number in touching[edge] if constraints[number].firm_only)
        if not is_firm:
            if not layout.statuses[edge].is_undetermined:
                continue
            tentative.add(edge)
        edges.add(edge)
        filled.add(place)
        pieces[holding] = pieces.get(holding, 0) + 1
        for number in touching[edge]:
            if is_firm or not constraints[number].firm_only:
                counts[number] += 1
                groups[number] = group_of[number].get(edge)
    return Assignment(frozenset(edges), frozenset(tentative))


def polish(layout: Layout, component: Component, assignment: Assignment) -> Assignment:
    """A feasible assignment at least as good: all places outside the side constraints are assigned anew around it.

    Of the edges that a side constraint names only those already selected stay allowed; a subset of a feasible selection
    is feasible."""
    constrained = {edge for constraint in component.side_constraints for edge in edges_of(constraint)}
    allowed = tuple(edge for edge in component.edges if edge not in constrained or edge in assignment.edges)
    part = Component(component.places, allowed, ())
    edges = selected_edges(layout, part, solve_flow(layout, part))
    polished = Assignment(edges, assignment.tentative & edges)

    def losses(assignment: Assignment) -> list[int]:
        return [loss(layout, level, assignment) for level in range(len(layout.levels))]

    return polished if losses(polished) < losses(assignment) else assignment

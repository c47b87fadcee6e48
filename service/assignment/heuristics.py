"""Feasible assignments under side constraints, found without a solver: good starting points (incumbents), no
optimality."""

from __future__ import annotations

from service.assignment.components import Component, Layout, edges_of
from service.assignment.cp_sat import SolverBudget
from service.assignment.flow import FlowState, selected_edges, solve_flow
from service.assignment.levels import Assignment, is_declared, is_firm, loss, packed_loss
from service.rules.side_constraints import Limit, Support

_MOST_ROUNDS = 12
_ROUND_PASSES = 8
_MOST_EDGES = 72_000
"""Edges looked at in all rounds."""


def is_feasible(layout: Layout, component: Component, assignment: Assignment) -> bool:
    """Whether the assignment satisfies every side constraint of the component."""
    firm = frozenset(edge for edge in assignment.edges if is_firm(layout, edge, assignment))
    for constraint in component.side_constraints:
        if isinstance(constraint, Support):
            if not is_supported(layout, constraint, assignment):
                return False
            continue
        counted = firm if constraint.firm_only else assignment.edges
        if isinstance(constraint, Limit):
            if sum(1 for edge in constraint.edges if edge in counted) > constraint.count:
                return False
        elif sum(1 for group in constraint.groups if not counted.isdisjoint(group)) > 1:
            return False
    return True


def is_supported(layout: Layout, support: Support, assignment: Assignment) -> bool:
    """Whether the edge is not placed so surely, or one that supports it is."""

    def holds(edge: int) -> bool:
        if support.reading == "selected":
            return edge in assignment.edges
        return (is_firm if support.reading == "firm" else is_declared)(layout, edge, assignment)

    return not holds(support.edge) or any(map(holds, support.supporters))


def first_incumbent(
    layout: Layout, component: Component, flow: FlowState, budget: SolverBudget | None = None
) -> Assignment:
    """A feasible assignment near the optimum without side constraints, `flow`: edges of the flow that violate a
    constraint are forbidden and the flow is solved again, up to 12 times, fewer from 6,000 edges on and out of budget; the
    best result is returned."""
    best: tuple[int, Assignment] | None = None
    allowed = component.edges
    # The rounds leave half of it for the search.
    kept_aside = budget.aside / 2 if budget is not None else 0.0
    for at in range(max(1, min(_MOST_ROUNDS, _MOST_EDGES // max(1, len(component.edges))))):
        if (
            at
            and budget is not None
            and (budget.aside < kept_aside or not budget.affords(_ROUND_PASSES, len(component.edges)))
        ):
            break
        wanted = selected_edges(layout, component, flow)
        assignment = greedy_assignment(layout, component, wanted)
        lost = packed_loss(layout, component, assignment)
        if best is None or lost < best[0]:
            best = lost, assignment
        refused = (wanted - assignment.edges) | (wanted & assignment.tentative)
        if not refused:
            break
        allowed = tuple(edge for edge in allowed if edge not in refused)
        flow = solve_flow(layout, Component(component.places, allowed, (), component.bonuses))
    assert best is not None
    return best[1]


def greedy_assignment(layout: Layout, component: Component, wanted: frozenset[int]) -> Assignment:
    """A feasible assignment: edges are selected while they fit, wanted ones first, then by their losses, firm if
    possible; those that need the support of others after them. Ties: by edge number."""
    limits = [constraint for constraint in component.side_constraints if not isinstance(constraint, Support)]
    supports: dict[int, list[Support]] = {}
    for constraint in component.side_constraints:
        if isinstance(constraint, Support):
            supports.setdefault(constraint.edge, []).append(constraint)
    touching: dict[int, list[int]] = {edge: [] for edge in component.edges}
    for number, constraint in enumerate(limits):
        for edge in edges_of(constraint):
            touching[edge].append(number)
    group_of = [
        {}
        if isinstance(constraint, Limit)
        else {edge: i for i, group in enumerate(constraint.groups) for edge in group}
        for constraint in limits
    ]
    counts = [0] * len(limits)
    groups: list[int | None] = [None] * len(limits)
    edges: set[int] = set()
    tentative: set[int] = set()
    unknown: set[int] = set()
    filled: set[int] = set()
    pieces: dict[int, int] = {}

    def fits(edge: int, number: int) -> bool:
        constraint = limits[number]
        if isinstance(constraint, Limit):
            return counts[number] < constraint.count
        return groups[number] in (None, group_of[number][edge])

    def readings(edge: int) -> frozenset[str]:
        """The readings in which the edge is not supported by those selected so far."""
        taken = Assignment(frozenset({*edges, edge}), frozenset(tentative), frozenset(unknown))
        return frozenset(one.reading for one in supports.get(edge, ()) if not is_supported(layout, one, taken))

    order = sorted(component.edges, key=lambda edge: (edge not in wanted, layout.losses[edge], edge))
    alone = [edge for edge in order if edge not in supports]
    supported = [edge for edge in order if edge in supports]
    # An edge that needs another one may need one that needs a third, so each is tried as often as there are places.
    for edge in (*alone, *supported * min(len(supported), _MOST_ROUNDS)):
        place, holding = layout.edges[edge].place, layout.edges[edge].holding
        if place in filled or pieces.get(holding, 0) >= layout.quantity[holding]:
            continue
        if not all(fits(edge, number) for number in touching[edge] if not limits[number].firm_only):
            continue
        status, lacking = layout.statuses[edge], readings(edge)
        if "selected" in lacking:
            continue
        may_be_firm = "firm" not in lacking
        becomes_firm = may_be_firm and all(fits(edge, number) for number in touching[edge] if limits[number].firm_only)
        if not becomes_firm and status.can_be_firm:
            if not status.is_undetermined:
                continue
            tentative.add(edge)
        if status.has_open_basis and not (becomes_firm and status.can_be_firm) and "declared" in lacking:
            unknown.add(edge)
        edges.add(edge)
        filled.add(place)
        pieces[holding] = pieces.get(holding, 0) + 1
        for number in touching[edge]:
            if becomes_firm or not limits[number].firm_only:
                counts[number] += 1
                groups[number] = group_of[number].get(edge)
    return Assignment(frozenset(edges), frozenset(tentative), frozenset(unknown))


def polish(layout: Layout, component: Component, assignment: Assignment) -> Assignment:
    """A feasible assignment at least as good: all places outside the side constraints are assigned anew around it.

    Of the edges that a side constraint names only those already selected stay allowed: a subset of a feasible selection
    is feasible, unless one of them supports another."""
    constrained = {edge for constraint in component.side_constraints for edge in edges_of(constraint)}
    allowed = tuple(edge for edge in component.edges if edge not in constrained or edge in assignment.edges)
    part = Component(component.places, allowed, (), component.bonuses)
    edges = selected_edges(layout, part, solve_flow(layout, part))
    polished = Assignment(edges, assignment.tentative & edges, assignment.unknown & edges)
    if not is_feasible(layout, component, polished):
        return assignment

    def losses(assignment: Assignment) -> list[int]:
        return [loss(layout, level, assignment) for level in range(len(layout.levels))]

    return polished if losses(polished) < losses(assignment) else assignment

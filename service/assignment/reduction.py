"""Reduced-cost fixing: edges that no optimal assignment of a constrained component uses are removed before the search.

The flow without side constraints is a lower bound, and an assignment with an edge costs at least that bound plus the
edge's reduced cost (its cost plus price, less the least of its place). So with any feasible assignment at hand, an edge
whose reduced cost exceeds the gap between that assignment and the bound is in no better one, on all levels at once. What
is left is far smaller, and often splits into several components.
"""

from __future__ import annotations

from service.assignment.components import Component, Layout, split
from service.assignment.flow import FlowState, selected_edges
from service.assignment.levels import Assignment, packed_loss


def fix_by_reduced_cost(
    layout: Layout, component: Component, flow: FlowState, incumbent: Assignment
) -> tuple[Component, ...]:
    """The components that are left of the component. `flow` is its optimum without side constraints, `incumbent` a
    feasible assignment; every assignment at least as good as the incumbent remains possible, ties included. Linear in
    edges."""
    bound = packed_loss(layout, component, Assignment(selected_edges(layout, component, flow)))
    gap = packed_loss(layout, component, incumbent) - bound

    def can_matter(number: int) -> bool:
        edge = layout.edges[number]
        costs, chosen = flow.options[edge.place], flow.holding_of[edge.place]
        least = costs[chosen] + flow.price[chosen]
        return costs[edge.holding] + flow.price[edge.holding] - least <= gap

    return split(layout, [number for number in component.edges if can_matter(number)], component.side_constraints)

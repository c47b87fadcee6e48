"""Reduced-cost fixing: edges that no optimal assignment of a constrained component uses are removed before the search.

The flow without side constraints is a lower bound (it has a bonus for each edge, or all that the bonus can give), and an
assignment with an edge costs at least that bound plus the edge's reduced cost (its cost plus price, less the least of its
place). So with any feasible assignment at hand, an edge whose reduced cost exceeds the gap between that assignment and the
bound is in no better one, on all levels at once. What is left is far smaller, and often splits into several components.

Where side constraints bind, the flow is far from what can be reached, and little can be removed. The linear relaxation knows
them (`service.assignment.linear`): with one `at_most` it is mostly whole, and decides all levels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.assignment.components import Component, Layout, split
from service.assignment.cp_sat import SolverBudget
from service.assignment.flow import FlowState
from service.assignment.levels import Assignment, level_weights, packed_loss
from service.assignment.search import Search


def fix_by_reduced_cost(
    layout: Layout, component: Component, flow: FlowState, incumbent: Assignment
) -> tuple[Component, ...]:
    """The components that are left of the component. `flow` is its optimum without side constraints, `incumbent` a
    feasible assignment; every assignment at least as good as the incumbent remains possible, ties included. Linear in
    edges."""
    weights = level_weights(layout, component)
    waived = sum(bonus.count * weights[bonus.level] for bonus in component.bonuses if bonus.is_waived)
    bound = sum(flow.options[place][holding] for place, holding in flow.holding_of.items()) - waived
    gap = packed_loss(layout, component, incumbent) - bound

    def can_matter(number: int) -> bool:
        edge = layout.edges[number]
        costs, chosen = flow.options[edge.place], flow.holding_of[edge.place]
        least = costs[chosen] + flow.price[chosen]
        return costs[edge.holding] + flow.price[edge.holding] - least <= gap

    bonuses = [replace(bonus, is_waived=False) for bonus in component.bonuses]
    return split(
        layout, [number for number in component.edges if can_matter(number)], component.side_constraints, bonuses
    )


@dataclass(frozen=True, slots=True)
class PricedComponent:
    """`parts` are what is left of a component. `incumbent` is feasible, and on the first `proven` levels optimal, in every
    part by itself."""

    parts: tuple[Component, ...]
    incumbent: Assignment
    proven: int


def fix_by_linear_prices(
    layout: Layout, component: Component, incumbent: Assignment, budget: SolverBudget, seconds: float
) -> PricedComponent:
    """The components that are left of the component by the prices of its linear relaxation; every assignment at least as
    good as the incumbent, which may be a better one now, remains possible, ties included."""
    search = Search(layout, component, incumbent)
    proven, edges = search.reach_by_prices(budget, seconds)
    bonuses = [replace(bonus, is_waived=False) for bonus in component.bonuses]
    return PricedComponent(split(layout, edges, component.side_constraints, bonuses), search.best, proven)

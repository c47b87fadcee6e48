"""A component without its side constraints: what its flow says of it.

A bonus is earned up to a number, and the flow knows no such number: first it gives 1 for every edge, which is never too
little. Where that exceeds the number, it gives all of the bonus from the start and nothing for the edges, which is never
too little either. The answer is exact where every bonus that is given is earned; it is a bound in any case.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.assignment.components import Component, Layout
from service.assignment.levels import Assignment, earned
from tests.assignment.by_objects.flow import FlowState, selected_edges, solve_flow


@dataclass(frozen=True, slots=True)
class Relaxation:
    """`component` says which bonuses are waived, `assignment` is the canonical optimum of `flow`. `inexact` is the first
    level on which it has a bonus that it does not earn; None: it is as good as the flow says."""

    component: Component
    flow: FlowState
    assignment: Assignment
    inexact: int | None


def relax(layout: Layout, component: Component, *, in_order: bool = True) -> Relaxation:
    """The optimum of the component without its side constraints. One flow, and another one each time that a bonus turns out
    to be exceeded."""
    while True:
        flow = solve_flow(layout, component, in_order=in_order)
        found = Assignment(selected_edges(layout, component, flow))
        exceeded = [b for b in component.bonuses if not b.is_waived and earned(b, found) > b.count]
        if not exceeded:
            break
        bonuses = tuple(replace(b, is_waived=b.is_waived or b in exceeded) for b in component.bonuses)
        component = replace(component, bonuses=bonuses)
    missing = [b.level for b in component.bonuses if b.is_waived and earned(b, found) < b.count]
    return Relaxation(component, flow, found, min(missing, default=None))

"""As `service.assignment.relaxation`, by this package's flow."""

from __future__ import annotations

from dataclasses import replace

from service.assignment.components import Component, Layout
from service.assignment.flow import selected_edges
from service.assignment.levels import Assignment, earned
from service.assignment.relaxation import Relaxation
from tests.assignment.by_objects.flow import solve_flow


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

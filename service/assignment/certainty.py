"""Which placements every optimal assignment shares, and how many places are filled whatever the doubts turn out to be.

Without side constraints both follow from the prices of the flow: a place has another holding in some optimum exactly when
one of its tight options lies in the same strongly connected component of the residual graph of reduced cost 0 (C. Berge,
"Two theorems in graph theory", PNAS 1957; J.-C. Régin, "A filtering algorithm for constraints of difference in CSPs",
AAAI 1994; both from memory). With side constraints the solver is asked repeatedly for an optimum that differs somewhere
from the one at hand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from service.assignment.components import Component, Layout, components
from service.assignment.cp_sat import SolverBudget
from service.assignment.flow import EMPTY, FlowState, selected_edges, solve_flow
from service.assignment.levels import Assignment
from service.assignment.search import Search


def forced_by_flow(flow: FlowState) -> frozenset[int]:
    """The places whose choice (a holding or none) is the same in every optimum of a component without side constraints.
    Linear in tight options."""
    strong_component_of = _strong_components(flow)
    return frozenset(
        place
        for place, here in flow.holding_of.items()
        if all(there == here or strong_component_of[there] != strong_component_of[here] for there in flow.tight[place])
    )


def forced_by_search(search: Search, places: Iterable[int], budget: SolverBudget, seconds: float) -> frozenset[int]:
    """Those of the places whose choice is the same in every optimum of the levels that the search has fixed. Each solver
    call rules out at least one place. All or nothing: when the `seconds` (deterministic) do not suffice for the proof,
    the result is empty, so `forced` is never claimed without proof."""
    unseen = set(places)
    stop = budget.left - seconds
    while unseen and budget.left > stop:
        other, proven = search.alternative_optimum(sorted(unseen), budget, (budget.left - stop) / 2)
        if other is None:
            return frozenset(unseen) if proven else frozenset()
        unseen -= {place for place in unseen if search.choice(other, place) != search.choice(search.best, place)}
    return frozenset()


def certain_places(layout: Layout, firm: frozenset[tuple[int, int]], budget: SolverBudget) -> tuple[int, bool]:
    """The largest number of places of a `lay_out_certain` layout that can be filled, and whether that is proven.

    `firm` are pairs (place, holding) known to satisfy its side constraints; where they fill as many places of a component
    as the flow without them, no search is needed. Out of budget the number is a lower bound.
    """
    total, proven = 0, True
    open_components: list[tuple[Component, Assignment, Assignment]] = []
    for component in components(layout):
        filled = selected_edges(layout, component, solve_flow(layout, component, in_order=False))
        known = frozenset(e for e in component.edges if (layout.edges[e].place, layout.edges[e].holding) in firm)
        if not component.side_constraints or len(known) == len(filled):
            total += len(filled)
        else:
            open_components.append((component, Assignment(known), Assignment(filled)))
    for number, (component, start, relaxed) in enumerate(open_components):
        search = Search(layout, component, start)
        search.optimise(budget, budget.left / (len(open_components) - number), relaxed)
        total += search.levels()[0].value
        proven = proven and search.levels()[0].proven
    return total, proven


def _strong_components(flow: FlowState) -> dict[int, int]:
    """A number for each holding and EMPTY, equal for two exactly when they are in one strongly connected component of the
    residual graph of reduced cost 0 (R. Tarjan, "Depth-first search and linear graph algorithms", 1972, without
    recursion)."""
    index: dict[int, int] = {}
    low: dict[int, int] = {}
    strong_component_of: dict[int, int] = {}
    stack: list[int] = []
    for root in flow.places_of:
        if root in index:
            continue
        walk: list[tuple[int, Iterator[int]]] = [(root, _residual_arcs(flow, root))]
        index[root] = low[root] = len(index)
        stack.append(root)
        while walk:
            here, arcs = walk[-1]
            for there in arcs:
                if there not in index:
                    index[there] = low[there] = len(index)
                    stack.append(there)
                    walk.append((there, _residual_arcs(flow, there)))
                    break
                if there not in strong_component_of:
                    low[here] = min(low[here], index[there])
            else:
                walk.pop()
                if walk:
                    low[walk[-1][0]] = min(low[walk[-1][0]], low[here])
                if low[here] == index[here]:
                    while True:
                        member = stack.pop()
                        strong_component_of[member] = index[here]
                        if member == here:
                            break
    return strong_component_of


def _residual_arcs(flow: FlowState, here: int) -> Iterator[int]:
    """Where a place that has this holding (or none) can go at reduced cost 0; EMPTY stands for unused pieces as well."""
    if here == EMPTY:
        yield from (holding for holding, places in flow.places_of.items() if places and flow.is_unpriced(holding))
    elif flow.is_unpriced(here) and flow.has_capacity(here):
        yield EMPTY
    for place in list(flow.places_of[here]):
        yield from flow.tight[place]

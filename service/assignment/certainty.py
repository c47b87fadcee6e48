"""Which placements every optimal assignment shares, what would do instead, and how many places are filled whatever the
doubts turn out to be.

Without side constraints this follows from the prices of the flow: a place has another holding in some optimum exactly when
one of its tight options lies in the same strongly connected component of the residual graph of reduced cost 0 (C. Berge,
"Two theorems in graph theory", PNAS 1957; J.-C. Régin, "A filtering algorithm for constraints of difference in CSPs",
AAAI 1994; both from memory). Places that are alike count as one: a holding that only moves among them has not left. With
side constraints the solver is asked repeatedly for an optimum that differs somewhere from the one at hand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.assignment.components import Component, Layout, components
from service.assignment.cp_sat import SolverBudget
from service.assignment.flow import EMPTY, FlowState, moved_out
from service.assignment.heuristics import first_incumbent, greedy_assignment, is_feasible
from service.assignment.levels import Assignment, assignment_of, is_firm, loss
from service.assignment.problem import Placement
from service.assignment.relaxation import Relaxation, relax
from service.assignment.search import SEARCH_PASSES, Search

MOST_INSTEAD = 5
_COUNTED_PASSES = 4
_MOST_ARCS = 20_000_000
"""Options looked at in all, where holdings are moved out of groups of places one by one."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How firmly a holding stands in its place: members of `problem.Placement`."""

    forced: bool
    instead: tuple[int, ...] = ()
    proven: bool = True


FORCED = Standing(True)
_NOT_KNOWN = Standing(False, (), False)


def units_of(places: Iterable[int], alike: Sequence[frozenset[int]]) -> list[tuple[int, ...]]:
    """The places in groups that count as one, ascending."""
    group_of = {place: number for number, group in enumerate(alike) for place in group}
    found: dict[tuple[bool, int], list[int]] = {}
    for place in sorted(places):
        found.setdefault((place in group_of, group_of.get(place, place)), []).append(place)
    return [tuple(unit) for unit in found.values()]


# --- by the flow --------------------------------------------------------------------------------------------------


def forced_by_flow(flow: FlowState) -> frozenset[int]:
    """The places whose choice (a holding or none) is the same in every optimum of a component without side constraints.
    Linear in tight options."""
    strong_component_of = strong_components(flow)
    return frozenset(
        place
        for place, here in flow.holding_of.items()
        if all(there == here or strong_component_of[there] != strong_component_of[here] for there in flow.tight[place])
    )


def standings_by_flow(
    flow: FlowState, alike: Sequence[frozenset[int]], strong_component_of: Mapping[int, int] | None = None
) -> dict[int, Standing]:
    """How firmly the holding of each filled place stands, in a component without side constraints. Linear in tight options
    where like places have the same ones; else each holding of a group is moved out by itself. The strong components are worked
    out where they are not given."""
    if strong_component_of is None:
        strong_component_of = strong_components(flow)
    found: dict[int, Standing] = {}
    arcs = sum(len(options) for options in flow.tight.values())
    allowed = _MOST_ARCS // max(1, arcs)
    for unit in units_of(flow.holding_of, alike):
        inside = {flow.holding_of[place] for place in unit} - {EMPTY}
        if not inside:
            continue
        same_options = len({tuple(flow.tight[place]) for place in unit}) == 1
        own = strong_component_of if len(unit) == 1 else None
        for holding in sorted(inside):
            places = [place for place in unit if flow.holding_of[place] == holding]
            stays_put = all(_is_alone(strong_component_of, flow, place) for place in places)
            if len(unit) > 1 and stays_put:
                found |= dict.fromkeys(places, FORCED)
            elif len(unit) == 1 or (same_options and flow.quantity[holding] == 1):
                if own is None:
                    own = strong_components(flow, unit)
                found |= dict.fromkeys(places, _standing(own, flow, unit[0], holding, inside))
            elif allowed > 0:
                allowed -= 1
                found |= dict.fromkeys(places, _moved_out(flow, unit, holding, inside))
            else:
                found |= dict.fromkeys(places, _NOT_KNOWN)
    return found


def _is_alone(strong_component_of: Mapping[int, int], flow: FlowState, place: int) -> bool:
    here = flow.holding_of[place]
    return all(t == here or strong_component_of[t] != strong_component_of[here] for t in flow.tight[place])


def _standing(
    strong_component_of: Mapping[int, int], flow: FlowState, place: int, holding: int, inside: set[int]
) -> Standing:
    here = strong_component_of[holding]
    others = [
        there
        for there in flow.tight[place]
        if there != holding and strong_component_of[there] == here and (there not in inside or flow.quantity[there] > 1)
    ]
    instead = sorted(there for there in others if there != EMPTY and there not in inside)
    return Standing(not others, tuple(instead[:MOST_INSTEAD]))


def _moved_out(flow: FlowState, unit: Sequence[int], holding: int, inside: set[int]) -> Standing:
    without = moved_out(flow, unit, holding)
    if without is None:
        return FORCED
    strong_component_of = strong_components(without)
    instead = sorted(
        {
            there
            for place in unit
            for there in without.tight[place]
            if there != EMPTY
            and there not in inside
            and strong_component_of[there] == strong_component_of[without.holding_of[place]]
        }
    )
    return Standing(False, tuple(instead[:MOST_INSTEAD]))


# --- by the solver ------------------------------------------------------------------------------------------------


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


def standings_by_search(
    search: Search, forced: frozenset[int], alike: Sequence[frozenset[int]], budget: SolverBudget, seconds: float
) -> dict[int, Standing]:
    """How firmly the holding of each filled place stands among the optima of the levels that the search has fixed; `forced`
    are the places whose choice they all share. What is not proven within the `seconds` (deterministic) is neither forced
    nor are its alternatives complete."""
    layout, best = search.layout, search.best
    stop = budget.left - seconds
    at = {layout.edges[edge].place: edge for edge in best.edges}
    pairs: list[tuple[tuple[int, ...], int, list[int]]] = []
    found: dict[int, Standing] = {}
    for unit in units_of(search.component.places, alike):
        by_holding: dict[int, list[int]] = {}
        for place in unit:
            if place in at:
                by_holding.setdefault(layout.edges[at[place]].holding, []).append(place)
        for holding, places in by_holding.items():
            if all(not is_firm(layout, at[place], best) for place in places):
                # Of a tentative placement this is not told.
                found |= dict.fromkeys(places, _NOT_KNOWN)
            elif forced.issuperset(places) and forced.intersection(places):
                found |= dict.fromkeys(places, FORCED)
            else:
                pairs.append((unit, holding, places))
    for number, (unit, holding, places) in enumerate(pairs):
        share = (budget.left - stop) / (len(pairs) - number)
        found |= dict.fromkeys(places, _asked(search, unit, holding, budget, share))
    return found


def _asked(search: Search, unit: Sequence[int], holding: int, budget: SolverBudget, seconds: float) -> Standing:
    """The other holdings are asked for in their order: each answer is the first that is possible."""
    layout, stop = search.layout, budget.left - seconds
    edges = search.edges_at(unit)
    inside = {layout.edges[edge].holding for edge in edges if edge in search.best.edges}
    own = [edge for edge in edges if layout.edges[edge].holding == holding]
    edges_of: dict[int, list[int]] = {}
    for edge in edges:
        edges_of.setdefault(layout.edges[edge].holding, []).append(edge)
    left = sorted(edges_of.keys() - inside)
    instead: list[int] = []
    while left and len(instead) < MOST_INSTEAD:
        options = [edges_of[other] for other in left]
        number, proven = search.first_with(own, options, budget, (budget.left - stop) / 2)
        if number is None:
            if not proven:
                return Standing(False, tuple(instead), False)
            break
        if not proven:
            return Standing(False, tuple(instead), False)
        instead.append(left[number])
        left = left[number + 1 :]
    if instead:
        return Standing(False, tuple(instead))
    number, proven = search.first_with(own, [], budget, (budget.left - stop) / 2)
    return Standing(number is None and proven, (), proven)


# --- how many ------------------------------------------------------------------------------------------------------


def most_counted(layout: Layout, placements: Iterable[Placement], budget: SolverBudget) -> tuple[int, bool]:
    """The most that counts on the second level of a `lay_out_certain` or `lay_out_possible` layout with the first one, the
    pins, as good as can be; and whether that is proven. Out of budget it is a lower bound.

    `placements` keep the side constraints; where they are as good on both levels as the flow without those in a component,
    no search is needed.
    """
    counts, proven = best_counts(layout, budget, assignment_of(layout, placements))
    return counts[1], proven


def best_counts(layout: Layout, budget: SolverBudget, known: Assignment | None = None) -> tuple[tuple[int, ...], bool]:
    """The most that counts on each level of a layout whose levels are all maximised, with those before it as good as can be;
    and whether that is proven. `known` keeps the side constraints; without it a start is looked for."""
    counts, proven = [0] * len(layout.levels), True

    def losses(assignment: Assignment) -> list[int]:
        return [loss(layout, level, assignment) for level in range(len(counts))]

    def add(assignment: Assignment) -> None:
        for level, lost in enumerate(losses(assignment)):
            counts[level] -= lost

    open_components: list[tuple[Component, Assignment, Relaxation]] = []
    for component in components(layout):
        if not budget.affords(_COUNTED_PASSES, len(component.edges)):
            add(greedy_assignment(layout, component, frozenset()) if known is None else known.among(component.edges))
            proven = False
            continue
        relaxed = relax(layout, component, in_order=False)
        best = relaxed.assignment
        is_allowed = is_feasible(layout, component, best)
        if relaxed.inexact is None and is_allowed:
            add(best)
            continue
        if known is not None:
            start = known.among(component.edges)
        else:
            start = best if is_allowed else first_incumbent(layout, relaxed.component, relaxed.flow)
        if relaxed.inexact is None and losses(start) == losses(best):
            add(start)
        else:
            open_components.append((component, start, relaxed))
    for number, (component, start, relaxed) in enumerate(open_components):
        if not budget.affords(SEARCH_PASSES, len(component.edges)):
            add(start)
            proven = False
            continue
        search = Search(layout, component, start)
        search.optimise(budget, budget.left / (len(open_components) - number), relaxed.assignment, relaxed.inexact)
        add(search.best)
        proven = proven and all(level.proven for level in search.levels())
    return tuple(counts), proven


def strong_components(flow: FlowState, unit: Sequence[int] = ()) -> dict[int, int]:
    """A number for each holding and EMPTY, equal for two exactly when they are in one strongly connected component of the
    residual graph of reduced cost 0 (R. Tarjan, "Depth-first search and linear graph algorithms", 1972, without
    recursion). No arc leads to a single piece within these like places: where it is among them changes nothing."""
    among = frozenset(unit)
    spent = frozenset(flow.holding_of[place] for place in among) - {EMPTY}
    spent = frozenset(holding for holding in spent if flow.quantity[holding] == 1)

    def residual_arcs(here: int) -> Iterator[int]:
        return _arcs(flow, here, among, spent)

    index: dict[int, int] = {}
    low: dict[int, int] = {}
    strong_component_of: dict[int, int] = {}
    stack: list[int] = []
    for root in flow.places_of:
        if root in index:
            continue
        walk: list[tuple[int, Iterator[int]]] = [(root, residual_arcs(root))]
        index[root] = low[root] = len(index)
        stack.append(root)
        while walk:
            here, arcs = walk[-1]
            for there in arcs:
                if there not in index:
                    index[there] = low[there] = len(index)
                    stack.append(there)
                    walk.append((there, residual_arcs(there)))
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


def _arcs(flow: FlowState, here: int, among: frozenset[int], spent: frozenset[int]) -> Iterator[int]:
    """Where a place that has this holding (or none) can go at reduced cost 0; EMPTY stands for unused pieces as well."""
    if here == EMPTY:
        yield from (holding for holding, places in flow.places_of.items() if places and flow.is_unpriced(holding))
    elif flow.is_unpriced(here) and flow.has_capacity(here):
        yield EMPTY
    for place in list(flow.places_of[here]):
        if place in among:
            yield from (there for there in flow.tight[place] if there not in spent)
        else:
            yield from flow.tight[place]

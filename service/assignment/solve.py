"""Which holding is placed where: the solution of a whole problem, with proof.

The components are solved one by one. Without side constraints the flow decides everything, exactly; it does so too where
it has one optimum and that is feasible. What remains is reduced by its reduced costs and searched with CP-SAT.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.assignment.certainty import certain_places, forced_by_flow, forced_by_search
from service.assignment.components import Component, Layout, components, lay_out, lay_out_certain
from service.assignment.cp_sat import SolverBudget
from service.assignment.flow import selected_edges, solve_flow
from service.assignment.heuristics import first_incumbent, is_feasible
from service.assignment.levels import Assignment, loss, reported_level
from service.assignment.problem import AssignmentProblem, Basis, Level, Placement, Solution
from service.assignment.reduction import fix_by_reduced_cost
from service.assignment.search import Search

_PLACEMENT_SHARE = 0.9
"""The part of the budget for the placements; the rest is for counting the certain places."""


@dataclass(frozen=True, slots=True)
class _SolvedComponent:
    """`forced` are the places whose choice is the same in every optimum."""

    assignment: Assignment
    levels: tuple[Level, ...]
    forced: frozenset[int]


@dataclass(frozen=True, slots=True)
class _OpenComponent:
    """A component that the flow alone does not decide. `start` is feasible; `relaxed` is the canonical optimum without
    side constraints, and `forced` the places whose choice all such optima share."""

    component: Component
    start: Assignment
    relaxed: Assignment
    forced: frozenset[int]


def solve(problem: AssignmentProblem, *, budget_seconds: float = 10.0) -> Solution:
    """The best assignment on every level of the problem in order, with what is proven of it.

    Levels and rules are those of `service.assignment.problem`. Ties are broken by the last level, `order`: place by place
    the first holding that still allows the best, so the answer does not depend on the order of edges or rules. Raises
    ValueError, naming every fault, when the problem violates its contract (`components.lay_out`).

    `budget_seconds` are deterministic seconds of the solver, shared by the components that need a search: the same
    problem has the same answer on a busy machine. Without set-level rules none is used, and everything is proven: the
    time is a shortest path for each place, the memory linear in edges. Under set-level rules the problem is NP-hard in
    general; when the budget runs out the answer still satisfies every rule, and its levels say what is not proven.

    Honest limits: with keys that are not settled each rule is judged by itself, so `certain` counts every possible key
    against every rule, and the possible placements are not checked for one world in which all rules hold at once. Pieces
    of one holding share their key, whatever it is.

    >>> from service.assignment.problem import Edge
    >>> edges = (
    ...     Edge(place=0, holding=0, basis=Basis.FIRM, cost=(0,)),
    ...     Edge(place=0, holding=1, basis=Basis.FIRM, cost=(2,)),
    ...     Edge(place=1, holding=0, basis=Basis.UNKNOWN, cost=(0,)),
    ... )
    >>> solution = solve(AssignmentProblem((True, True), (1, 1), edges, preference_levels=1))
    >>> for placement in solution.placements:
    ...     print(placement.place, placement.holding, placement.basis.name, placement.forced)
    0 1 FIRM True
    1 0 UNKNOWN True
    >>> {level.name: level.value for level in solution.levels if level.value}
    {'required': 2, 'places': 2, 'unknown': 1, 'prefer-0': 2}
    >>> solution.certain, solution.proven
    (1, True)

    Filling both places comes before the better coin in place 0 and before a certain one in place 1; only one place is
    certain.
    """
    layout = lay_out(problem)
    budget = SolverBudget(budget_seconds)
    solved: list[_SolvedComponent] = []
    unsolved: list[_OpenComponent] = []
    for component in components(layout):
        flow = solve_flow(layout, component)
        relaxed, forced = Assignment(selected_edges(layout, component, flow)), forced_by_flow(flow)
        if _is_decided(component, relaxed, forced):
            solved.append(_as_solved(layout, relaxed, forced))
            continue
        incumbent = relaxed if is_feasible(component, relaxed) else first_incumbent(layout, component, flow)
        for part in fix_by_reduced_cost(layout, component, flow, incumbent):
            flow = solve_flow(layout, part)
            relaxed, forced = Assignment(selected_edges(layout, part, flow)), forced_by_flow(flow)
            if _is_decided(part, relaxed, forced):
                solved.append(_as_solved(layout, relaxed, forced))
            else:
                start = Assignment(
                    incumbent.edges.intersection(part.edges), incumbent.tentative.intersection(part.edges)
                )
                unsolved.append(_OpenComponent(part, start, relaxed, forced))
    for number, one in enumerate(unsolved):
        seconds = budget.left * _PLACEMENT_SHARE / (len(unsolved) - number)
        solved.append(_searched(layout, one, budget, seconds))
    return _solution(problem, layout, solved, budget)


def _is_decided(component: Component, relaxed: Assignment, forced: frozenset[int]) -> bool:
    """Whether the flow alone decides the component: it has no side constraints, or a single optimum that satisfies
    them."""
    if not component.side_constraints:
        return True
    return is_feasible(component, relaxed) and len(forced) == len(component.places)


def _as_solved(layout: Layout, assignment: Assignment, forced: frozenset[int]) -> _SolvedComponent:
    losses = (loss(layout, level, assignment) for level in range(len(layout.levels)))
    levels = [reported_level(name, lost, lost) for name, lost in zip(layout.levels, losses, strict=True)]
    return _SolvedComponent(assignment, (*levels, reported_level("order", 0, 0)), forced)


def _searched(layout: Layout, one: _OpenComponent, budget: SolverBudget, seconds: float) -> _SolvedComponent:
    component, stop = one.component, budget.left - seconds
    if is_feasible(component, one.relaxed):
        search = Search(layout, component, one.relaxed)
        search.fix_levels()
        others = sorted(set(component.places) - one.forced)
        return _as_solved(layout, one.relaxed, one.forced | forced_by_search(search, others, budget, seconds))
    search = Search(layout, component, one.start)
    search.optimise(budget, seconds, one.relaxed)
    forced: frozenset[int] = frozenset()
    if all(level.proven for level in search.levels()):
        forced = forced_by_search(search, component.places, budget, (budget.left - stop) / 2)
    unproven = search.optimise_order(budget, budget.left - stop, forced)
    return _SolvedComponent(search.best, (*search.levels(), reported_level("order", unproven, 0)), forced)


def _solution(
    problem: AssignmentProblem, layout: Layout, solved: list[_SolvedComponent], budget: SolverBudget
) -> Solution:
    selected = frozenset(edge for part in solved for edge in part.assignment.edges)
    tentative = frozenset(edge for part in solved for edge in part.assignment.tentative)
    forced = frozenset(place for part in solved for place in part.forced)
    placements = []
    for number in sorted(selected):
        edge, status = layout.edges[number], layout.statuses[number]
        made_firm = status.is_undetermined and number not in tentative
        placements.append(
            Placement(edge.place, edge.holding, Basis.FIRM if made_firm else status.doubt, edge.place in forced)
        )
    levels = []
    for at, name in enumerate((*layout.levels, "order")):
        each = [part.levels[at] for part in solved]
        value, bound = sum(level.value for level in each), sum(level.bound for level in each)
        levels.append(Level(name, value, all(level.proven for level in each), bound))
    firm = frozenset((p.place, p.holding) for p in placements if p.basis is Basis.FIRM)
    if len(firm) == len(placements) and _is_most(problem, levels):
        # Firm edges alone fill as many places as all edges together can.
        certain, certain_proven = len(placements), True
    else:
        certain, certain_proven = certain_places(lay_out_certain(problem), firm, budget)
    return Solution(tuple(placements), tuple(levels), certain, certain_proven)


def _is_most(problem: AssignmentProblem, levels: list[Level]) -> bool:
    """Whether the level `places` is the largest number that can be filled at all: proven, with no pin or tier before
    it."""
    places = next(level for level in levels if level.name == "places")
    one_tier = len(set(problem.required)) <= 1
    return places.proven and one_tier and not any(edge.pinned for edge in problem.edges)

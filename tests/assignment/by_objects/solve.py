"""Which holding is placed where: the solution of a whole problem, with proof.

The components are solved one by one. Without side constraints the flow decides everything, exactly; it does so too where
it has one optimum and that is feasible. What remains is reduced by its reduced costs and searched with CP-SAT.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.assignment.certainty import (
    FORCED,
    Standing,
    best_counts,
    forced_by_flow,
    forced_by_search,
    most_counted,
    standings_by_search,
)
from service.assignment.components import (
    Component,
    Layout,
    components,
    lay_out,
    lay_out_certain,
    lay_out_counts,
    lay_out_possible,
)
from service.assignment.cp_sat import SolverBudget
from service.assignment.heuristics import first_incumbent, is_feasible
from service.assignment.levels import Assignment, basis_of, loss, reported_level, shown_basis
from service.assignment.problem import AssignmentProblem, Basis, Level, Placement, Solution
from service.assignment.reduction import fix_by_reduced_cost
from service.assignment.search import Search
from tests.assignment.by_objects.certainty import standings_by_flow
from tests.assignment.by_objects.relaxation import Relaxation, relax

_PLACEMENT_SHARE = 0.9
"""The part of the budget for the placements; the rest is for counting the certain places."""
_OPEN = Standing(False)


@dataclass(frozen=True, slots=True)
class _SolvedComponent:
    """`standings` say how firmly the holding of each filled place stands."""

    assignment: Assignment
    levels: tuple[Level, ...]
    standings: Mapping[int, Standing]


@dataclass(frozen=True, slots=True)
class _OpenComponent:
    """A component that the flow alone does not decide. `start` is feasible; `relaxed` is the canonical optimum without
    side constraints, and `forced` the places whose choice all such optima share."""

    component: Component
    start: Assignment
    relaxed: Relaxation
    forced: frozenset[int]


@dataclass(frozen=True, slots=True)
class _SearchedComponent:
    """`proven`: all levels but the order are; then `forced` are places whose choice is the same in every optimum."""

    search: Search
    forced: frozenset[int]
    levels: tuple[Level, ...]
    proven: bool


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
    1 0 UNKNOWN False
    >>> {level.name: level.value for level in solution.levels if level.value}
    {'required': 2, 'places': 2, 'unknown': 1, 'prefer-1': 2}
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
        relaxed = relax(layout, component)
        decided = _decided(layout, component, relaxed)
        if decided is not None:
            solved.append(decided)
            continue
        found = relaxed.assignment
        is_allowed = is_feasible(layout, component, found)
        incumbent = found if is_allowed else first_incumbent(layout, relaxed.component, relaxed.flow)
        for part in fix_by_reduced_cost(layout, relaxed.component, relaxed.flow, incumbent):
            relaxed = relax(layout, part)
            decided = _decided(layout, part, relaxed)
            if decided is not None:
                solved.append(decided)
            else:
                unsolved.append(
                    _OpenComponent(part, incumbent.among(part.edges), relaxed, forced_by_flow(relaxed.flow))
                )
    searched: list[_SearchedComponent] = []
    for number, one in enumerate(unsolved):
        seconds = budget.left * _PLACEMENT_SHARE / (len(unsolved) - number)
        searched.append(_searched(layout, one, budget, seconds))
    for number, one_searched in enumerate(searched):
        # What the placements leave of their time, so that none of them is worse for it.
        seconds = budget.left * _PLACEMENT_SHARE / (len(searched) - number) if one_searched.proven else 0.0
        search = one_searched.search
        standings = standings_by_search(search, one_searched.forced, layout.alike, budget, seconds)
        solved.append(_SolvedComponent(search.best, one_searched.levels, standings))
    return _solution(problem, layout, solved, budget)


def most_filled(problem: AssignmentProblem, *, budget_seconds: float = 10.0) -> tuple[int, int, int]:
    """The most pins honoured, then required places filled, then places filled: the first three levels of `solve` without the
    rest, for trials that ask for nothing else. Out of budget they are what was found."""
    (pins, required, places), _ = best_counts(lay_out_counts(problem), SolverBudget(budget_seconds))
    return pins, required, places


def _decided(layout: Layout, component: Component, relaxed: Relaxation) -> _SolvedComponent | None:
    """The solution where the flow alone decides the component: it has no side constraints and no bonus, or a single optimum
    that satisfies them and earns those."""
    found = relaxed.assignment
    if not component.side_constraints and not component.bonuses:
        return _as_solved(layout, found, standings_by_flow(relaxed.flow, layout.alike))
    if relaxed.inexact is not None or not is_feasible(layout, component, found):
        return None
    if len(forced_by_flow(relaxed.flow)) < len(component.places):
        return None
    return _as_solved(layout, found, {layout.edges[edge].place: FORCED for edge in found.edges})


def _as_solved(layout: Layout, assignment: Assignment, standings: Mapping[int, Standing]) -> _SolvedComponent:
    losses = (loss(layout, level, assignment) for level in range(len(layout.levels)))
    levels = [reported_level(name, lost, lost) for name, lost in zip(layout.levels, losses, strict=True)]
    return _SolvedComponent(assignment, (*levels, reported_level("order", 0, 0)), standings)


def _searched(layout: Layout, one: _OpenComponent, budget: SolverBudget, seconds: float) -> _SearchedComponent:
    component, relaxed, stop = one.component, one.relaxed, budget.left - seconds
    if relaxed.inexact is None and is_feasible(layout, component, relaxed.assignment):
        search = Search(layout, component, relaxed.assignment)
        search.fix_levels()
        others = sorted(set(component.places) - one.forced)
        forced = one.forced | forced_by_search(search, others, budget, seconds)
        return _SearchedComponent(search, forced, (*search.levels(), reported_level("order", 0, 0)), True)
    search = Search(layout, component, one.start)
    search.optimise(budget, seconds, relaxed.assignment, relaxed.inexact)
    forced = frozenset()
    proven = all(level.proven for level in search.levels())
    if proven:
        forced = forced_by_search(search, component.places, budget, (budget.left - stop) / 2)
    unproven = search.optimise_order(budget, budget.left - stop, forced)
    return _SearchedComponent(search, forced, (*search.levels(), reported_level("order", unproven, 0)), proven)


def _solution(
    problem: AssignmentProblem, layout: Layout, solved: list[_SolvedComponent], budget: SolverBudget
) -> Solution:
    standings = {place: standing for part in solved for place, standing in part.standings.items()}
    bases = {n: basis_of(layout, n, part.assignment) for part in solved for n in part.assignment.edges}
    bases = {number: shown_basis(problem, layout, number, bases) for number in bases}
    placements = []
    for part in solved:
        for number in part.assignment.edges:
            edge, basis = layout.edges[number], bases[number]
            stands = standings[edge.place] if basis is Basis.FIRM else _OPEN
            placements.append(Placement(edge.place, edge.holding, basis, stands.forced, stands.instead, stands.proven))
    placements.sort(key=lambda placement: placement.place)
    levels = []
    for at, name in enumerate((*layout.levels, "order")):
        each = [part.levels[at] for part in solved]
        base = layout.wanted if name == "shortfall" else 0
        value, bound = base + sum(level.value for level in each), base + sum(level.bound for level in each)
        levels.append(Level(name, value, all(level.proven for level in each), bound))
    possible, possible_proven = len(placements), True
    if not _is_most(problem, layout, levels):
        possible, possible_proven = most_counted(lay_out_possible(problem), placements, budget)
    filled = sum(1 for placement in placements if placement.basis is Basis.FIRM)
    certain, certain_proven = filled, True
    if filled < possible or not possible_proven:
        certain, certain_proven = most_counted(lay_out_certain(problem), placements, budget)
    pins_proven = levels[0].proven
    return Solution(
        placements=tuple(placements),
        levels=tuple(levels),
        # Should better pins be found on the way, the answer at hand still stands.
        certain=max(certain, filled),
        certain_proven=certain_proven and pins_proven,
        possible=max(possible, len(placements), certain),
        possible_proven=possible_proven and pins_proven,
    )


def _is_most(problem: AssignmentProblem, layout: Layout, levels: list[Level]) -> bool:
    """Whether no assignment under as many pins has more placements: there is one tier only, or neither rules nor pins that
    do not hold could trade places between the tiers."""
    by_name = {level.name: level for level in levels}
    if len(set(problem.required)) <= 1:
        return by_name["required"].proven and by_name["places"].proven
    pins = sum(edge.pinned for edge in layout.edges) + len(problem.group_pins)
    return not layout.side_constraints and by_name["pins"].value == pins

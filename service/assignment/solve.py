"""Which holding is placed where: the solution of a whole problem, with proof.

Places that no set-level rule reaches are solved together, on arrays. The components of the others are solved one by one.
Without side constraints the flow decides everything, exactly; it does so too where it has one optimum and that is feasible.
What remains is reduced by its reduced costs and searched with CP-SAT.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.assignment.certainty import (
    FORCED,
    Standing,
    best_counts,
    forced_by_flow,
    forced_by_search,
    most_counted,
    standings_by_flow,
    standings_by_search,
)
from service.assignment.components import (
    COUNT_LEVELS,
    Component,
    Layout,
    components,
    lay_out,
    lay_out_certain,
    lay_out_counts,
    lay_out_possible,
)
from service.assignment.cp_sat import SolverBudget
from service.assignment.heuristics import first_incumbent, greedy_assignment, is_feasible
from service.assignment.levels import (
    Assignment,
    assignment_of,
    basis_of,
    level_spreads,
    loss,
    reported_level,
    shown_basis,
    value_of,
)
from service.assignment.network import all_losses, pins_of
from service.assignment.problem import AssignmentProblem, Basis, Level, Placement, Solution
from service.assignment.reduction import fix_by_linear_prices, fix_by_reduced_cost
from service.assignment.relaxation import Relaxation, relax
from service.assignment.search import SEARCH_PASSES, Search
from service.assignment.unruled import Parted, Unruled, most_unruled, parted, solve_unruled

_PLACEMENT_SHARE = 0.9
"""The part of the budget for the placements; the rest is for counting the certain places."""
_PRICES_SHARE = 0.3
"""The largest part of the budget that is left for the linear relaxation of a component."""
_RELAXED_PASSES = 6
_PRICED_PASSES = 10
"""How often the flow of a component, and then its prices, look at each edge (`SolverBudget.affords`)."""
_FEW_EDGES = 1_000
_OPEN = Standing(False)
_BASES = tuple(Basis)


@dataclass(frozen=True, slots=True)
class _SolvedComponent:
    """`standings` say how firmly the holding of each filled place stands."""

    assignment: Assignment
    levels: tuple[Level, ...]
    standings: Mapping[int, Standing]


@dataclass(frozen=True, slots=True)
class _OpenComponent:
    """A component that the flow alone does not decide. `start` is feasible; `relaxed` is the canonical optimum without
    side constraints, and `forced` the places whose choice all such optima share. The first `proven` levels of the start are
    optimal."""

    component: Component
    start: Assignment
    relaxed: Relaxation
    forced: frozenset[int]
    proven: int


@dataclass(frozen=True, slots=True)
class _SearchedComponent:
    """`proven`: all levels but the order are; then `forced` are places whose choice is the same in every optimum."""

    search: Search
    forced: frozenset[int]
    levels: tuple[Level, ...]
    proven: bool


def solve(
    problem: AssignmentProblem,
    *,
    budget_seconds: float = 10.0,
    with_standings: bool = True,
    budget: SolverBudget | None = None,
    known: Sequence[Placement] = (),
    counts: tuple[int, int] | None = None,
) -> Solution:
    """The best assignment on every level of the problem in order, with what is proven of it. `with_standings` false: no
    placement says how firmly it stands (`forced` and `instead` are not told), for whoever asks only who sits where;
    everything else is the same.

    Levels and rules are those of `service.assignment.problem`. Ties are broken by the last level, `order`: place by place
    the first holding that still allows the best, so the answer does not depend on the order of edges or rules. Raises
    ValueError, naming every fault, when the problem violates its contract (`components.lay_out`).

    `budget_seconds` are deterministic seconds of the solver, shared by the components that need a search: the same
    problem has the same answer on a busy machine. A `budget` given instead is shared with whatever else uses it. Without
    set-level rules none is used, and everything is proven: the time is a shortest path for each place, the memory linear in
    edges. With them the steps around the solver are bounded by as many seconds again, counted in edges; past those the
    answer is one that keeps every rule. `known` are placements that keep the rules: a search starts from them. `counts`
    are `certain` and `possible` of the answer, of whoever has proven them: they are not looked for again. Under
    set-level rules the problem is NP-hard in general; when the budget runs out the answer still satisfies every rule, and its
    levels say what is not proven.

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
    part = parted(problem)
    budget = budget or SolverBudget(budget_seconds)
    unruled = solve_unruled(part)
    if part.ruled is None:
        return _solution(part, unruled, None, [], budget, counts)
    layout = lay_out(part.ruled)
    return _solution(part, unruled, layout, _solved(layout, budget, with_standings, known), budget, counts)


def _solved(
    layout: Layout, budget: SolverBudget, with_standings: bool, known: Sequence[Placement]
) -> list[_SolvedComponent]:
    """The components of a layout, one by one."""
    solved: list[_SolvedComponent] = []
    unsolved: list[_OpenComponent] = []
    for component in components(layout):
        if not budget.affords(_RELAXED_PASSES, len(component.edges)):
            solved.append(_unsearched(layout, component, _greedy(layout, component, known), None))
            continue
        relaxed = relax(layout, component)
        decided = _decided(layout, component, relaxed, with_standings)
        if decided is not None:
            solved.append(decided)
            continue
        found = relaxed.assignment
        is_allowed = is_feasible(layout, component, found)
        if is_allowed:
            incumbent = found
        elif known:
            incumbent = _greedy(layout, component, known)
        else:
            incumbent = first_incumbent(layout, relaxed.component, relaxed.flow, budget)
        if not budget.affords(_PRICED_PASSES + SEARCH_PASSES, len(component.edges)):
            solved.append(_unsearched(layout, component, incumbent, relaxed))
            continue
        for part in fix_by_reduced_cost(layout, relaxed.component, relaxed.flow, incumbent):
            relaxed = relax(layout, part)
            decided = _decided(layout, part, relaxed, with_standings)
            if decided is not None:
                solved.append(decided)
                continue
            seconds = budget.left * _PRICES_SHARE
            priced = fix_by_linear_prices(layout, part, incumbent.among(part.edges), budget, seconds)
            for smaller in priced.parts:
                relaxed = relax(layout, smaller)
                decided = _decided(layout, smaller, relaxed, with_standings)
                if decided is not None:
                    solved.append(decided)
                    continue
                start, forced = priced.incumbent.among(smaller.edges), forced_by_flow(relaxed.flow)
                unsolved.append(_OpenComponent(smaller, start, relaxed, forced, priced.proven))
    searched: list[_SearchedComponent] = []
    # By size, small ones first: what they leave is for the large ones.
    unsolved.sort(key=lambda one: len(one.component.edges))
    edges_left = sum(len(one.component.edges) for one in unsolved)
    for one in unsolved:
        edges = len(one.component.edges)
        seconds = budget.left * _PLACEMENT_SHARE * edges / edges_left
        searched.append(_searched(layout, one, budget, seconds, with_standings))
        edges_left -= edges
    for number, one_searched in enumerate(searched):
        # What the placements leave of their time, so that none of them is worse for it.
        seconds = budget.left * _PLACEMENT_SHARE / (len(searched) - number) if one_searched.proven else 0.0
        search = one_searched.search
        standings: Mapping[int, Standing] = {}
        if with_standings:
            standings = standings_by_search(search, one_searched.forced, layout.alike, budget, seconds)
        solved.append(_SolvedComponent(search.best, one_searched.levels, standings))
    return solved


def _greedy(layout: Layout, component: Component, known: Sequence[Placement]) -> Assignment:
    """A feasible assignment, found in one look at the edges; `known` ones are preferred."""
    wanted = assignment_of(layout, known).edges if known else frozenset[int]()
    return greedy_assignment(layout, component, wanted.intersection(component.edges))


def _unsearched(
    layout: Layout, component: Component, found: Assignment, relaxed: Relaxation | None
) -> _SolvedComponent:
    """A feasible assignment past the budget. As long as it is as good as the optimum without side constraints, its levels are
    proven; `order` is not."""
    spreads = level_spreads(layout, component)
    is_as_good = relaxed is not None
    levels: list[Level] = []
    for level, name in enumerate(layout.levels):
        lost, (least, _) = loss(layout, level, found), spreads[level]
        if relaxed is not None and relaxed.inexact is not None and level >= relaxed.inexact:
            is_as_good = False
        if relaxed is not None and is_as_good:
            least = loss(layout, level, relaxed.assignment)
        is_as_good = is_as_good and lost == least
        levels.append(reported_level(name, lost, min(least, lost)))
    return _SolvedComponent(found, (*levels, reported_level("order", len(component.places), 0)), {})


def most_filled(problem: AssignmentProblem, budget: SolverBudget | None = None) -> tuple[int, int, int]:
    """The most pins honoured, then required places filled, then places filled: the first three levels of `solve` without the
    rest, for trials that ask for nothing else. Out of budget (left out: ten seconds) they are what was found."""
    part = parted(problem)
    losses = all_losses(problem, part.edges)
    counts = most_unruled(part, [losses[name] for name in COUNT_LEVELS[:3]])
    if part.ruled is not None:
        more, _ = best_counts(lay_out_counts(part.ruled), budget or SolverBudget(10.0))
        counts = [one + other for one, other in zip(counts, more, strict=True)]
    pins, required, places = counts
    return pins, required, places


def _decided(
    layout: Layout, component: Component, relaxed: Relaxation, with_standings: bool
) -> _SolvedComponent | None:
    """The solution where the flow alone decides the component: it has no side constraints and no bonus, or its first optimum
    satisfies them and earns those, and either is the only one or it is not asked how firmly it stands."""
    found = relaxed.assignment
    if not component.side_constraints and not component.bonuses:
        return _as_solved(layout, found, standings_by_flow(relaxed.flow, layout.alike) if with_standings else {})
    if relaxed.inexact is not None or not is_feasible(layout, component, found):
        return None
    if not with_standings:
        return _as_solved(layout, found, {})
    if len(forced_by_flow(relaxed.flow)) < len(component.places):
        return None
    return _as_solved(layout, found, {layout.edges[edge].place: FORCED for edge in found.edges})


def _as_solved(layout: Layout, assignment: Assignment, standings: Mapping[int, Standing]) -> _SolvedComponent:
    losses = (loss(layout, level, assignment) for level in range(len(layout.levels)))
    levels = [reported_level(name, lost, lost) for name, lost in zip(layout.levels, losses, strict=True)]
    return _SolvedComponent(assignment, (*levels, reported_level("order", 0, 0)), standings)


def _searched(
    layout: Layout, one: _OpenComponent, budget: SolverBudget, seconds: float, with_standings: bool
) -> _SearchedComponent:
    component, relaxed, stop = one.component, one.relaxed, budget.left - seconds
    if relaxed.inexact is None and is_feasible(layout, component, relaxed.assignment):
        search = Search(layout, component, relaxed.assignment)
        search.fix_levels()
        others = sorted(set(component.places) - one.forced)
        forced = one.forced | forced_by_search(search, others, budget, seconds)
        return _SearchedComponent(search, forced, (*search.levels(), reported_level("order", 0, 0)), True)
    search = Search(layout, component, one.start)
    if one.proven == len(layout.levels):
        search.fix_levels()
    else:
        search.optimise(budget, seconds, relaxed.assignment, relaxed.inexact, one.proven)
    forced = frozenset()
    proven = all(level.proven for level in search.levels())
    # The order of a small component is found as fast without knowing them.
    if proven and (with_standings or len(component.edges) > _FEW_EDGES):
        forced = forced_by_search(search, component.places, budget, (budget.left - stop) / 2)
    unproven = search.optimise_order(budget, budget.left - stop, forced)
    return _SearchedComponent(search, forced, (*search.levels(), reported_level("order", unproven, 0)), proven)


def _solution(
    part: Parted,
    unruled: Unruled,
    layout: Layout | None,
    solved: list[_SolvedComponent],
    budget: SolverBudget,
    counts: tuple[int, int] | None,
) -> Solution:
    problem = part.problem
    placements = _unruled_placements(unruled)
    if layout is not None:
        placements += _ruled_placements(problem, layout, solved)
        placements.sort(key=lambda placement: placement.place)
    levels = []
    for at, name in enumerate((*unruled.values, "order")):
        each = [one.levels[at] for one in solved]
        base = layout.wanted if layout is not None and name == "shortfall" else 0
        base += reported_level(name, unruled.values.get(name, 0), 0).value
        value, bound = base + sum(level.value for level in each), base + sum(level.bound for level in each)
        levels.append(Level(name, value, all(level.proven for level in each), bound))
    filled = sum(1 for placement in placements if placement.basis is Basis.FIRM)
    possible, possible_proven = len(placements), True
    certain, certain_proven = filled, True
    if counts is not None:
        certain, possible = counts
    else:
        if not _is_most(part, layout, levels):
            possible, possible_proven = _most_possible(part, placements, budget)
        if filled < possible or not possible_proven:
            certain, certain_proven = _most_certain(part, placements, budget)
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


def _unruled_placements(unruled: Unruled) -> list[Placement]:
    edges = unruled.edges.at(unruled.chosen)
    found = []
    for place, holding, number in zip(edges.place.tolist(), edges.holding.tolist(), edges.basis.tolist(), strict=True):
        basis = _BASES[number]
        stands = unruled.standings[place] if basis is Basis.FIRM else _OPEN
        found.append(Placement(place, holding, basis, stands.forced, stands.instead, stands.proven))
    return found


def _ruled_placements(problem: AssignmentProblem, layout: Layout, solved: list[_SolvedComponent]) -> list[Placement]:
    standings = {place: standing for part in solved for place, standing in part.standings.items()}
    bases = {n: basis_of(layout, n, part.assignment) for part in solved for n in part.assignment.edges}
    bases = {number: shown_basis(problem, layout, number, bases) for number in bases}
    placements = []
    for part in solved:
        for number in part.assignment.edges:
            edge, basis = layout.edges[number], bases[number]
            stands = standings.get(edge.place, _OPEN) if basis is Basis.FIRM else _OPEN
            placements.append(Placement(edge.place, edge.holding, basis, stands.forced, stands.instead, stands.proven))
    return placements


def _is_most(part: Parted, layout: Layout | None, levels: list[Level]) -> bool:
    """Whether no assignment under as many pins has more placements: there is one tier only, or neither rules nor pins that
    do not hold could trade places between the tiers."""
    by_name = {level.name: level for level in levels}
    if len(set(part.problem.required)) <= 1:
        return by_name["required"].proven and by_name["places"].proven
    pins = int(part.all_edges.pinned.sum()) + len(part.problem.group_pins)
    return (layout is None or not layout.side_constraints) and by_name["pins"].value == pins


# --- how many -------------------------------------------------------------------------------------------------------


def most_certain(problem: AssignmentProblem, placements: Iterable[Placement], budget: SolverBudget) -> tuple[int, bool]:
    """`Solution.certain`: the most firm placements under as many pins as can be, and whether that is proven. Out of budget
    it is a lower bound. `placements` keep every rule; where they are as good as the flow in a component, no search is
    needed."""
    return _most_certain(parted(problem), placements, budget)


def _most_certain(part: Parted, placements: Iterable[Placement], budget: SolverBudget) -> tuple[int, bool]:
    pins, is_firm = pins_of(part.edges, part.problem.group_pins), part.edges.basis == Basis.FIRM
    _, most = most_unruled(part, [pins, -is_firm.astype(np.int64)])
    if part.ruled is None:
        return most, True
    more, proven = most_counted(lay_out_certain(part.ruled), placements, budget)
    return most + more, proven


def most_possible(
    problem: AssignmentProblem, placements: Iterable[Placement], budget: SolverBudget
) -> tuple[int, bool]:
    """`Solution.possible`: the most placements under as many pins as can be; else as `most_certain`."""
    return _most_possible(parted(problem), placements, budget)


def _most_possible(part: Parted, placements: Iterable[Placement], budget: SolverBudget) -> tuple[int, bool]:
    _, most = most_unruled(part, [pins_of(part.edges, part.problem.group_pins), -1])
    if part.ruled is None:
        return most, True
    more, proven = most_counted(lay_out_possible(part.ruled), placements, budget)
    return most + more, proven


def level_values(problem: AssignmentProblem, placements: Iterable[Placement]) -> dict[str, int]:
    """What these placements of the problem come to on each level but `order`, as it is reported."""
    part = parted(problem)
    placed = list(placements)
    losses = all_losses(problem, part.edges)
    network = part.network(tuple(losses.values()))
    chosen = np.array(part.edges.positions((one.place, one.holding) for one in placed), np.int64)
    found = {name: reported_level(name, network.total(at, chosen), 0).value for at, name in enumerate(losses)}
    if part.ruled is not None:
        layout = lay_out(part.ruled)
        own = assignment_of(layout, placed)
        for at, name in enumerate(layout.levels):
            found[name] += value_of(layout, at, own)
    return found

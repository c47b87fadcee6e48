"""Which holding sits in which place: the answer to a whole instance, with proof.

Components are solved one by one. Without bonds the flow decides everything, exactly; so it does where it has one optimum
and that keeps every bond. The rest is narrowed to what could still matter, and searched. Pieces of one holding under
`same` count as surely alike, whatever the key is.

Order of edges in the problem never matters. Time without bonds: a shortest path for each place; memory linear in edges.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.assignment.certainty import certain_places, forced_by_flow, forced_by_search
from service.assignment.components import Component, Layout, components, lay_out, lay_out_certain
from service.assignment.flow import selected_edges, solve_flow
from service.assignment.problem import AssignmentProblem, Basis, Level, Placement, Solution
from service.assignment.reduction import first_incumbent, fix_by_reduced_cost
from service.assignment.search import Assignment, Search, SolverBudget, is_feasible, loss, reported_level

_PLACEMENT_SHARE = 0.9
"""The part of the budget that placing may use; the rest is for counting the certain places."""


@dataclass(frozen=True, slots=True)
class _SolvedComponent:
    """The answer to one component; `forced` are the places whose choice is the same in every optimum."""

    taken: Assignment
    levels: tuple[Level, ...]
    forced: frozenset[int]


def solve(problem: AssignmentProblem, *, budget_seconds: float = 10.0) -> Solution:
    """The best assignment on every level of the problem in order (see `service.assignment.problem`).

    `budget_seconds` are deterministic seconds of the solver, about as long as real ones, shared by the components that
    need a search: the same problem has the same answer on a busy machine. When they run out the answer still keeps
    every rule, and its levels say what is not proven. The last level, `order`, counts the places whose choice among
    equals is not proven to be the first. Raises ValueError when the problem breaks its own contract, a cost over 2**60
    included.
    """
    board = lay_out(problem)
    meter = SolverBudget(budget_seconds)
    parts: list[_SolvedComponent] = []
    hard: list[tuple[Component, Assignment, Assignment, frozenset[int]]] = []
    for component in components(board):
        filling = solve_flow(board, component)
        free, forced = Assignment(selected_edges(board, component, filling)), forced_by_flow(filling)
        if _is_answered(component, free, forced):
            parts.append(_as_filled(board, free, forced))
            continue
        answer = free if is_feasible(component, free) else first_incumbent(board, component, filling)
        for piece in fix_by_reduced_cost(board, component, filling, answer):
            filling = solve_flow(board, piece)
            free, forced = Assignment(selected_edges(board, piece, filling)), forced_by_flow(filling)
            if _is_answered(piece, free, forced):
                parts.append(_as_filled(board, free, forced))
            else:
                start = Assignment(answer.edges.intersection(piece.edges), answer.tentative.intersection(piece.edges))
                hard.append((piece, start, free, forced))
    for number, (piece, start, free, forced) in enumerate(hard):
        share = meter.left * _PLACEMENT_SHARE / (len(hard) - number)
        parts.append(_searched(board, piece, start, free, forced, meter, share))
    return _whole(problem, board, parts, meter)


def _is_answered(component: Component, free: Assignment, forced: frozenset[int]) -> bool:
    """Whether the flow alone says everything: nothing is bound, or there is but one optimum and it keeps the bonds."""
    return not component.bonds or (is_feasible(component, free) and len(forced) == len(component.places))


def _as_filled(board: Layout, taken: Assignment, forced: frozenset[int]) -> _SolvedComponent:
    lost = (loss(board, level, taken) for level in range(len(board.levels)))
    levels = [reported_level(name, value, value) for name, value in zip(board.levels, lost, strict=True)]
    return _SolvedComponent(taken, (*levels, reported_level("order", 0, 0)), forced)


def _searched(
    board: Layout,
    component: Component,
    start: Assignment,
    free: Assignment,
    forced: frozenset[int],
    meter: SolverBudget,
    share: float,
) -> _SolvedComponent:
    """A component under bonds. `start` keeps them; `free` is the first optimum without them, in all of which the places
    of `forced` are alike."""
    stop = meter.left - share
    if is_feasible(component, free):
        search = Search(board, component, free)
        search.hold()
        open_places = sorted(set(component.places) - forced)
        return _as_filled(board, free, forced | forced_by_search(search, open_places, meter, share))
    search = Search(board, component, start)
    search.optimise(meter, share, floor=free)
    always: frozenset[int] = frozenset()
    if all(level.proven for level in search.levels()):
        always = forced_by_search(search, component.places, meter, (meter.left - stop) / 2)
    unordered = search.put_in_order(meter, meter.left - stop, always)
    return _SolvedComponent(search.best, (*search.levels(), reported_level("order", unordered, 0)), always)


def _whole(problem: AssignmentProblem, board: Layout, parts: list[_SolvedComponent], meter: SolverBudget) -> Solution:
    taken = frozenset(edge for part in parts for edge in part.taken.edges)
    tentative = frozenset(edge for part in parts for edge in part.taken.tentative)
    forced = frozenset(place for part in parts for place in part.forced)
    placements = []
    for number in sorted(taken):
        edge, standing = board.edges[number], board.standings[number]
        firm = standing.wavers and number not in tentative
        placements.append(
            Placement(edge.place, edge.holding, Basis.FIRM if firm else standing.doubt, edge.place in forced)
        )
    levels = []
    for at, name in enumerate((*board.levels, "order")):
        each = [part.levels[at] for part in parts]
        value, bound = sum(level.value for level in each), sum(level.bound for level in each)
        levels.append(Level(name, value, all(level.proven for level in each), bound))
    firm_seats = frozenset((p.place, p.holding) for p in placements if p.basis is Basis.FIRM)
    if len(firm_seats) == len(placements) and _is_most(problem, levels):
        # Firm edges alone fill what all edges together can fill at most.
        certain, certain_proven = len(placements), True
    else:
        certain, certain_proven = certain_places(lay_out_certain(problem), firm_seats, meter)
    return Solution(
        tuple(placements), tuple(levels), certain, certain_proven, proven=all(level.proven for level in levels)
    )


def _is_most(problem: AssignmentProblem, levels: list[Level]) -> bool:
    """Whether the level `places` is the most that can be filled at all: proven, and with no pin or tier before it."""
    places = next(level for level in levels if level.name == "places")
    one_tier = len(set(problem.required)) <= 1
    return places.proven and one_tier and not any(edge.pinned for edge in problem.edges)

"""Which holding sits in which place: the answer to a whole instance, with proof.

Components are solved one by one. Without bonds the flow decides everything, exactly; so it does where it has one optimum
and that keeps every bond. The rest is narrowed to what could still matter, and searched. Pieces of one holding under
`same` count as surely alike, whatever the key is.

Order of edges in the problem never matters. Time without bonds: a shortest path for each place; memory linear in edges.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.assignment.certainty import always_bound, always_free, certain_places
from service.assignment.components import Component, Layout, components, lay_out_certain, lay_out_components
from service.assignment.flow import fill, taken_edges
from service.assignment.problem import Basis, Level, Placement, Problem, Solution
from service.assignment.reduction import first_answer, narrow
from service.assignment.search import Meter, Reached, Search, as_level, loss, obeys

FOR_PLACING = 0.9
"""The part of the budget that placing may use; the rest is for counting the certain places."""


@dataclass(frozen=True, slots=True)
class SolvedPart:
    """The answer to one component; `forced` are the places whose choice is the same in every optimum."""

    taken: Reached
    levels: tuple[Level, ...]
    forced: frozenset[int]


def solve(problem: Problem, *, budget_seconds: float = 10.0) -> Solution:
    """The best assignment on every level of the problem in order (see `service.assignment.problem`).

    `budget_seconds` are deterministic seconds of the solver, about as long as real ones, shared by the components that
    need a search: the same problem has the same answer on a busy machine. When they run out the answer still keeps
    every rule, and its levels say what is not proven. The last level, `order`, counts the places whose choice among
    equals is not proven to be the first. Raises ValueError when the problem breaks its own contract, a cost over 2**60
    included.
    """
    board = lay_out_components(problem)
    meter = Meter(budget_seconds)
    parts: list[SolvedPart] = []
    hard: list[tuple[Component, Reached, Reached, frozenset[int]]] = []
    for component in components(board):
        filling = fill(board, component)
        free, forced = Reached(taken_edges(board, component, filling)), always_free(filling)
        if _is_answered(component, free, forced):
            parts.append(_as_filled(board, free, forced))
            continue
        answer = free if obeys(component, free) else first_answer(board, component, filling)
        for piece in narrow(board, component, filling, answer):
            filling = fill(board, piece)
            free, forced = Reached(taken_edges(board, piece, filling)), always_free(filling)
            if _is_answered(piece, free, forced):
                parts.append(_as_filled(board, free, forced))
            else:
                start = Reached(answer.edges.intersection(piece.edges), answer.tentative.intersection(piece.edges))
                hard.append((piece, start, free, forced))
    for number, (piece, start, free, forced) in enumerate(hard):
        share = meter.left * FOR_PLACING / (len(hard) - number)
        parts.append(_searched(board, piece, start, free, forced, meter, share))
    return _whole(problem, board, parts, meter)


def _is_answered(component: Component, free: Reached, forced: frozenset[int]) -> bool:
    """Whether the flow alone says everything: nothing is bound, or there is but one optimum and it keeps the bonds."""
    return not component.bonds or (obeys(component, free) and len(forced) == len(component.places))


def _as_filled(board: Layout, taken: Reached, forced: frozenset[int]) -> SolvedPart:
    lost = (loss(board, level, taken) for level in range(len(board.levels)))
    levels = [as_level(name, value, value) for name, value in zip(board.levels, lost, strict=True)]
    return SolvedPart(taken, (*levels, as_level("order", 0, 0)), forced)


def _searched(
    board: Layout,
    component: Component,
    start: Reached,
    free: Reached,
    forced: frozenset[int],
    meter: Meter,
    share: float,
) -> SolvedPart:
    """A component under bonds. `start` keeps them; `free` is the first optimum without them, in all of which the places
    of `forced` are alike."""
    stop = meter.left - share
    if obeys(component, free):
        search = Search(board, component, free)
        search.hold()
        open_places = sorted(set(component.places) - forced)
        return _as_filled(board, free, forced | always_bound(search, open_places, meter, share))
    search = Search(board, component, start)
    search.optimise(meter, share, floor=free)
    always: frozenset[int] = frozenset()
    if all(level.proven for level in search.levels()):
        always = always_bound(search, component.places, meter, (meter.left - stop) / 2)
    unordered = search.put_in_order(meter, meter.left - stop, always)
    return SolvedPart(search.best, (*search.levels(), as_level("order", unordered, 0)), always)


def _whole(problem: Problem, board: Layout, parts: list[SolvedPart], meter: Meter) -> Solution:
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


def _is_most(problem: Problem, levels: list[Level]) -> bool:
    """Whether the level `places` is the most that can be filled at all: proven, and with no pin or tier before it."""
    places = next(level for level in levels if level.name == "places")
    one_tier = len(set(problem.required)) <= 1
    return places.proven and one_tier and not any(edge.pinned for edge in problem.edges)

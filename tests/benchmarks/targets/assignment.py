"""Exact assignment with all levels, the canonical order and certainty, beside the quickest library's for one packed objective."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from service.assignment.edges import Edges
from service.assignment.problem import AssignmentProblem, Placement, Solution
from service.assignment.solve import solve
from tests.benchmarks import peers
from tests.benchmarks.data import a_problem
from tests.benchmarks.race import Side, race
from tests.benchmarks.target import Measurement, Scale, Target

SIZES = {Scale.QUICK: (2_000, 100), Scale.USUAL: (10_000, 500), Scale.FULL: (10_000, 500)}
TYPICAL, HARD = (1, 3), (20, 30)


def worth(problem: AssignmentProblem, placements: tuple[Placement, ...]) -> int:
    """What the placements cost as one packed number, empty places included."""
    costs, empty = peers.packed(problem)
    cost_of = {(edge.place, edge.holding): cost for edge, cost in zip(problem.edges, costs, strict=True)}
    filled = sum(cost_of[one.place, one.holding] for one in placements)
    return filled + empty * (len(problem.required) - len(placements))


def against_scipy(fits: tuple[int, int], *, from_arrays: bool) -> Callable[[Scale], Measurement]:
    def measure(scale: Scale) -> Measurement:
        holdings, places = SIZES[scale]
        problem = a_problem(holdings, places, fits)
        if from_arrays:
            # As the service makes them: by place, then holding.
            problem = replace(problem, edges=Edges.of(problem.edges, problem.preference_levels).ordered())
        last: list[Solution] = []

        def agree(found: Solution, cost: int) -> bool:
            # What the same placements cost is worked out once.
            if last and last[0].placements == found.placements:
                return found.proven and last_cost[0] == cost
            last[:], last_cost[:] = [found], [worth(problem, found.placements)]
            return found.proven and last_cost[0] == cost

        def ours() -> Solution:
            # What arrays remember of themselves, their order for one, is found anew.
            return solve(replace(problem, edges=replace(problem.edges)) if from_arrays else problem)

        last_cost: list[int] = []
        peer = Side(peers.scipy_dense(problem, from_arrays=from_arrays))
        times = race(Side(ours), peer, agree, seconds=5.0)
        return Measurement(f"{holdings:,} x {places:,}, {len(problem.edges):,} edges", times.ours, times.theirs)

    return measure


def _target(regime: str, bound: float, fits: tuple[int, int], *, quick: bool = False) -> tuple[Target, Target]:
    what = f"assignment with order and certainty, {fits[0]}-{fits[1]} places a coin"
    peer = "scipy dense from the same edges, packed into one cost, no certainty"
    name, group = f"assignment-{regime}", "assignment"
    objects, arrays = (against_scipy(fits, from_arrays=one) for one in (False, True))
    return (
        Target(name, group, what, peer, "at least", bound, objects, quick=quick),
        Target(f"{name}-arrays", group, f"{what}, edges as arrays", peer, "at least", bound, arrays),
    )


TARGETS = (*_target("typical", 8, TYPICAL, quick=True), *_target("hard", 3.5, HARD))

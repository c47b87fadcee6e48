"""Exact assignment with all levels, the canonical order and certainty, beside the quickest library's for one packed objective."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

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


def against_scipy(fits: tuple[int, int]) -> Callable[[Scale], Measurement]:
    def measure(scale: Scale) -> Measurement:
        holdings, places = SIZES[scale]
        problem = a_problem(holdings, places, fits)

        def agree(ours: Solution, cost: int) -> bool:
            return ours.proven and worth(problem, ours.placements) == cost

        ours, size = Side(lambda: solve(problem)), f"{holdings:,} x {places:,}, {len(problem.edges):,} edges"
        times = race(ours, Side(peers.scipy_dense(problem)), agree, seconds=5.0)
        bare = race(ours, Side(peers.scipy_dense(problem, is_packed=True)), agree, least=1)
        note = f"scipy from costs packed before: {bare.theirs * 1e3:.1f} ms, {bare.theirs / bare.ours:.2g}x"
        return Measurement(size, times.ours, times.theirs, note=note)

    return measure


def _target(regime: str, bound: float, fits: tuple[int, int], **more: Any) -> Target:
    what = f"assignment with order and certainty, {fits[0]}-{fits[1]} places a coin"
    peer = "scipy dense from the same edges, packed into one cost, no certainty"
    return Target(f"assignment-{regime}", "assignment", what, peer, "at least", bound, against_scipy(fits), **more)


TARGETS = (_target("typical", 8, TYPICAL, quick=True), _target("hard", 3.5, HARD))

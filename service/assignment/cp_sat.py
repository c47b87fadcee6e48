"""How this package asks CP-SAT: one worker, a fixed seed, and a budget in the solver's deterministic seconds.

Deterministic seconds count the solver's work, not time, and are about as long as real ones; so an answer does not depend
on how busy the machine is. ortools is imported on first use: it takes about a second and 90 MB.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Terms = dict[int, int]
"""A linear expression: coefficients by the number of a variable in the model."""
SEED = 1882
SECONDS_PER_EDGE = 4e-6
"""About what one look at an edge takes outside the solver."""
SECONDS_ALWAYS = 0.5
"""What the steps outside the solver may take whatever the budget is."""
_SMALL = 1_000
"""Up to so many variables a model is first solved as it is: simplifying it takes longer than most of them need."""
_SMALL_SECONDS = 0.01
"""Deterministic seconds of that; of a budget of less than four times as many a quarter."""


@dataclass(slots=True)
class SolverCounts:
    """Runs of the solver in this process since the start, by whether it proved its answer, and its deterministic seconds."""

    proven: int = 0
    unproven: int = 0
    seconds: float = 0.0


# Each of the additions below is one step of the interpreter's, so that threads cannot come between.
COUNTS = SolverCounts()


class SolverBudget:
    """Deterministic seconds that are left, shared by all searches of one call: `left` of the solver, and `aside` of the steps
    around it that can be left out (laying out a search, proofs by flows), which are counted in edges. Both start as the
    same, but for what is always allowed aside, and neither takes from the other."""

    def __init__(self, seconds: float) -> None:
        self.left = seconds
        self.aside = max(seconds, 0.0) + SECONDS_ALWAYS

    def spend(self, seconds: float) -> None:
        """Subtract what a step used."""
        self.left -= seconds

    def affords(self, passes: float, edges: int) -> bool:
        """Whether a step that looks so many times at so many edges may be made; it is then taken off `aside`."""
        seconds = passes * edges * SECONDS_PER_EDGE
        if seconds > self.aside:
            return False
        self.aside -= seconds
        return True

    @contextmanager
    def lent(self, seconds: float) -> Iterator[SolverBudget]:
        """A budget of so many seconds, or of what is left; what it used is then taken off this one."""
        granted, granted_aside = max(0.0, min(seconds, self.left)), max(0.0, min(seconds + SECONDS_ALWAYS, self.aside))
        lent = SolverBudget(granted)
        lent.aside = granted_aside
        try:
            yield lent
        finally:
            self.left -= granted - lent.left
            self.aside -= granted_aside - lent.aside


def load_solver() -> None:
    """Imports it now. It starts no thread before it is asked to solve."""
    from ortools.sat.python import cp_model  # noqa: F401


def run_solver(
    model: cp_model.CpModel,
    hints: Iterable[tuple[cp_model.IntVar, int]],
    budget: SolverBudget,
    seconds: float,
    *,
    as_it_is: bool = False,
) -> tuple[cp_model.CpSolver, cp_model.CpSolverStatus]:
    """Solve the model within so many deterministic seconds, which are taken off the budget. `hints` are the values of a
    known answer by variable. `as_it_is`: a small model is solved without simplifying it first, for whom any of several optima
    will do. The parameters were chosen by measurement: probing and symmetry detection cost more than
    they save on these models."""
    from ortools.sat.python import cp_model

    model.clear_hints()  # type: ignore[no-untyped-call]  # ortools leaves this one unannotated
    known = [(variable.index, int(value)) for variable, value in hints]
    model.proto.solution_hint.vars.extend([index for index, _ in known])
    model.proto.solution_hint.values.extend([value for _, value in known])
    solver, status, spent = None, cp_model.UNKNOWN, 0.0
    if as_it_is and len(model.proto.variables) <= _SMALL:
        solver = _solver(min(_SMALL_SECONDS, seconds / 4))
        solver.parameters.cp_model_presolve = False
        status = solver.solve(model)
        spent = solver.response_proto.deterministic_time
    if solver is None or status not in (cp_model.OPTIMAL, cp_model.INFEASIBLE):
        solver = _solver(seconds - spent)
        status = solver.solve(model)
        spent += solver.response_proto.deterministic_time
    budget.spend(spent)
    COUNTS.seconds += spent
    if status in (cp_model.OPTIMAL, cp_model.INFEASIBLE):
        COUNTS.proven += 1
    else:
        COUNTS.unproven += 1
    return solver, status


def _solver(seconds: float) -> cp_model.CpSolver:
    from ortools.sat.python import cp_model

    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = SEED
    solver.parameters.linearization_level = 2
    solver.parameters.symmetry_level = 0
    solver.parameters.cp_model_probing_level = 0
    solver.parameters.max_deterministic_time = seconds
    return solver


def bound_told(solver: cp_model.CpSolver, status: cp_model.CpSolverStatus) -> int | None:
    """The bound that the solver proved of a whole objective to be minimised; None where it has none."""
    from ortools.sat.python import cp_model

    bound = solver.best_objective_bound
    # Where the solver stops before it has a bound it tells 0.
    if not math.isfinite(bound) or (status == cp_model.UNKNOWN and bound == 0):
        return None
    return math.ceil(bound - 1e-6)

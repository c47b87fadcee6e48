"""Bounds by linear programming, proven in whole numbers, and what they say of single variables.

HiGHS solves the linear relaxation of several objectives in order. Only its dual prices are taken from it, rounded to fixed
fractions: by weak duality any prices give a bound (Lagrange), and that is computed here in whole numbers. So a rounding
error of the solver can make a bound weaker, and never wrong.

Costs and prices of all objectives are compared in order, first to last. Where the first ones are reached exactly, the
later ones are solved on what is left: variables of reduced cost 0, and rows with a price without slack (complementary
slackness, lexicographically).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.cp_sat import SolverBudget, Terms

_Numbers = npt.NDArray[np.int64]
_Flags = npt.NDArray[np.bool_]
_PARTS = 80_640
"""Prices are multiples of one of so many parts: 2**8 * 3**2 * 5 * 7, so that the usual fractions are exact."""
_NEAR = 1e-6
_SECONDS_PER_CELL = 1e-9
"""The deterministic seconds of one iteration for each coefficient, as measured."""
_LARGEST = 2**62


@dataclass
class LinearProgram:
    """Whole variables from 0 to `upper`, and rows `(variables, coefficients, most)`: the sum is at most `most`. None for the
    coefficients: each is 1."""

    upper: list[int] = field(default_factory=list)
    rows: list[tuple[Sequence[int], Sequence[int] | None, int]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Priced:
    """What the prices prove. `reached` objectives, from the first, are proven to have no better values than `values`, which
    satisfy every row. `matters[i]`: variable i may be positive in values as good as these, on these objectives and the next
    one."""

    values: list[int]
    reached: int
    matters: _Flags


def by_prices(
    program: LinearProgram,
    objectives: Sequence[Terms],
    known: Sequence[int],
    budget: SolverBudget,
    seconds: float,
) -> Priced:
    """Minimise the objectives in order as far as the linear program tells. `known` are values that satisfy every row.
    `seconds` are deterministic, taken off the budget."""
    state = _Lexicographic(program, known)
    stop = budget.left - seconds
    reached = 0
    for terms in objectives:
        if not state.solve_next(terms, budget, budget.left - stop):
            break
        reached += 1
    return Priced(state.best.tolist(), reached, state.matters())


class _Lexicographic:
    """`costs`, `reduced` and `bounds` have an entry for each objective solved so far, reduced costs and bounds in parts."""

    def __init__(self, program: LinearProgram, known: Sequence[int]) -> None:
        from scipy.sparse import csr_array

        self.upper: _Numbers = np.array(program.upper, np.int64)
        self.best: _Numbers = np.array(known, np.int64)
        self.most: _Numbers = np.array([most for _, _, most in program.rows], np.int64)
        sizes = [len(numbers) for numbers, _, _ in program.rows]
        columns = [number for numbers, _, _ in program.rows for number in numbers]
        entries = [entry for numbers, given, _ in program.rows for entry in given or [1] * len(numbers)]
        starts = np.concatenate([[0], np.cumsum(sizes)])
        shape = (len(sizes), len(self.upper))
        self.matrix: Any = csr_array((np.array(entries, np.int64), np.array(columns, np.int64), starts), shape=shape)
        self.costs: list[_Numbers] = []
        self.reduced: list[_Numbers] = []
        self.bounds: list[int] = []
        self._dues: list[int] = []
        self.low = np.zeros(len(self.upper), np.int64)
        self.high = self.upper.copy()
        self.is_tight = np.zeros(len(self.most), np.bool_)

    def solve_next(self, terms: Mapping[int, int], budget: SolverBudget, seconds: float) -> bool:
        """Whether the prices prove the next objective, with those before it kept, for whole values that were found."""
        cost = np.zeros(len(self.upper), np.int64)
        cost[list(terms)] = list(terms.values())
        found = self._relaxation(cost, budget, seconds)
        if found is None:
            return False
        values, prices = found
        # A price of an objective before this one decides whether it is positive in order.
        prices = np.where(self.is_tight, prices, np.maximum(prices, 0))
        widest = float(np.abs(prices).max(initial=0)) * float(np.abs(self.most).sum() + len(self.upper))
        if widest > _LARGEST or float(np.abs(cost).sum()) * _PARTS > _LARGEST:
            return False
        reduced: _Numbers = cost * _PARTS + self.matrix.T @ prices
        self.costs.append(cost)
        self.reduced.append(reduced)
        self._dues.append(-int((self.most * prices).sum()))
        # What a variable of negative reduced cost can save at most; of later objectives by those before them.
        saves = _precedes(self.reduced, [np.zeros(1, np.int64)] * len(self.reduced))
        self.bounds = [
            due + int((one[saves] * self.upper[saves]).sum()) for due, one in zip(self._dues, self.reduced, strict=True)
        ]
        whole = np.rint(values).astype(np.int64)
        if np.abs(values - whole).max(initial=0) > _NEAR or not self._is_feasible(whole):
            return False
        if self._values_of(whole) < self._values_of(self.best):
            self.best = whole
        if [value * _PARTS for value in self._values_of(self.best)] != self.bounds:
            return False
        self.high[reduced > 0] = self.low[reduced > 0]
        self.low[reduced < 0] = self.high[reduced < 0]
        self.is_tight |= prices > 0
        return True

    def matters(self) -> _Flags:
        """Variables that may be positive in values as good as the best."""
        if not self.costs:
            return np.ones(len(self.upper), np.bool_)
        gaps = [value * _PARTS - bound for value, bound in zip(self._values_of(self.best), self.bounds, strict=True)]
        return ~_precedes([np.array([gap], np.int64) for gap in gaps], self.reduced)

    def _values_of(self, values: _Numbers) -> list[int]:
        return [int((cost * values).sum()) for cost in self.costs]

    def _is_feasible(self, values: _Numbers) -> bool:
        within = (values >= 0) & (values <= self.upper)
        return bool(within.all() and (self.matrix @ values <= self.most).all())

    def _relaxation(
        self, cost: _Numbers, budget: SolverBudget, seconds: float
    ) -> tuple[npt.NDArray[np.float64], _Numbers] | None:
        """An optimum of the relaxation on what is left, and the prices of the rows in parts."""
        from scipy.optimize import linprog

        cells = self.matrix.nnz + len(self.upper)
        most_iterations = int(seconds / (cells * _SECONDS_PER_CELL)) if cells else 0
        if most_iterations < 1:
            return None
        loose, tight = np.flatnonzero(~self.is_tight), np.flatnonzero(self.is_tight)
        floats = self.matrix.astype(np.float64)
        result = linprog(
            cost.astype(np.float64),
            A_ub=floats[loose] if len(loose) else None,
            b_ub=self.most[loose] if len(loose) else None,
            A_eq=floats[tight] if len(tight) else None,
            b_eq=self.most[tight] if len(tight) else None,
            bounds=np.stack([self.low, self.high], axis=1).astype(np.float64),
            method="highs-ds",
            options={"maxiter": most_iterations},
        )
        budget.spend(cells * _SECONDS_PER_CELL * (result.nit + 1))
        if result.status != 0:
            return None
        prices = np.zeros(len(self.most), np.float64)
        if len(loose):
            prices[loose] = -result.ineqlin.marginals
        if len(tight):
            prices[tight] = -result.eqlin.marginals
        return result.x, np.rint(prices * _PARTS).astype(np.int64)


def _precedes(one: Sequence[_Numbers], other: Sequence[_Numbers]) -> _Flags:
    """Where the one is less than the other, compared in order from the first entry on."""
    less, equal = np.zeros(1, np.bool_), np.ones(1, np.bool_)
    for a, b in zip(one, other, strict=True):
        less = less | (equal & (a < b))
        equal = equal & (a == b)
    return less


def load_linear() -> None:
    """Imports scipy's solver of relaxations now: some 30 MiB, the last that a process for work loads."""
    import scipy.optimize  # noqa: F401

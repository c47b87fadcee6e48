"""The best assignment of a component under side constraints, level by level, with CP-SAT.

Each step minimises one level, keeps the value reached as a constraint, and continues from the last assignment. A feasible
assignment is kept at all times, so running out of budget costs proofs, never the answer. See `service.assignment.cp_sat`
for the solver's parameters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from service.assignment.components import Component, Layout
from service.assignment.cp_sat import SolverBudget, Terms, run_solver
from service.assignment.flow import EMPTY
from service.assignment.heuristics import polish
from service.assignment.levels import Assignment, level_spreads, loss, reported_level
from service.assignment.objectives import Goal, PackedObjective, batches
from service.assignment.problem import Level
from service.rules.side_constraints import Limit

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

_EXACT = 2**50
"""The largest span of one goal: the solver's own doubles are exact for whole numbers up to here."""
_DIGIT = 2**31
_NO_BOUND = -(2**62)


class Search:
    """One component as a CP-SAT model, with the best assignment so far in `best`.

    `start` must be feasible. The methods are called in order: `optimise` (or `fix_levels`, when the start is known to be
    optimal), then `levels`, `alternative_optimum` and `optimise_order`. `seconds` are deterministic seconds, taken off
    the budget.
    """

    def __init__(self, layout: Layout, component: Component, start: Assignment) -> None:
        from ortools.sat.python import cp_model

        self.layout, self.component, self.best = layout, component, start
        self._cp = cp_model
        self._model = cp_model.CpModel()
        self._vars: list[cp_model.IntVar] = []
        self._values: list[Callable[[Assignment], int]] = []
        self._selected: dict[int, int] = {}
        self._firm: dict[int, int] = {}
        self._at: dict[int, list[int]] = {place: [] for place in component.places}
        self._build_model()
        self._goals = tuple(self._level_goals())
        self._bounds: dict[int, int] = {}

    # What is asked ----------------------------------------------------------------------------------------------------

    def optimise(self, budget: SolverBudget, seconds: float, relaxed: Assignment | None = None) -> None:
        """Minimise every level in order, each with the values of those before it kept. `relaxed` is an optimum of the
        component without its side constraints; as long as its levels are reached, they are bounds."""
        stop = budget.left - seconds
        for goal in self._goals:
            objective = PackedObjective([goal])
            low = objective.low if relaxed is None else objective.value(relaxed)
            before = self.best
            bound = self._minimise(objective, low, budget, (budget.left - stop) / 2)
            if self.best is not before:
                self.best = polish(self.layout, self.component, self.best)
            self._keep(objective)
            if relaxed is not None and objective.value(self.best) != low:
                relaxed = None
            self._record(objective, bound)

    def levels(self) -> list[Level]:
        """Every level of `best`; a bound holds given the values of the levels before it."""
        levels = []
        for number, name in enumerate(self.layout.levels):
            lost = loss(self.layout, number, self.best)
            levels.append(reported_level(name, lost, min(self._bounds.get(number, lost), lost)))
        return levels

    def fix_levels(self) -> None:
        """Keep every level as good as in `best`, which is known to be optimal."""
        for goal in self._goals:
            self._keep(PackedObjective([goal]))

    def alternative_optimum(
        self, places: Sequence[int], budget: SolverBudget, seconds: float
    ) -> tuple[Assignment | None, bool]:
        """An assignment as good as `best` with another choice in at least one of the places, in as many as is easy; or
        None, and whether it is proven that there is none."""
        terms: Terms = {}
        constant = 0
        for place in places:
            here = self.choice(self.best, place)
            constant += here == EMPTY
            for edge in self._at[place]:
                if here == EMPTY:
                    terms[self._selected[edge]] = -1
                elif edge == here:
                    terms[self._selected[edge]] = 1
        model = self._model.clone()
        model.add(self._expression(terms) <= len(places) - constant - 1)
        found, _, proven = self._ask(terms, budget, seconds, model)
        return found, proven

    def optimise_order(self, budget: SolverBudget, seconds: float, fixed: Iterable[int]) -> int:
        """The level `order`: give each place in order the first holding that it can have, EMPTY last, with the places in
        `fixed` as they are; then make the early places firm where there is a choice. Returns for how many places that is
        not proven."""
        stop = budget.left - seconds
        settled = set(fixed)
        for place in settled:
            self._fix(place)
        left = [place for place in self.component.places if place not in settled]
        unproven: set[int] = set()
        for places in batches(left, lambda place: len(self._at[place])):
            proven = self._minimise_in_order(map(self._rank_goal, places), budget, (budget.left - stop) / 2)
            unproven.update(places[proven:])
            for place in places:
                self._fix(place)
        undetermined = [edge for edge in sorted(self.best.edges) if self.layout.statuses[edge].is_undetermined]
        for edges in batches(undetermined, lambda _: 1):
            proven = self._minimise_in_order(map(self._doubt_goal, edges), budget, (budget.left - stop) / 2)
            unproven.update(self.layout.edges[edge].place for edge in edges[proven:])
            for edge in edges:
                self._model.add(self._vars[self._firm[edge]] == int(edge not in self.best.tentative))
        return len(unproven)

    def choice(self, assignment: Assignment, place: int) -> int:
        """The edge selected at the place, or EMPTY."""
        return next((edge for edge in self._at[place] if edge in assignment.edges), EMPTY)

    # The model --------------------------------------------------------------------------------------------------------

    def _new_bool(self, value: Callable[[Assignment], int]) -> int:
        self._vars.append(self._model.new_bool_var(""))
        self._values.append(value)
        return len(self._vars) - 1

    def _new_int(self, high: int, value: Callable[[Assignment], int]) -> int:
        self._vars.append(self._model.new_int_var(0, high, ""))
        self._values.append(value)
        return len(self._vars) - 1

    def _build_model(self) -> None:
        layout, model = self.layout, self._model
        edges_of_holding: dict[int, list[int]] = {}
        for edge in self.component.edges:
            self._selected[edge] = self._firm[edge] = self._new_bool(_is_selected(edge))
            self._at[layout.edges[edge].place].append(edge)
            edges_of_holding.setdefault(layout.edges[edge].holding, []).append(edge)
            if layout.statuses[edge].is_undetermined:
                self._firm[edge] = self._new_bool(_is_firm(edge))
                model.add_implication(self._vars[self._firm[edge]], self._vars[self._selected[edge]])
        for edges in self._at.values():
            model.add_at_most_one([self._vars[self._selected[edge]] for edge in edges])
        for holding, edges in edges_of_holding.items():
            self._add_limit([self._selected[edge] for edge in edges], layout.quantity[holding])
        for constraint in self.component.side_constraints:
            numbers = self._firm if constraint.firm_only else self._selected
            if isinstance(constraint, Limit):
                self._add_limit([numbers[edge] for edge in constraint.edges], constraint.count)
            else:
                self._add_exclusion(constraint.groups, numbers, constraint.firm_only)

    def _add_limit(self, numbers: Sequence[int], count: int) -> None:
        if count == 1:
            self._model.add_at_most_one([self._vars[number] for number in numbers])
        elif len(numbers) > count:
            self._model.add(self._cp.LinearExpr.sum([self._vars[number] for number in numbers]) <= count)

    def _add_exclusion(self, groups: Sequence[Sequence[int]], numbers: dict[int, int], firm_only: bool) -> None:
        is_used = []
        for group in groups:
            if not group:
                continue

            def uses(assignment: Assignment, group: Sequence[int] = group) -> int:
                edges, tentative = assignment.edges, assignment.tentative
                return int(any(e in edges and not (firm_only and e in tentative) for e in group))

            is_used.append(self._vars[self._new_bool(uses)])
            at: dict[int, list[int]] = {}
            for edge in group:
                at.setdefault(self.layout.edges[edge].place, []).append(numbers[edge])
            for here in at.values():
                # A place has one coin, so the sum is 0 or 1: stronger than an implication for each edge.
                self._model.add(self._cp.LinearExpr.sum([self._vars[number] for number in here]) <= is_used[-1])
        self._model.add_at_most_one(is_used)

    def _level_goals(self) -> Iterator[Goal]:
        for level, (least, most) in enumerate(level_spreads(self.layout, self.component)):
            if most == least:
                continue

            def value(assignment: Assignment, level: int = level) -> int:
                return loss(self.layout, level, assignment)

            if most - least < _EXACT:
                yield Goal(level, self._level_terms(level), least, most - least, value)
            else:
                yield from self._digit_goals(level, most, value)

    def _level_terms(self, level: int) -> Terms:
        terms: Terms = {}
        for edge in self.component.edges:
            lost = self.layout.losses[edge][level]
            if self.layout.statuses[edge].is_undetermined and self.layout.doubt_level(edge) == level:
                terms[self._firm[edge]] = -1
                lost += 1
            if lost:
                terms[self._selected[edge]] = lost
        return terms

    def _digit_goals(self, level: int, most: int, value: Callable[[Assignment], int]) -> Iterator[Goal]:
        """A level of large costs as two exact digits: sum = high * _DIGIT + low, with the carry in a variable of its
        own."""
        costs = {edge: self.layout.losses[edge][level] for edge in self.component.edges}

        def column(part: Callable[[int], int], more: Terms) -> cp_model.LinearExprT:
            return self._expression({self._selected[edge]: part(cost) for edge, cost in costs.items()} | more)

        def carry_of(assignment: Assignment) -> int:
            return sum(costs[edge] % _DIGIT for edge in assignment.edges) // _DIGIT

        low = self._new_int(_DIGIT - 1, lambda assignment: value(assignment) % _DIGIT)
        high = self._new_int(most // _DIGIT, lambda assignment: value(assignment) // _DIGIT)
        carry = self._new_int(len(self.component.places) + 1, carry_of)
        self._model.add(column(lambda cost: cost % _DIGIT, {carry: -_DIGIT, low: -1}) == 0)
        self._model.add(column(lambda cost: cost // _DIGIT, {carry: 1, high: -1}) == 0)
        yield Goal(level, {high: 1}, 0, most // _DIGIT, self._values[high], _DIGIT)
        yield Goal(level, {low: 1}, 0, _DIGIT - 1, self._values[low])

    def _rank_goal(self, place: int) -> Goal:
        count = len(self._at[place])
        ranks = {edge: rank for rank, edge in enumerate(self._at[place])}

        def value(assignment: Assignment) -> int:
            return ranks.get(self.choice(assignment, place), count) - count

        return Goal(0, {self._selected[edge]: rank - count for edge, rank in ranks.items()}, -count, count, value)

    def _doubt_goal(self, edge: int) -> Goal:
        is_firm = self._values[self._firm[edge]]
        return Goal(0, {self._firm[edge]: -1}, -1, 1, lambda assignment: -is_firm(assignment))

    # Asking the solver ------------------------------------------------------------------------------------------------

    def _minimise_in_order(self, goals: Iterable[Goal], budget: SolverBudget, seconds: float) -> int:
        """Minimise the goals in order; returns how many of them, from the first, are proven optimal."""
        objective = PackedObjective(list(goals))
        bound = self._minimise(objective, objective.low, budget, seconds)
        return objective.count_proven(self.best, bound)

    def _minimise(self, objective: PackedObjective, low: int, budget: SolverBudget, seconds: float) -> int:
        """Improve `best` on the objective as far as possible; returns a proven bound, equal to its value when that is
        proven optimal. `low` is a known bound."""
        if objective.value(self.best) == low:
            return low
        self._model.add(self._expression(objective.terms) >= low)
        found, bound, proven = self._ask(objective.terms, budget, seconds)
        if found is not None and objective.value(found) < objective.value(self.best):
            self.best = found
        reached = objective.value(self.best)
        return reached if proven else min(max(low, bound), reached)

    def _record(self, objective: PackedObjective, bound: int) -> None:
        (goal,) = objective.goals
        (value,) = objective.unpacked(bound)
        self._bounds[goal.level] = self._bounds.get(goal.level, 0) + value * goal.unit

    def _ask(
        self, terms: Terms, budget: SolverBudget, seconds: float, variant: cp_model.CpModel | None = None
    ) -> tuple[Assignment | None, int, bool]:
        """The assignment found, a bound of the objective, and whether the assignment is proven optimal; with a `variant`
        of the model, which may be infeasible, whether that is proven."""
        if seconds <= 0:
            return None, _NO_BOUND, False
        model = variant or self._model
        model.minimize(self._expression(terms))
        hints = zip(self._vars, (value(self.best) for value in self._values), strict=True)
        solver, status = run_solver(model, hints, budget, seconds)
        if variant is not None and status == self._cp.INFEASIBLE:
            return None, 0, True
        if status in (self._cp.INFEASIBLE, self._cp.MODEL_INVALID):
            raise RuntimeError(
                f"the solver reports {solver.status_name(status)} for a component with a known assignment"
            )
        if status == self._cp.UNKNOWN:
            bound = solver.best_objective_bound
            return None, math.ceil(bound - 1e-6) if math.isfinite(bound) else _NO_BOUND, False
        edges = frozenset(e for e, number in self._selected.items() if solver.boolean_value(self._vars[number]))
        tentative = frozenset(
            e
            for e in edges
            if self.layout.statuses[e].is_undetermined and not solver.boolean_value(self._vars[self._firm[e]])
        )
        return Assignment(edges, tentative), math.ceil(solver.best_objective_bound - 1e-6), status == self._cp.OPTIMAL

    def _expression(self, terms: Terms) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.weighted_sum([self._vars[number] for number in terms], list(terms.values()))

    def _keep(self, objective: PackedObjective) -> None:
        self._model.add(self._expression(objective.terms) <= objective.value(self.best))

    def _fix(self, place: int) -> None:
        here = self.choice(self.best, place)
        for edge in self._at[place]:
            self._model.add(self._vars[self._selected[edge]] == int(edge == here))


def _is_selected(edge: int) -> Callable[[Assignment], int]:
    return lambda assignment: int(edge in assignment.edges)


def _is_firm(edge: int) -> Callable[[Assignment], int]:
    return lambda assignment: int(edge in assignment.edges and edge not in assignment.tentative)

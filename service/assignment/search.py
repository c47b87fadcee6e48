"""The best assignment of a component under side constraints, level by level, with CP-SAT.

Each step minimises one level, or several that fit into one objective, keeps the values reached as constraints, and
continues from the last assignment. A feasible assignment is kept at all times, so running out of budget costs proofs,
never the answer. See `service.assignment.cp_sat` for the solver's parameters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby, takewhile
from typing import TYPE_CHECKING

from service.assignment.components import Bonus, Component, Layout
from service.assignment.cp_sat import SolverBudget, Terms, bound_told, run_solver
from service.assignment.flow import EMPTY
from service.assignment.heuristics import polish
from service.assignment.levels import Assignment, earned, level_spreads, loss, reported_level
from service.assignment.linear import LinearProgram, by_prices
from service.assignment.objectives import Goal, PackedObjective, batches
from service.assignment.problem import Basis, Level
from service.rules.side_constraints import Limit, Support

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

_EXACT = 2**50
"""The largest span of one goal: the solver's own doubles are exact for whole numbers up to here."""
_DIGIT = 2**31
_LEVEL_SHARE = 0.8
"""The part of the time that is left which one step may use: the levels are few, and the earlier ones matter more."""
_NO_BOUND = -(2**62)
_LARGEST_LINEAR = 2**40
"""The largest span of one objective of a linear program: the solver's tolerances are far below 1 there."""
SEARCH_PASSES = 8
"""How often laying out a search looks at each edge (`SolverBudget.affords`)."""
_SECONDS_PER_VARIABLE = 1e-5
"""Deterministic seconds for each variable of a model with less than which it is not asked: reading it takes as much."""


class Search:
    """One component as a CP-SAT model, with the best assignment so far in `best`.

    `start` must be feasible. The methods are called in order: `optimise` (or `fix_levels`, when the start is known to be
    optimal), then `levels`, `alternative_optimum`, `optimise_order` and `first_with`. `seconds` are deterministic seconds,
    taken off the budget.
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
        self._declared: dict[int, int] = {}
        self._at: dict[int, list[int]] = {place: [] for place in component.places}
        self._linear = LinearProgram()
        self._build_model()
        self._goals = tuple(self._level_goals())
        self._bounds: dict[int, int] = {}
        self._optima = self._model

    # What is asked ----------------------------------------------------------------------------------------------------

    def optimise(
        self,
        budget: SolverBudget,
        seconds: float,
        relaxed: Assignment | None = None,
        inexact: int | None = None,
        proven: int = 0,
    ) -> None:
        """Minimise every level in order, with the values of those before it kept. `relaxed` is an optimum of the
        component without its side constraints; as long as its levels are reached, they are bounds, up to the level
        `inexact` on which it has the bonuses wrong. The first `proven` levels of `best` are known to be optimal."""
        stop = budget.left - seconds
        known = [goal for goal in self._goals if goal.level < proven]
        for goal in known:
            self._keep(PackedObjective([goal]))
            self._bounds[goal.level] = self._bounds.get(goal.level, 0) + goal.value(self.best) * goal.unit
            if relaxed is not None and goal.value(relaxed) != goal.value(self.best):
                relaxed = None
        for goals in _packed(self._goals[len(known) :], inexact):
            objective = PackedObjective(goals)
            if inexact is not None and goals[-1].level >= inexact:
                relaxed = None
            low = objective.low if relaxed is None else objective.value(relaxed)
            before = self.best
            bound = self._minimise(objective, low, budget, (budget.left - stop) * _LEVEL_SHARE)
            if self.best is not before:
                self.best = polish(self.layout, self.component, self.best)
            for goal in goals:
                self._keep(PackedObjective([goal]))
            if relaxed is not None and objective.value(self.best) != low:
                relaxed = None
            self._record(objective, bound)

    def reach_by_prices(self, budget: SolverBudget, seconds: float) -> tuple[int, list[int]]:
        """Improve `best` as far as the linear relaxation tells. Returns how many levels of it, from the first, are then
        proven optimal, and the edges that assignments as good as it can have."""
        # The digits of a larger level are not in the linear program.
        goals = list(takewhile(lambda goal: goal.unit == 1 and goal.spread < _LARGEST_LINEAR, self._goals))
        # Levels on which every edge counts the same, as `required` and `places` mostly do, follow from one another.
        distinct = [goal for at, goal in enumerate(goals) if not at or goal.terms != goals[at - 1].terms]
        packed = [PackedObjective(batch) for batch in batches(distinct, lambda goal: goal.spread, _LARGEST_LINEAR)]
        known = [value(self.best) for value in self._values]
        priced = by_prices(self._linear, [one.terms for one in packed], known, budget, seconds)
        self.best = self._assignment(priced.values)
        proven = packed[: priced.reached]
        if priced.reached == len(packed) and len(goals) == len(self._goals):
            levels = len(self.layout.levels)
        else:
            levels = 1 + max((goal.level for one in proven for goal in one.goals), default=-1)
        return levels, [edge for edge, number in self._selected.items() if priced.matters[number]]

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
        self._optima = self._model

    def alternative_optimum(
        self, places: Sequence[int], budget: SolverBudget, seconds: float
    ) -> tuple[Assignment | None, bool]:
        """An assignment as good as `best` with another choice in at least one of the places, in as many as is easy; or
        None, and whether it is proven that there is none."""
        if seconds <= self._least_seconds:
            return None, False
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

    def first_with(
        self, without: Sequence[int], options: Sequence[Sequence[int]], budget: SolverBudget, seconds: float
    ) -> tuple[int | None, bool]:
        """The first of the options of which an edge is selected in some assignment as good as `best` that has none of the
        edges `without`, and whether that is proven; None where there is no such assignment, or none was found. Without
        options: 0 where there is such an assignment."""
        if seconds <= self._least_seconds:
            return None, False
        model = self._optima.clone()
        for edge in without:
            model.add(self._vars[self._selected[edge]] == 0)
        rank = model.new_int_var(0, max(0, len(options) - 1), "")
        if options:
            picked = [model.new_bool_var("") for _ in options]
            model.add_exactly_one(picked)
            for one, edges in zip(picked, options, strict=True):
                model.add(one <= self._cp.LinearExpr.sum([self._vars[self._selected[edge]] for edge in edges]))
            model.add(rank == self._cp.LinearExpr.weighted_sum(picked, list(range(len(picked)))))
        model.minimize(rank)
        hints = ((variable, value(self.best)) for variable, value in zip(self._vars, self._values, strict=True))
        solver, status = run_solver(model, hints, budget, seconds, as_it_is=True)
        if status in (self._cp.OPTIMAL, self._cp.FEASIBLE):
            return solver.value(rank), status == self._cp.OPTIMAL
        return None, status == self._cp.INFEASIBLE

    def edges_at(self, places: Iterable[int]) -> list[int]:
        """The edges into these places."""
        return [edge for place in places for edge in self._at[place]]

    def optimise_order(self, budget: SolverBudget, seconds: float, fixed: Iterable[int]) -> int:
        """The level `order`: give each place in order the first holding that it can have, EMPTY last, with the places in
        `fixed` as they are; then make the early places firm where there is a choice. Returns for how many places that is
        not proven."""
        stop = budget.left - seconds
        self._optima = self._model.clone()
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
        open_basis = [edge for edge in sorted(self.best.edges) if self.layout.statuses[edge].has_open_basis]
        for edges in batches(open_basis, lambda _: 1):
            proven = self._minimise_in_order(map(self._basis_goal, edges), budget, (budget.left - stop) / 2)
            unproven.update(self.layout.edges[edge].place for edge in edges[proven:])
            for edge in edges:
                is_declared = self._values[self._declared[edge]](self.best)
                self._model.add(self._vars[self._declared[edge]] == is_declared)
        return len(unproven)

    def choice(self, assignment: Assignment, place: int) -> int:
        """The edge selected at the place, or EMPTY."""
        return next((edge for edge in self._at[place] if edge in assignment.edges), EMPTY)

    # The model --------------------------------------------------------------------------------------------------------

    def _new_bool(self, value: Callable[[Assignment], int]) -> int:
        self._vars.append(self._model.new_bool_var(""))
        self._values.append(value)
        self._linear.upper.append(1)
        return len(self._vars) - 1

    def _new_int(self, high: int, value: Callable[[Assignment], int]) -> int:
        self._vars.append(self._model.new_int_var(0, high, ""))
        self._values.append(value)
        self._linear.upper.append(high)
        return len(self._vars) - 1

    def _build_model(self) -> None:
        layout = self.layout
        edges_of_holding: dict[int, list[int]] = {}
        for edge in self.component.edges:
            self._selected[edge] = self._firm[edge] = self._new_bool(_is_selected(edge))
            self._at[layout.edges[edge].place].append(edge)
            edges_of_holding.setdefault(layout.edges[edge].holding, []).append(edge)
            self._add_doubts(edge)
        for edges in self._at.values():
            self._add_limit([self._selected[edge] for edge in edges], 1)
        for holding, edges in edges_of_holding.items():
            self._add_limit([self._selected[edge] for edge in edges], layout.quantity[holding])
        self._earned: dict[int, list[int]] = {}
        for bonus in self.component.bonuses:
            self._add_bonus(bonus)
        for constraint in self.component.side_constraints:
            if isinstance(constraint, Support):
                self._add_support(constraint)
                continue
            numbers = self._firm if constraint.firm_only else self._selected
            if isinstance(constraint, Limit):
                self._add_limit([numbers[edge] for edge in constraint.edges], constraint.count)
            else:
                self._add_exclusion(constraint.groups, numbers, constraint.firm_only)

    def _add_doubts(self, edge: int) -> None:
        """Whether the placement is firm, and whether it rests on declared alternatives at most: a variable where that is
        open, else whether it is placed, for one that can be so."""
        status, selected = self.layout.statuses[edge], self._selected[edge]
        if status.is_undetermined:
            self._firm[edge] = self._new_bool(_is_firm(edge))
            self._add_implication(self._firm[edge], selected)
        if status.has_open_basis:
            self._declared[edge] = self._new_bool(_is_declared(edge))
            self._add_implication(self._declared[edge], selected)
            if status.is_undetermined:
                self._add_implication(self._firm[edge], self._declared[edge])
        else:
            self._declared[edge] = self._firm[edge] if status.doubt is Basis.UNKNOWN else selected

    def _add_bonus(self, bonus: Bonus) -> None:
        numbers = self._firm if bonus.firm_only else self._selected
        named = bonus.edges.intersection(self.component.edges)
        part = Bonus(bonus.level, named, bonus.count, bonus.firm_only)
        most = min(bonus.count, len(named))
        earns = self._new_int(most, lambda assignment: min(most, earned(part, assignment)))
        self._add_sum([numbers[edge] for edge in sorted(named)], earns)
        self._earned.setdefault(bonus.level, []).append(earns)

    def _add_support(self, support: Support) -> None:
        """A supporter that can never be as sure as this reading asks is not among them (`components`)."""
        numbers = {"selected": self._selected, "declared": self._declared, "firm": self._firm}[support.reading]
        self._add_sum([numbers[edge] for edge in support.supporters], numbers[support.edge])

    def _add_sum(self, numbers: Sequence[int], least: int) -> None:
        """The sum of these is at least the value of the other one."""
        self._model.add(self._vars[least] <= self._cp.LinearExpr.sum([self._vars[number] for number in numbers]))
        self._linear.rows.append(([least, *numbers], [1, *([-1] * len(numbers))], 0))

    def _add_implication(self, one: int, other: int) -> None:
        self._model.add_implication(self._vars[one], self._vars[other])
        self._linear.rows.append(([one, other], [1, -1], 0))

    def _add_limit(self, numbers: Sequence[int], count: int) -> None:
        if len(numbers) > count:
            self._linear.rows.append((numbers, None, count))
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

            is_used.append(self._new_bool(uses))
            at: dict[int, list[int]] = {}
            for edge in group:
                at.setdefault(self.layout.edges[edge].place, []).append(numbers[edge])
            for here in at.values():
                # A place has one coin, so the sum is 0 or 1: stronger than an implication for each edge.
                variables = [self._vars[number] for number in here]
                self._model.add(self._cp.LinearExpr.sum(variables) <= self._vars[is_used[-1]])
                self._linear.rows.append(([*here, is_used[-1]], [*([1] * len(here)), -1], 0))
        self._add_limit(is_used, 1)

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
        layout = self.layout
        terms: Terms = {}
        for edge in self.component.edges:
            lost = layout.losses[edge][level]
            for more, surer in ((layout.when_tentative, self._firm), (layout.when_unknown, self._declared)):
                # What is lost more when it is placed less surely.
                if edge in more and more[edge][level]:
                    terms[surer[edge]] = -more[edge][level]
                    lost += more[edge][level]
            if lost:
                terms[self._selected[edge]] = lost
        for number in self._earned.get(level, ()):
            terms[number] = -1
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
        return self._wanted(self._firm[edge])

    def _basis_goal(self, edge: int) -> Goal:
        return self._wanted(self._declared[edge])

    def _wanted(self, number: int) -> Goal:
        is_so = self._values[number]
        return Goal(0, {number: -1}, -1, 1, lambda assignment: -is_so(assignment))

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
        known = objective.unpacked(bound)
        proven = objective.count_proven(self.best, bound)
        for number, (goal, value) in enumerate(zip(objective.goals, known, strict=True)):
            # What is left of a bound beyond a goal that is not proven says nothing of the goals after it.
            least = value if number <= proven else goal.low
            self._bounds[goal.level] = self._bounds.get(goal.level, 0) + least * goal.unit

    @property
    def _least_seconds(self) -> float:
        return len(self._vars) * _SECONDS_PER_VARIABLE

    def _ask(
        self, terms: Terms, budget: SolverBudget, seconds: float, variant: cp_model.CpModel | None = None
    ) -> tuple[Assignment | None, int, bool]:
        """The assignment found, a bound of the objective, and whether the assignment is proven optimal; with a `variant`
        of the model, which may be infeasible, whether that is proven."""
        if seconds <= self._least_seconds:
            return None, _NO_BOUND, False
        model = variant or self._model
        model.minimize(self._expression(terms))
        hints = zip(self._vars, (value(self.best) for value in self._values), strict=True)
        solver, status = run_solver(model, hints, budget, seconds, as_it_is=True)
        if variant is not None and status == self._cp.INFEASIBLE:
            return None, 0, True
        if status in (self._cp.INFEASIBLE, self._cp.MODEL_INVALID):
            raise RuntimeError(
                f"the solver reports {solver.status_name(status)} for a component with a known assignment"
            )
        if status == self._cp.UNKNOWN:
            bound = bound_told(solver, status)
            return None, _NO_BOUND if bound is None else bound, False
        found = self._assignment([solver.value(variable) for variable in self._vars])
        return (
            found,
            math.ceil(solver.best_objective_bound - 1e-6),
            status == self._cp.OPTIMAL,
        )

    def _assignment(self, values: Sequence[int]) -> Assignment:
        """The assignment that these values of the variables mean."""
        statuses = self.layout.statuses
        edges = frozenset(e for e, number in self._selected.items() if values[number])
        tentative = frozenset(e for e in edges if statuses[e].is_undetermined and not values[self._firm[e]])
        unknown = frozenset(e for e in edges if statuses[e].has_open_basis and not values[self._declared[e]])
        return Assignment(edges, tentative, unknown)

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


def _is_declared(edge: int) -> Callable[[Assignment], int]:
    return lambda assignment: int(edge in assignment.edges and edge not in assignment.unknown)


def _packed(goals: Iterable[Goal], inexact: int | None) -> Iterator[list[Goal]]:
    """The goals in order, several that fit into one objective together; those before the level `inexact` apart from the
    rest."""
    for _, own in groupby(goals, key=lambda goal: inexact is not None and goal.level >= inexact):
        yield from batches(own, lambda goal: goal.spread)

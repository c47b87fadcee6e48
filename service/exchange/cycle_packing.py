"""The best cycles where all cycles of parties can be listed: exact on all levels, with CP-SAT.

One variable counts how often each cycle of parties is used, another how many coins of a supply go to a demand; between
any two parties as many coins go as the cycles over them say (the cycle formulation of Abraham, Blum and Sandholm, 2007,
for parties that give many coins). See `service.assignment.cp_sat` for the solver's parameters.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise, takewhile
from typing import TYPE_CHECKING

from service.assignment.cp_sat import SolverBudget, Terms, bound_told, run_solver
from service.assignment.problem import Level
from service.exchange.reduction import Condition, Link, LinkCycle, ReducedExchange, turnover

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Parties = tuple[int, ...]


class CyclePacking:
    """One part of an exchange as a CP-SAT model, with the best cycles so far in `best`.

    `every` are all cycles of parties that may be used; `start` must be feasible and use these only. `seconds` are
    deterministic seconds, taken off the budget.
    """

    def __init__(self, reduced: ReducedExchange, every: Sequence[Parties], start: Iterable[LinkCycle]) -> None:
        from ortools.sat.python import cp_model

        self.reduced, self.best = reduced, list(start)
        self._cp = cp_model
        self._model = cp_model.CpModel()
        self._vars: list[cp_model.IntVar] = []
        self._most: list[int] = []
        self._party_cycles: dict[Parties, int] = {}
        self._links: dict[Link, int] = {}
        self._people: dict[int, int] = {}
        self._build_model(every)
        self._current = self._values(self.best)
        self._levels: list[Level] = []

    def optimise(self, places_bound: int, fewest: Callable[[int], int], budget: SolverBudget, seconds: float) -> None:
        """Optimise every level in order. `places_bound` is an upper bound of the places; `fewest` gives a lower bound of
        the people for a number of places."""
        stop = budget.left - seconds
        sizes = {number: -len(parties) for parties, number in self._party_cycles.items()}
        people = dict.fromkeys(self._people.values(), 1)
        self._level("places", sizes, -places_bound, budget, stop)
        places = -self._value(sizes)
        self._level("people", people, fewest(places), budget, stop)
        self._level("cycles", dict.fromkeys(sizes, -1), -(places // 2), budget, stop)
        unproven = self._optimise_order(budget, stop)
        self._levels.append(Level("order", unproven, not unproven, 0))
        self.best = list(self._as_cycles())

    def _level(self, name: str, terms: Terms, floor: int, budget: SolverBudget, stop: float) -> None:
        bound = self._minimise(terms, floor, budget, (budget.left - stop) / 2)
        self._model.add(self._expression(terms) <= self._value(terms))
        sign = 1 if name == "people" else -1
        value = self._value(terms)
        self._levels.append(Level(name, sign * value, bound == value, sign * bound))

    def levels(self) -> list[Level]:
        """Every level of `best`, in order; empty before `optimise`."""
        return self._levels

    # The model --------------------------------------------------------------------------------------------------------

    def _new(self, most: int) -> int:
        self._vars.append(self._model.new_int_var(0, most, ""))
        self._most.append(most)
        return len(self._vars) - 1

    def _build_model(self, every: Sequence[Parties]) -> None:
        reduced = self.reduced
        steps = {step for parties in every for step in _steps(parties)}
        of_supply: dict[int, list[int]] = defaultdict(list)
        of_demand: dict[int, list[int]] = defaultdict(list)
        of_step: dict[Parties, list[int]] = defaultdict(list)
        of_condition: dict[Condition, list[int]] = defaultdict(list)
        for link in reduced.links():
            supply, demand = reduced.supplies[link[0]], reduced.demands[link[1]]
            step = (supply.giver, demand.receiver)
            if step not in steps:
                continue
            number = self._links[link] = self._new(min(len(supply.coins), len(demand.places)))
            of_supply[link[0]].append(number)
            of_demand[link[1]].append(number)
            of_step[step].append(number)
            for condition in reduced.conditions(link):
                of_condition[condition].append(number)
        for at, numbers in of_supply.items():
            self._add_at_most(numbers, len(reduced.supplies[at].coins))
        for at, numbers in of_demand.items():
            self._add_at_most(numbers, len(reduced.demands[at].places))
        for limit, conditions in reduced.limits.items():
            self._add_alternatives(
                [(of_condition[limit, at], condition.count) for at, condition in enumerate(conditions)]
            )
        self._add_cycles(every, of_step)

    def _add_cycles(self, every: Sequence[Parties], of_step: dict[Parties, list[int]]) -> None:
        room = {step: sum(self._most[number] for number in numbers) for step, numbers in of_step.items()}
        most_given = turnover(self.reduced)
        over: dict[Parties, list[int]] = defaultdict(list)
        at: dict[int, list[int]] = defaultdict(list)
        for parties in every:
            number = self._party_cycles[parties] = self._new(min(room[step] for step in _steps(parties)))
            for step in _steps(parties):
                over[step].append(number)
            for party in parties:
                at[party].append(number)
        for step, numbers in of_step.items():
            self._model.add(self._sum(over[step]) == self._sum(numbers))
        for party, numbers in at.items():
            here = self._people[party] = self._new(1)
            self._model.add(self._sum(numbers) <= most_given[party] * self._vars[here])
            for number in numbers:
                self._model.add(self._vars[number] <= self._most[number] * self._vars[here])

    def _sum(self, numbers: Iterable[int]) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.sum([self._vars[number] for number in numbers])

    def _add_at_most(self, numbers: Sequence[int], count: int) -> None:
        if sum(self._most[number] for number in numbers) > count:
            self._model.add(self._sum(numbers) <= count)

    def _add_alternatives(self, conditions: Sequence[tuple[Sequence[int], int]]) -> None:
        """At least one of the sums does not exceed its count."""
        possible = [(numbers, count) for numbers, count in conditions if count >= 0]
        if len(possible) == 1:
            self._add_at_most(*possible[0])
            return
        chosen = []
        for numbers, count in possible:
            chosen.append(self._model.new_bool_var(""))
            self._model.add(self._sum(numbers) <= count).only_enforce_if(chosen[-1])
        self._model.add_bool_or(chosen)

    # Answers as the values of the variables ---------------------------------------------------------------------------

    def _values(self, cycles: Iterable[LinkCycle]) -> list[int]:
        values = [0] * len(self._vars)
        for cycle in cycles:
            parties = self.reduced.parties_of(cycle)
            values[self._party_cycles[parties]] += 1
            for link in cycle:
                values[self._links[link]] += 1
            for party in parties:
                values[self._people[party]] = 1
        return values

    def _as_cycles(self) -> Iterator[LinkCycle]:
        """The current cycles: each in order takes the first links that are left between its parties."""
        between: dict[Parties, list[Link]] = defaultdict(list)
        for (supply, demand), number in sorted(self._links.items(), reverse=True):
            step = (self.reduced.supplies[supply].giver, self.reduced.demands[demand].receiver)
            between[step] += [(supply, demand)] * self._current[number]
        for parties, number in self._party_cycles.items():
            for _ in range(self._current[number]):
                yield tuple(between[step].pop() for step in _steps(parties))

    def _value(self, terms: Terms, values: Sequence[int] | None = None) -> int:
        values = self._current if values is None else values
        return sum(coefficient * values[number] for number, coefficient in terms.items())

    # Asking the solver ------------------------------------------------------------------------------------------------

    def _optimise_order(self, budget: SolverBudget, stop: float) -> int:
        """The level `order`: use each cycle of parties in order as often as possible, then each link; returns for how
        many of them that is not proven. Most are 0 and remain 0, so consecutive ones are tried together.
        """
        numbers = [*self._party_cycles.values(), *(number for _, number in sorted(self._links.items()))]
        at = unproven = 0
        while at < len(numbers):
            run = list(takewhile(lambda number: not self._current[number], numbers[at:]))
            if run:
                found, proven = self._can_rise(run, budget, (budget.left - stop) / 4)
                if found:
                    continue
            else:
                run, most = numbers[at : at + 1], self._most[numbers[at]]
                bound = self._minimise({numbers[at]: -1}, -most, budget, (budget.left - stop) / 4)
                proven = bound == -self._current[numbers[at]]
            unproven += 0 if proven else len(run)
            for number in run:
                self._model.add(self._vars[number] == self._current[number])
            at += len(run)
        return unproven

    def _can_rise(self, numbers: Sequence[int], budget: SolverBudget, seconds: float) -> tuple[bool, bool]:
        """Whether one of these variables, all 0 now, can be positive; the current values are then such. And whether that
        is proven."""
        if seconds <= 0:
            return False, False
        model = self._model.clone()
        model.clear_objective()  # type: ignore[no-untyped-call]  # ortools leaves this one unannotated
        model.add(self._sum(numbers) >= 1)
        solver, status = run_solver(model, zip(self._vars, self._current, strict=True), budget, seconds)
        if status in (self._cp.OPTIMAL, self._cp.FEASIBLE):
            self._current = [solver.value(variable) for variable in self._vars]
            return True, True
        return False, bool(status == self._cp.INFEASIBLE)

    def _minimise(self, terms: Terms, low: int, budget: SolverBudget, seconds: float) -> int:
        """Minimise the terms; returns a proven bound, equal to their value when that is proven optimal."""
        reached = self._value(terms)
        if reached <= low:
            return reached
        if seconds <= 0:
            return low
        self._model.minimize(self._expression(terms))
        solver, status = run_solver(self._model, zip(self._vars, self._current, strict=True), budget, seconds)
        if status in (self._cp.INFEASIBLE, self._cp.MODEL_INVALID):
            raise RuntimeError(f"the solver reports {solver.status_name(status)} for an exchange with known cycles")
        if status in (self._cp.OPTIMAL, self._cp.FEASIBLE):
            found = [solver.value(variable) for variable in self._vars]
            if self._value(terms, found) < reached:
                self._current, reached = found, self._value(terms, found)
        if status == self._cp.OPTIMAL:
            return reached
        bound = bound_told(solver, status)
        return low if bound is None else min(max(low, bound), reached)

    def _expression(self, terms: Terms) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.weighted_sum([self._vars[number] for number in terms], list(terms.values()))


def _steps(parties: Parties) -> Iterator[Parties]:
    return pairwise((*parties, parties[0]))

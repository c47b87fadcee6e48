"""Swaps where every cycle of parties can be listed: all levels, exactly, with CP-SAT.

How often each cycle of parties comes about is one variable, how many coins of a supply go to a demand another; for every
two parties what goes from one to the other is as much as the cycles say. One worker, a fixed seed and a budget in
deterministic seconds, as in `service.assignment.search`.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise, takewhile
from typing import TYPE_CHECKING, Any

from service.assignment.cp_sat import SEED, SolverBudget
from service.assignment.problem import Level
from service.exchange.reduction import Condition, Link, LinkCycle, ReducedExchange

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Parties = tuple[int, ...]
Terms = dict[int, int]
"""Coefficients by the number of a variable."""


class CyclePacking:
    """One market in the solver, with the best rings so far in `best`; `start` must keep every limit."""

    def __init__(self, market: ReducedExchange, every: Sequence[Parties], start: Iterable[LinkCycle]) -> None:
        from ortools.sat.python import cp_model

        self.market, self.best = market, list(start)
        self._cp = cp_model
        self._model = cp_model.CpModel()
        self._vars: list[cp_model.IntVar] = []
        self._most: list[int] = []
        self._cycles: dict[Parties, int] = {}
        self._links: dict[Link, int] = {}
        self._people: dict[int, int] = {}
        self._lay_out(every)
        self._now = self._values(self.best)
        self._levels: list[Level] = []

    def optimise(self, low: int, fewest: Callable[[int], int], meter: SolverBudget, seconds: float) -> None:
        """Every level in order. `low` is known as a bound of the places, and of the people for so many places `fewest`."""
        stop = meter.left - seconds
        sizes = {number: -len(parties) for parties, number in self._cycles.items()}
        people = dict.fromkeys(self._people.values(), 1)
        self._level("places", sizes, -low, meter, stop)
        places = -self._worth(sizes)
        self._level("people", people, fewest(places), meter, stop)
        self._level("cycles", dict.fromkeys(sizes, -1), -(places // 2), meter, stop)
        unproven = self._put_in_order(meter, stop)
        self._levels.append(Level("order", unproven, not unproven, 0))
        self.best = list(self._dealt())

    def _level(self, name: str, terms: Terms, floor: int, meter: SolverBudget, stop: float) -> None:
        bound = self._minimise(terms, floor, meter, (meter.left - stop) / 2)
        self._model.add(self._expression(terms) <= self._worth(terms))
        sign = 1 if name == "people" else -1
        value = self._worth(terms)
        self._levels.append(Level(name, sign * value, bound == value, sign * bound))

    def fill(self, low: int, meter: SolverBudget, seconds: float) -> int:
        """The level `places` alone; returns how many there are."""
        terms = {number: -len(parties) for parties, number in self._cycles.items()}
        self._minimise(terms, -low, meter, seconds)
        self.best = list(self._dealt())
        return -self._worth(terms)

    def levels(self) -> list[Level]:
        """Every level of `best`."""
        return self._levels

    # The model --------------------------------------------------------------------------------------------------------

    def _new(self, most: int) -> int:
        self._vars.append(self._model.new_int_var(0, most, ""))
        self._most.append(most)
        return len(self._vars) - 1

    def _lay_out(self, every: Sequence[Parties]) -> None:
        market = self.market
        steps = {step for parties in every for step in _steps(parties)}
        of_supply: dict[int, list[int]] = defaultdict(list)
        of_demand: dict[int, list[int]] = defaultdict(list)
        of_step: dict[Parties, list[int]] = defaultdict(list)
        of_term: dict[Condition, list[int]] = defaultdict(list)
        for link in market.links():
            supply, demand = market.supplies[link[0]], market.demands[link[1]]
            step = (supply.giver, demand.receiver)
            if step not in steps:
                continue
            number = self._links[link] = self._new(min(len(supply.coins), len(demand.places)))
            of_supply[link[0]].append(number)
            of_demand[link[1]].append(number)
            of_step[step].append(number)
            for term in market.terms(link):
                of_term[term].append(number)
        for at, numbers in of_supply.items():
            self._at_most(numbers, len(market.supplies[at].coins))
        for at, numbers in of_demand.items():
            self._at_most(numbers, len(market.demands[at].places))
        for limit, conditions in market.limits.items():
            self._either([(of_term[limit, at], condition.count) for at, condition in enumerate(conditions)])
        self._lay_out_cycles(every, of_step)

    def _lay_out_cycles(self, every: Sequence[Parties], of_step: dict[Parties, list[int]]) -> None:
        room = {step: sum(self._most[number] for number in numbers) for step, numbers in of_step.items()}
        gives, takes = Counter[int](), Counter[int]()
        for supply in self.market.supplies:
            gives[supply.giver] += len(supply.coins)
        for demand in self.market.demands:
            takes[demand.receiver] += len(demand.places)
        over: dict[Parties, list[int]] = defaultdict(list)
        at: dict[int, list[int]] = defaultdict(list)
        for parties in every:
            number = self._cycles[parties] = self._new(min(room[step] for step in _steps(parties)))
            for step in _steps(parties):
                over[step].append(number)
            for party in parties:
                at[party].append(number)
        for step, numbers in of_step.items():
            self._model.add(self._sum(over[step]) == self._sum(numbers))
        for party, numbers in at.items():
            here = self._people[party] = self._new(1)
            reach = min(gives[party], takes[party])
            self._model.add(self._sum(numbers) <= reach * self._vars[here])
            for number in numbers:
                self._model.add(self._vars[number] <= self._most[number] * self._vars[here])

    def _sum(self, numbers: Iterable[int]) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.sum([self._vars[number] for number in numbers])

    def _at_most(self, numbers: Sequence[int], count: int) -> None:
        if sum(self._most[number] for number in numbers) > count:
            self._model.add(self._sum(numbers) <= count)

    def _either(self, conditions: Sequence[tuple[Sequence[int], int]]) -> None:
        """At least one of the sums is within its count."""
        possible = [(numbers, count) for numbers, count in conditions if count >= 0]
        if len(possible) == 1:
            self._at_most(*possible[0])
            return
        chosen = []
        for numbers, count in possible:
            chosen.append(self._model.new_bool_var(""))
            self._model.add(self._sum(numbers) <= count).only_enforce_if(chosen[-1])
        self._model.add_bool_or(chosen)

    # Answers as the values of the variables ---------------------------------------------------------------------------

    def _values(self, rings: Iterable[LinkCycle]) -> list[int]:
        values = [0] * len(self._vars)
        for ring in rings:
            parties = self.market.parties_of(ring)
            values[self._cycles[parties]] += 1
            for link in ring:
                values[self._links[link]] += 1
            for party in parties:
                values[self._people[party]] = 1
        return values

    def _dealt(self) -> Iterator[LinkCycle]:
        """The rings: each cycle in order takes the first links that are left between its parties."""
        between: dict[Parties, list[Link]] = defaultdict(list)
        for (supply, demand), number in sorted(self._links.items(), reverse=True):
            step = (self.market.supplies[supply].giver, self.market.demands[demand].receiver)
            between[step] += [(supply, demand)] * self._now[number]
        for parties, number in self._cycles.items():
            for _ in range(self._now[number]):
                yield tuple(between[step].pop() for step in _steps(parties))

    def _worth(self, terms: Terms, values: Sequence[int] | None = None) -> int:
        values = self._now if values is None else values
        return sum(coefficient * values[number] for number, coefficient in terms.items())

    # Asking the solver ------------------------------------------------------------------------------------------------

    def _put_in_order(self, meter: SolverBudget, stop: float) -> int:
        """Make each cycle in order as frequent as it can be, then each link; for how many of them that is not proven.

        Most are 0, and stay so: a run of them is asked about at once.
        """
        numbers = [*self._cycles.values(), *(number for _, number in sorted(self._links.items()))]
        at = unproven = 0
        while at < len(numbers):
            run = list(takewhile(lambda number: not self._now[number], numbers[at:]))
            if run:
                found, proven = self._rises(run, meter, (meter.left - stop) / 4)
                if found:
                    continue
            else:
                run, most = numbers[at : at + 1], self._most[numbers[at]]
                bound = self._minimise({numbers[at]: -1}, -most, meter, (meter.left - stop) / 4)
                proven = bound == -self._now[numbers[at]]
            unproven += 0 if proven else len(run)
            for number in run:
                self._model.add(self._vars[number] == self._now[number])
            at += len(run)
        return unproven

    def _rises(self, numbers: Sequence[int], meter: SolverBudget, seconds: float) -> tuple[bool, bool]:
        """Whether one of these, now all 0, can be more, which then is so in the best answer; and whether that is proven."""
        if seconds <= 0:
            return False, False
        model = self._model.clone()
        model.clear_objective()  # type: ignore[no-untyped-call]  # ortools leaves this one unannotated
        model.add(self._sum(numbers) >= 1)
        solver, status = self._solved(model, meter, seconds)
        if status in (self._cp.OPTIMAL, self._cp.FEASIBLE):
            self._now = [solver.value(variable) for variable in self._vars]
            return True, True
        return False, bool(status == self._cp.INFEASIBLE)

    def _minimise(self, terms: Terms, low: int, meter: SolverBudget, seconds: float) -> int:
        """Make the terms as small as can be; returns a proven bound, their value when the step was finished."""
        reached = self._worth(terms)
        if reached <= low:
            return reached
        if seconds <= 0:
            return low
        self._model.minimize(self._expression(terms))
        solver, status = self._solved(self._model, meter, seconds)
        if status in (self._cp.INFEASIBLE, self._cp.MODEL_INVALID):
            raise RuntimeError(f"the solver calls an exchange with a known answer {solver.status_name(status)}")
        if status in (self._cp.OPTIMAL, self._cp.FEASIBLE):
            found = [solver.value(variable) for variable in self._vars]
            if self._worth(terms, found) < reached:
                self._now, reached = found, self._worth(terms, found)
        if status == self._cp.OPTIMAL:
            return reached
        bound = solver.best_objective_bound
        return min(max(low, math.ceil(bound - 1e-6)), reached) if math.isfinite(bound) else low

    def _solved(self, model: cp_model.CpModel, meter: SolverBudget, seconds: float) -> tuple[cp_model.CpSolver, Any]:
        model.clear_hints()  # type: ignore[no-untyped-call]
        for variable, value in zip(self._vars, self._now, strict=True):
            model.add_hint(variable, value)
        solver = self._cp.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.linearization_level = 2
        solver.parameters.symmetry_level = 0
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.max_deterministic_time = seconds
        status = solver.solve(model)
        meter.spend(solver.response_proto.deterministic_time)
        return solver, status

    def _expression(self, terms: Terms) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.weighted_sum([self._vars[number] for number in terms], list(terms.values()))


def _steps(parties: Parties) -> Iterator[Parties]:
    return pairwise((*parties, parties[0]))

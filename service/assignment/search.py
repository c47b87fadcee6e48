"""Places under bonds: one component, level by level, with CP-SAT.

Each step makes one level small, keeps what it reached as a constraint, and goes on from the last answer. One worker, a
fixed seed and a budget in the solver's deterministic seconds: an answer never depends on the load. An answer is kept at
all times, so running out of budget costs proofs, never the answer. ortools is imported on first use; it takes about a
second and 90 MB.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from service.assignment.components import Component, Layout, Limit, edges_of, level_multipliers
from service.assignment.flow import EMPTY, level_spreads, selected_edges, solve_flow
from service.assignment.problem import Level

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

_MAXIMISED = frozenset({"pins", "required", "places", "moved"})
_LARGEST_OBJECTIVE = 2**20
"""The most that several goals in one objective may span: large weights make the solver's proofs slow (measured)."""
_EXACT = 2**50
"""The most that one goal may span: whole numbers up to here are exact in the solver's own doubles."""
_DIGIT = 2**31
SEED = 1882


class SolverBudget:
    """Deterministic seconds of solver time that are left."""

    def __init__(self, seconds: float) -> None:
        self.left = seconds

    def spend(self, seconds: float) -> None:
        """Take off what a step used."""
        self.left -= seconds


@dataclass(frozen=True, slots=True)
class Assignment:
    """Edges that are taken, and those among the wavering ones that are placed tentatively."""

    edges: frozenset[int]
    tentative: frozenset[int] = frozenset()


Terms = dict[int, int]
"""Coefficients by the number of a variable in the model."""


@dataclass(frozen=True, slots=True)
class Goal:
    """A level, or one digit of a level too large for one objective: made small, from `low` to `low + spread`."""

    level: int
    terms: Terms
    low: int
    spread: int
    value: Callable[[Assignment], int]
    unit: int = 1
    """What one of it is worth on the level."""


_Item = TypeVar("_Item")


class PackedObjective:
    """Goals in one objective: their lexicographic order is that of one whole number."""

    def __init__(self, goals: Sequence[Goal]) -> None:
        self.goals = goals
        self._weights = level_multipliers([goal.spread for goal in goals])
        self.low = sum(goal.low * weight for goal, weight in zip(goals, self._weights, strict=True))
        self.terms: Terms = {}
        for goal, weight in zip(goals, self._weights, strict=True):
            for variable, coefficient in goal.terms.items():
                self.terms[variable] = self.terms.get(variable, 0) + coefficient * weight

    def value(self, taken: Assignment) -> int:
        """What the objective comes to."""
        return sum(goal.value(taken) * weight for goal, weight in zip(self.goals, self._weights, strict=True))

    def digits(self, bound: int) -> list[int]:
        """The goals' own values in a value of the objective."""
        digits = []
        rest = bound - self.low
        for goal, weight in zip(self.goals, self._weights, strict=True):
            digit, rest = divmod(rest, weight)
            digits.append(goal.low + digit)
        return digits

    def reached(self, taken: Assignment, bound: int) -> Iterator[Goal]:
        """The goals, from the first, that stand where the bound has them: they are proven."""
        for goal, digit in zip(self.goals, self.digits(bound), strict=True):
            if goal.value(taken) != digit:
                return
            yield goal


def loss(board: Layout, level: int, taken: Assignment) -> int:
    """What the level comes to, smaller being better."""
    total = sum(board.losses[edge][level] for edge in taken.edges)
    return total + sum(1 for edge in taken.tentative if board.doubt_level(edge) == level)


def reported_level(name: str, lost: int, bound: int) -> Level:
    """The level as it is reported: what is wanted counts upwards."""
    sign = -1 if name in _MAXIMISED else 1
    return Level(name, sign * lost, lost == bound, sign * bound)


def is_feasible(component: Component, taken: Assignment) -> bool:
    """Whether the edges keep every bond of the component."""
    firm = taken.edges - taken.tentative
    for bond in component.bonds:
        counted = firm if bond.firm else taken.edges
        if isinstance(bond, Limit):
            if sum(1 for edge in bond.edges if edge in counted) > bond.count:
                return False
        elif sum(1 for side in bond.sides if not counted.isdisjoint(side)) > 1:
            return False
    return True


def polish(board: Layout, component: Component, answer: Assignment) -> Assignment:
    """The answer with all that no bond speaks of placed anew around it: as good on all levels together, or better.

    Of the edges that a bond speaks of only those taken stay allowed, and what is left of a set that keeps a bond keeps it.
    """
    bound = {edge for bond in component.bonds for edge in edges_of(bond)}
    allowed = tuple(edge for edge in component.edges if edge not in bound or edge in answer.edges)
    part = Component(component.places, allowed, ())
    edges = selected_edges(board, part, solve_flow(board, part))
    polished = Assignment(edges, answer.tentative & edges)

    def worth(taken: Assignment) -> list[int]:
        return [loss(board, level, taken) for level in range(len(board.levels))]

    return polished if worth(polished) < worth(answer) else answer


def greedy_assignment(board: Layout, component: Component, wanted: frozenset[int]) -> Assignment:
    """A first answer that keeps every bond: edges are taken while they fit, wanted ones first, firmly if possible."""
    touching: dict[int, list[int]] = {edge: [] for edge in component.edges}
    for number, bond in enumerate(component.bonds):
        for edge in edges_of(bond):
            touching[edge].append(number)
    side_of = [
        {} if isinstance(bond, Limit) else {edge: i for i, side in enumerate(bond.sides) for edge in side}
        for bond in component.bonds
    ]
    counts = [0] * len(component.bonds)
    sides: list[int | None] = [None] * len(component.bonds)
    edges: set[int] = set()
    tentative: set[int] = set()
    seated: set[int] = set()
    pieces: dict[int, int] = {}

    def fits(edge: int, number: int) -> bool:
        bond = component.bonds[number]
        if isinstance(bond, Limit):
            return counts[number] < bond.count
        return sides[number] in (None, side_of[number][edge])

    for edge in sorted(component.edges, key=lambda edge: (edge not in wanted, board.losses[edge], edge)):
        place, holding = board.edges[edge].place, board.edges[edge].holding
        if place in seated or pieces.get(holding, 0) >= board.quantity[holding]:
            continue
        if not all(fits(edge, number) for number in touching[edge] if not component.bonds[number].firm):
            continue
        is_firm = all(fits(edge, number) for number in touching[edge] if component.bonds[number].firm)
        if not is_firm:
            if not board.standings[edge].wavers:
                continue
            tentative.add(edge)
        edges.add(edge)
        seated.add(place)
        pieces[holding] = pieces.get(holding, 0) + 1
        for number in touching[edge]:
            if is_firm or not component.bonds[number].firm:
                counts[number] += 1
                sides[number] = side_of[number].get(edge)
    return Assignment(frozenset(edges), frozenset(tentative))


class Search:
    """One component in the solver, with the best answer so far in `best`; `start` must keep every bond."""

    def __init__(self, board: Layout, component: Component, start: Assignment) -> None:
        from ortools.sat.python import cp_model

        self.board, self.component, self.best = board, component, start
        self._cp = cp_model
        self._model = cp_model.CpModel()
        self._vars: list[cp_model.IntVar] = []
        self._values: list[Callable[[Assignment], int]] = []
        self._taken: dict[int, int] = {}
        self._firm: dict[int, int] = {}
        self._at: dict[int, list[int]] = {place: [] for place in component.places}
        self._lay_out()
        self._goals = tuple(self._level_goals())
        self._bounds: dict[int, int] = {}

    # What is asked ----------------------------------------------------------------------------------------------------

    def optimise(self, meter: SolverBudget, seconds: float, floor: Assignment | None = None) -> None:
        """Make every level small in order and keep it so. `floor` is an optimum of the component without its bonds."""
        stop = meter.left - seconds
        for goal in self._goals:
            pack = PackedObjective([goal])
            low = pack.low if floor is None else pack.value(floor)
            before = self.best
            bound = self._minimise(pack, low, meter, (meter.left - stop) / 2)
            if self.best is not before:
                self.best = polish(self.board, self.component, self.best)
            self._keep(pack)
            if floor is not None and pack.value(self.best) != low:
                floor = None
            self._record(pack, bound)

    def levels(self) -> list[Level]:
        """Every level of `best`; a bound holds given the values of the levels before it."""
        levels = []
        for number, name in enumerate(self.board.levels):
            lost = loss(self.board, number, self.best)
            levels.append(reported_level(name, lost, min(self._bounds.get(number, lost), lost)))
        return levels

    def hold(self) -> None:
        """Keep every level as good as in `best`, which is known to be an optimum."""
        for goal in self._goals:
            self._keep(PackedObjective([goal]))

    def depart(self, places: Sequence[int], meter: SolverBudget, seconds: float) -> tuple[Assignment | None, bool]:
        """An answer as good as `best` that chooses otherwise in one of the places, in as many as is easy; or None, and
        whether it is proven that there is none."""
        terms: Terms = {}
        constant = 0
        for place in places:
            here = self.choice(self.best, place)
            constant += here == EMPTY
            for edge in self._at[place]:
                if here == EMPTY:
                    terms[self._taken[edge]] = -1
                elif edge == here:
                    terms[self._taken[edge]] = 1
        model = self._model.clone()
        model.add(self._expression(terms) <= len(places) - constant - 1)
        found, _, proven = self._ask(terms, meter, seconds, model)
        return found, proven

    def put_in_order(self, meter: SolverBudget, seconds: float, fixed: Iterable[int]) -> int:
        """Give each place in order the first holding that it can have, EMPTY last, those in `fixed` as they are; then
        make the early places firm where there is a choice. Returns for how many places that is not proven."""
        stop = meter.left - seconds
        settled = set(fixed)
        for place in settled:
            self._fix(place)
        left = [place for place in self.component.places if place not in settled]
        unproven: set[int] = set()
        for places in _packs(left, lambda place: len(self._at[place])):
            ranks = [self._rank_goal(place) for place in places]
            proven = self._first(ranks, meter, (meter.left - stop) / 2)
            unproven.update(places[proven:])
            for place in places:
                self._fix(place)
        wavering = [edge for edge in sorted(self.best.edges) if self.board.standings[edge].wavers]
        for edges in _packs(wavering, lambda _: 1):
            proven = self._first([self._doubt_goal(edge) for edge in edges], meter, (meter.left - stop) / 2)
            unproven.update(self.board.edges[edge].place for edge in edges[proven:])
            for edge in edges:
                self._model.add(self._vars[self._firm[edge]] == int(edge not in self.best.tentative))
        return len(unproven)

    def choice(self, taken: Assignment, place: int) -> int:
        """The edge taken at the place, or EMPTY."""
        return next((edge for edge in self._at[place] if edge in taken.edges), EMPTY)

    # The model --------------------------------------------------------------------------------------------------------

    def _bool(self, value: Callable[[Assignment], int]) -> int:
        self._vars.append(self._model.new_bool_var(""))
        self._values.append(value)
        return len(self._vars) - 1

    def _lay_out(self) -> None:
        board, model = self.board, self._model
        holders: dict[int, list[int]] = {}
        for edge in self.component.edges:
            self._taken[edge] = self._firm[edge] = self._bool(_is_taken(edge))
            self._at[board.edges[edge].place].append(edge)
            holders.setdefault(board.edges[edge].holding, []).append(edge)
            if board.standings[edge].wavers:
                self._firm[edge] = self._bool(_is_firm(edge))
                model.add_implication(self._vars[self._firm[edge]], self._vars[self._taken[edge]])
        for edges in self._at.values():
            model.add_at_most_one([self._vars[self._taken[edge]] for edge in edges])
        for holding, edges in holders.items():
            self._limit([self._taken[edge] for edge in edges], board.quantity[holding])
        for bond in self.component.bonds:
            numbers = self._firm if bond.firm else self._taken
            if isinstance(bond, Limit):
                self._limit([numbers[edge] for edge in bond.edges], bond.count)
            else:
                self._apart(bond.sides, numbers, bond.firm)

    def _limit(self, numbers: Sequence[int], count: int) -> None:
        if count == 1:
            self._model.add_at_most_one([self._vars[number] for number in numbers])
        elif len(numbers) > count:
            self._model.add(self._cp.LinearExpr.sum([self._vars[number] for number in numbers]) <= count)

    def _apart(self, sides: Sequence[Sequence[int]], numbers: dict[int, int], firm: bool) -> None:
        has_coins = []
        for side in sides:
            if not side:
                continue

            def shows(taken: Assignment, side: Sequence[int] = side) -> int:
                return int(any(e in taken.edges and not (firm and e in taken.tentative) for e in side))

            has_coins.append(self._vars[self._bool(shows)])
            at: dict[int, list[int]] = {}
            for edge in side:
                at.setdefault(self.board.edges[edge].place, []).append(numbers[edge])
            for here in at.values():
                # One coin a place, so the sum is 0 or 1: stronger than an implication for each edge.
                self._model.add(self._cp.LinearExpr.sum([self._vars[number] for number in here]) <= has_coins[-1])
        self._model.add_at_most_one(has_coins)

    def _level_goals(self) -> Iterator[Goal]:
        for level, (least, most) in enumerate(level_spreads(self.board, self.component)):
            if most == least:
                continue

            def value(taken: Assignment, level: int = level) -> int:
                return loss(self.board, level, taken)

            if most - least < _EXACT:
                yield Goal(level, self._level_terms(level), least, most - least, value)
            else:
                yield from self._digit_goals(level, most, value)

    def _level_terms(self, level: int) -> Terms:
        terms: Terms = {}
        for edge in self.component.edges:
            lost = self.board.losses[edge][level]
            if self.board.standings[edge].wavers and self.board.doubt_level(edge) == level:
                terms[self._firm[edge]] = -1
                lost += 1
            if lost:
                terms[self._taken[edge]] = lost
        return terms

    def _digit_goals(self, level: int, most: int, value: Callable[[Assignment], int]) -> Iterator[Goal]:
        """A level of large costs as two exact digits: sum = high * DIGIT + low, the carry in variables of its own."""
        costs = {edge: self.board.losses[edge][level] for edge in self.component.edges}
        carried = len(self.component.places) + 1

        def column(part: Callable[[int], int], more: Terms) -> cp_model.LinearExprT:
            return self._expression({self._taken[edge]: part(cost) for edge, cost in costs.items()} | more)

        def new(high: int, value: Callable[[Assignment], int]) -> int:
            self._vars.append(self._model.new_int_var(0, high, ""))
            self._values.append(value)
            return len(self._vars) - 1

        low = new(_DIGIT - 1, lambda taken: value(taken) % _DIGIT)
        high = new(most // _DIGIT, lambda taken: value(taken) // _DIGIT)

        def carry_of(taken: Assignment) -> int:
            return sum(costs[edge] % _DIGIT for edge in taken.edges) // _DIGIT

        carry = new(carried, carry_of)
        self._model.add(column(lambda cost: cost % _DIGIT, {carry: -_DIGIT, low: -1}) == 0)
        self._model.add(column(lambda cost: cost // _DIGIT, {carry: 1, high: -1}) == 0)
        yield Goal(level, {high: 1}, 0, most // _DIGIT, self._values[high], _DIGIT)
        yield Goal(level, {low: 1}, 0, _DIGIT - 1, self._values[low])

    def _rank_goal(self, place: int) -> Goal:
        count = len(self._at[place])
        ranks = {edge: rank for rank, edge in enumerate(self._at[place])}

        def value(taken: Assignment) -> int:
            return ranks.get(self.choice(taken, place), count) - count

        return Goal(0, {self._taken[edge]: rank - count for edge, rank in ranks.items()}, -count, count, value)

    def _doubt_goal(self, edge: int) -> Goal:
        return Goal(0, {self._firm[edge]: -1}, -1, 1, lambda taken: -self._values[self._firm[edge]](taken))

    # Asking the solver ------------------------------------------------------------------------------------------------

    def _first(self, goals: Sequence[Goal], meter: SolverBudget, seconds: float) -> int:
        """Make the goals small in order; how many of them, from the first, are proven."""
        pack = PackedObjective(goals)
        bound = self._minimise(pack, pack.low, meter, seconds)
        return sum(1 for _ in pack.reached(self.best, bound))

    def _minimise(self, pack: PackedObjective, low: int, meter: SolverBudget, seconds: float) -> int:
        """Make `best` as small as can be; returns a proven bound, equal to its value when the step was finished. `low`
        is a bound known beforehand."""
        if pack.value(self.best) == low:
            return low
        self._model.add(self._expression(pack.terms) >= low)
        found, bound, proven = self._ask(pack.terms, meter, seconds)
        if found is not None and pack.value(found) < pack.value(self.best):
            self.best = found
        reached = pack.value(self.best)
        return reached if proven else min(max(low, bound), reached)

    def _record(self, pack: PackedObjective, bound: int) -> None:
        (goal,) = pack.goals
        (digit,) = pack.digits(bound)
        self._bounds[goal.level] = self._bounds.get(goal.level, 0) + digit * goal.unit

    def _ask(
        self, terms: Terms, meter: SolverBudget, seconds: float, variant: cp_model.CpModel | None = None
    ) -> tuple[Assignment | None, int, bool]:
        """The answer found, a bound of the objective, and whether the answer is proven best; with a `variant` of the
        model, which may have no answer, whether that is proven."""
        if seconds <= 0:
            return None, -(2**62), False
        model = variant or self._model
        model.minimize(self._expression(terms))
        model.clear_hints()  # type: ignore[no-untyped-call]  # ortools leaves this one unannotated
        for variable, value in zip(self._vars, self._values, strict=True):
            model.add_hint(variable, value(self.best))
        solver = self._cp.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = SEED
        solver.parameters.linearization_level = 2
        solver.parameters.symmetry_level = 0
        solver.parameters.cp_model_probing_level = 0
        solver.parameters.max_deterministic_time = seconds
        status = solver.solve(model)
        meter.spend(solver.response_proto.deterministic_time)
        if variant is not None and status == self._cp.INFEASIBLE:
            return None, 0, True
        if status in (self._cp.INFEASIBLE, self._cp.MODEL_INVALID):
            raise RuntimeError(f"the solver calls a component with a known answer {solver.status_name(status)}")
        if status == self._cp.UNKNOWN:
            bound = solver.best_objective_bound
            return None, math.ceil(bound - 1e-6) if math.isfinite(bound) else -(2**62), False
        edges = frozenset(e for e, number in self._taken.items() if solver.boolean_value(self._vars[number]))
        tentative = frozenset(
            e for e in edges if self.board.standings[e].wavers and not solver.boolean_value(self._vars[self._firm[e]])
        )
        return Assignment(edges, tentative), math.ceil(solver.best_objective_bound - 1e-6), status == self._cp.OPTIMAL

    def _expression(self, terms: Terms) -> cp_model.LinearExprT:
        return self._cp.LinearExpr.weighted_sum([self._vars[number] for number in terms], list(terms.values()))

    def _keep(self, pack: PackedObjective) -> None:
        self._model.add(self._expression(pack.terms) <= pack.value(self.best))

    def _fix(self, place: int) -> None:
        here = self.choice(self.best, place)
        for edge in self._at[place]:
            self._model.add(self._vars[self._taken[edge]] == int(edge == here))


def _is_taken(edge: int) -> Callable[[Assignment], int]:
    return lambda taken: int(edge in taken.edges)


def _is_firm(edge: int) -> Callable[[Assignment], int]:
    return lambda taken: int(edge in taken.edges and edge not in taken.tentative)


def _packs(items: Iterable[_Item], spread: Callable[[_Item], int]) -> Iterator[list[_Item]]:
    """Runs of items that one objective can hold."""
    run: list[_Item] = []
    span = 1
    for item in items:
        width = spread(item) + 1
        if run and span * width > _LARGEST_OBJECTIVE:
            yield run
            run, span = [], 1
        run.append(item)
        span *= width
    if run:
        yield run

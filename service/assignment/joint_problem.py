"""Several sets solved as one problem: each piece of a holding is placed in one of them.

The levels of `service.assignment.problem` then count over all sets together: first the pins of all sets, then the
required places of all sets, and so on. Among equals the earlier place in the order of the sets takes the first holding.

Only the holdings connect the sets, so for the pieces that the others use, the part of each set is optimal on every level
for that set: a better one would improve the whole. Joining is linear in edges and rules.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import lcm

import numpy as np

from service.assignment.build import Instance
from service.assignment.cp_sat import SolverBudget
from service.assignment.edges import Edges, joined
from service.assignment.preference_costs import CostScale
from service.assignment.problem import (
    LARGEST_COST,
    AssignmentProblem,
    Basis,
    GroupPin,
    Level,
    Placement,
    SetRule,
    Solution,
)
from service.assignment.solve import level_values, most_certain, most_possible
from service.errors import Fault, OverLimit, Sentence

_UNSCALED = CostScale()


@dataclass(frozen=True, slots=True)
class SetProblem:
    """The problem of one set. `holdings` are the ids of its holdings by number; `scales` are what its costs mean, level
    by level (a level without one: a cost stands for itself)."""

    problem: AssignmentProblem
    holdings: tuple[str, ...]
    scales: tuple[CostScale, ...] = ()

    def scale(self, level: int) -> CostScale:
        """What the costs of the level mean."""
        return self.scales[level] if level < len(self.scales) else _UNSCALED


@dataclass(frozen=True, slots=True)
class JointProblem:
    """Several sets as one problem. Set n has the places from `first_place[n]` on; `holdings` are the ids by joint number,
    sorted; `steps` is for each preference level how many joint cost units make 1 of the criterion's own numbers."""

    problem: AssignmentProblem
    sets: tuple[SetProblem, ...]
    holdings: tuple[str, ...]
    first_place: tuple[int, ...]
    steps: tuple[int, ...]


def set_problem_of(instance: Instance) -> SetProblem:
    """The problem of a set that was built."""
    return SetProblem(instance.problem, tuple(holding.id for holding in instance.holdings), instance.scales)


def join_problems(sets: Sequence[SetProblem]) -> JointProblem:
    """One problem of all the sets.

    Places are in the order of the sets, holdings in that of their ids; an id that several sets name is one holding, and
    has the same quantity in each (else ValueError). Rules keep to the places of their own set (`SetRule.among`) and are
    named `<number of the set>:<name>`. Costs of a preference level add up over all sets in the criteria's own numbers:
    they are converted to one scale with one zero, and a set without that level loses 0 there. Raises OverLimit when a
    level then spans more than 2^60 units. Linear in edges and rules.
    """
    quantity: dict[str, int] = {}
    for one in sets:
        for name, pieces in zip(one.holdings, one.problem.quantity, strict=True):
            if quantity.setdefault(name, pieces) != pieces:
                raise ValueError(f"holding {name!r} has {pieces} pieces in one set and {quantity[name]} in another")
    holdings = tuple(sorted(quantity))
    number_of = {name: number for number, name in enumerate(holdings)}
    levels = max((one.problem.preference_levels for one in sets), default=0)
    scales = [_common_scale(sets, level) for level in range(levels)]
    first_place: list[int] = []
    required: list[bool] = []
    edges: list[Edges] = []
    largest = [0] * levels
    rules: list[SetRule] = []
    pins: list[GroupPin] = []
    alike: list[frozenset[int]] = []
    for number, one in enumerate(sets):
        start, coins = len(required), [number_of[name] for name in one.holdings]
        first_place.append(start)
        required.extend(one.problem.required)
        own_edges = Edges.of(one.problem.edges, one.problem.preference_levels)
        moved = np.array(coins, np.int64)[own_edges.holding]
        cost = np.zeros((levels, len(own_edges)), np.int64)
        for level, scale in enumerate(scales):
            least, factor = _rescaling(one, level, scale)
            most = least + (factor * int(own_edges.cost[level].max(initial=0)) if factor else 0)
            largest[level] = max(largest[level], most if len(own_edges) else 0)
            if most <= LARGEST_COST:
                cost[level] = least + (factor * own_edges.cost[level] if factor else 0)
        edges.append(replace(own_edges, place=start + own_edges.place, holding=moved, cost=cost))
        own = frozenset(range(start, len(required)))
        pins.extend(GroupPin(coins[p.holding], _shifted(p.places, start)) for p in one.problem.group_pins)
        alike.extend(_shifted(group, start) for group in one.problem.alike)
        rules.extend(_renumbered(rule, f"{number}:{rule.name}", start, coins, own) for rule in one.problem.rules)
    pieces_of = tuple(quantity[name] for name in holdings)
    problem = AssignmentProblem(
        tuple(required), pieces_of, joined(edges, levels), tuple(rules), levels, tuple(pins), tuple(alike)
    )
    _ensure_small(largest)
    return JointProblem(problem, tuple(sets), holdings, tuple(first_place), tuple(scale.steps for scale in scales))


def _common_scale(sets: Sequence[SetProblem], level: int) -> CostScale:
    """The scale on which the costs of all sets are whole numbers from 0."""
    own = [one.scale(level) if level < one.problem.preference_levels else _UNSCALED for one in sets]
    steps = lcm(*(scale.steps for scale in own), *(scale.least.denominator for scale in own))
    return CostScale(steps, min((scale.least for scale in own), default=0))


def _rescaling(one: SetProblem, level: int, common: CostScale) -> tuple[int, int]:
    """What a cost of 0 is on the common scale, and how many units there 1 is; 0 where the set does not have the level."""
    if level >= one.problem.preference_levels:
        return int(-common.least * common.steps), 0
    own = one.scale(level)
    return int((own.least - common.least) * common.steps), common.steps // own.steps


def _renumbered(rule: SetRule, name: str, start: int, coins: Sequence[int], own: frozenset[int]) -> SetRule:
    among = own if rule.among is None else _shifted(rule.among, start)
    return replace(
        rule,
        name=name,
        places=_shifted(rule.places, start),
        keys={coins[holding]: keys for holding, keys in rule.keys.items()},
        among=among,
        bound=None if rule.bound is None else start + rule.bound,
    )


def _shifted(places: Iterable[int], start: int) -> frozenset[int]:
    return frozenset(start + place for place in places)


def _ensure_small(largest: Sequence[int]) -> None:
    for level, cost in enumerate(largest):
        if cost > LARGEST_COST:
            message = Sentence(
                "the numbers of preference {level} of all sets span more than 2^60 steps of their least difference",
                level=level + 1,
            )
            raise OverLimit([Fault("over-limit", message, "/sets", "prefer a rule, or a rounder number")])


def solution_of(joint: JointProblem, number: int, solution: Solution, *, budget_seconds: float) -> Solution:
    """One set's part of the joint solution, in its own numbers.

    A level's value counts this set alone; it is proven, and its bound holds, for the pieces that the other sets leave to
    it. `forced`: in every solution as good on all sets together the same holding is there. `certain` is the largest
    number of places of this set that firm edges fill with what the others leave, counted within `budget_seconds`
    (deterministic).
    """
    one, start = joint.sets[number], joint.first_place[number]
    places = range(start, start + len(one.problem.required))
    own = {name: coin for coin, name in enumerate(one.holdings)}
    placements = tuple(
        replace(placement, place=placement.place - start, holding=own[joint.holdings[placement.holding]])
        for placement in solution.placements
        if placement.place in places
    )
    elsewhere: dict[int, int] = {}
    for placement in solution.placements:
        coin = own.get(joint.holdings[placement.holding])
        if placement.place not in places and coin is not None:
            elsewhere[coin] = elsewhere.get(coin, 0) + 1
    left = without_pieces(one.problem, elsewhere)
    certain, certain_proven = most_certain(left, placements, SolverBudget(budget_seconds))
    possible, possible_proven = most_possible(left, placements, SolverBudget(budget_seconds))
    filled = sum(1 for placement in placements if placement.basis is Basis.FIRM)
    certain, possible = max(certain, filled), max(possible, certain, len(placements))
    levels = tuple(_levels(joint, number, placements, solution))
    return Solution(placements, levels, certain, certain_proven, possible, possible_proven)


def without_pieces(problem: AssignmentProblem, used: Mapping[int, int]) -> AssignmentProblem:
    """The problem with this many pieces of some holdings taken away; a holding with none left loses its edges."""
    left = tuple(max(0, pieces - used.get(coin, 0)) for coin, pieces in enumerate(problem.quantity))
    edges = Edges.of(problem.edges, problem.preference_levels)
    return replace(problem, quantity=left, edges=edges.at(np.array(left, np.int64)[edges.holding] > 0))


def _levels(joint: JointProblem, number: int, placements: Sequence[Placement], solution: Solution) -> list[Level]:
    one = joint.sets[number]
    values = level_values(one.problem, placements)
    found = []
    for level in solution.levels:
        gap = level.bound - level.value
        if level.name == "order":
            # Which places are not in order is not recorded, so each set may have all of them.
            found.append(level)
        elif level.name in values:
            if level.name.startswith("prefer-"):
                at = int(level.name.removeprefix("prefer-")) - 1
                gap = -(-gap // (joint.steps[at] // one.scale(at).steps))
            value = values[level.name]
            found.append(Level(level.name, value, gap == 0, value + gap))
    return found

"""Objectives for the solver: goals to be minimised in order, several of them packed into one objective where that is
exact."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from service.assignment.cp_sat import Terms
from service.assignment.levels import Assignment, mixed_radix_weights

_LARGEST_OBJECTIVE = 2**20
"""The largest span of several goals in one objective: large weights make the solver's proofs slow (measured)."""
_Item = TypeVar("_Item")


@dataclass(frozen=True, slots=True)
class Goal:
    """A number to be minimised: a level, one digit of a level too large for one objective, or a rank. It lies between
    `low` and `low + spread`. `terms` is its expression in the model's variables, `value` its value for an assignment;
    `unit` is what 1 of it is worth on the level with this number."""

    level: int
    terms: Terms
    low: int
    spread: int
    value: Callable[[Assignment], int]
    unit: int = 1


class PackedObjective:
    """Several goals as one whole number: comparing it compares the goals in order."""

    def __init__(self, goals: Sequence[Goal]) -> None:
        self.goals = goals
        self._weights = mixed_radix_weights([goal.spread for goal in goals])
        self.low = sum(goal.low * weight for goal, weight in zip(goals, self._weights, strict=True))
        self.terms: Terms = {}
        for goal, weight in zip(goals, self._weights, strict=True):
            for variable, coefficient in goal.terms.items():
                self.terms[variable] = self.terms.get(variable, 0) + coefficient * weight

    def value(self, assignment: Assignment) -> int:
        """The value of the objective for an assignment."""
        return sum(goal.value(assignment) * weight for goal, weight in zip(self.goals, self._weights, strict=True))

    def unpacked(self, value: int) -> list[int]:
        """The value of each goal in a value of the objective."""
        values = []
        rest = value - self.low
        for goal, weight in zip(self.goals, self._weights, strict=True):
            digit, rest = divmod(rest, weight)
            values.append(goal.low + digit)
        return values

    def count_proven(self, assignment: Assignment, bound: int) -> int:
        """How many goals, from the first, have the value that the bound gives them: these are proven optimal."""
        proven = 0
        for goal, value in zip(self.goals, self.unpacked(bound), strict=True):
            if goal.value(assignment) != value:
                break
            proven += 1
        return proven


def batches(
    items: Iterable[_Item], spread: Callable[[_Item], int], largest: int = _LARGEST_OBJECTIVE
) -> Iterator[list[_Item]]:
    """Consecutive items in groups whose goals, of these spreads, fit into one objective."""
    batch: list[_Item] = []
    span = 1
    for item in items:
        width = spread(item) + 1
        if batch and span * width > largest:
            yield batch
            batch, span = [], 1
        batch.append(item)
        span *= width
    if batch:
        yield batch

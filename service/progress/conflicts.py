"""What stands in the way: pins that cannot hold, and places that a set-level rule keeps empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec

from service.assignment.build import Instance
from service.assignment.problem import AssignmentProblem, Basis, Placement
from service.assignment.solve import solve
from service.evaluation.explanation import failing_clauses
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.progress.description import MessageNames, some
from service.progress.result import ConstraintConflict, PinConflict, Placing

MOST_WORK = 300_000
"""Edges times rules, over all trials of what rules keep empty."""


def pin_conflicts(
    board: Instance,
    table: Table,
    seats: Mapping[int, Placement],
    pins: Sequence[tuple[str, str]],
    nevers: Sequence[tuple[str, str]],
    holdings: Sequence[Holding],
    statuses: frozenset[str],
) -> list[PinConflict]:
    """One conflict of kind `pin` for every pin that is not honoured, with its reason and in plain words."""
    coins = {holding.id: coin for coin, holding in enumerate(board.holdings)}
    places = {place.address: at for at, place in enumerate(board.places)}
    every = {holding.id: holding for holding in holdings}
    names = MessageNames(board, table)
    conflicts = []
    for holding, address in pins:
        at, coin = places.get(address), coins.get(holding)
        if at is not None and coin is not None and at in seats and seats[at].holding == coin:
            continue
        why: dict[str, Any]
        label = names.place(address)
        name = names.coin(coin) if coin is not None else names.held(every.get(holding, Holding(holding, {})))
        if holding not in every:
            message = f"{name} is to be kept in {label}, but is not here any more."
            why = {"reason": "unknown_holding", "message": message}
        elif every[holding].status not in statuses:
            status = every[holding].status
            message = f"{name} cannot be kept in {label}: its status is {status}."
            why = {"reason": "not_held", "message": message}
        elif at is None:
            message = f"{name} cannot be kept in {label}: the set has no such place."
            why = {"reason": "unknown_place", "message": message}
        elif (holding, address) in nevers:
            message = f"{name} is marked both 'keep here' and 'never here' for {label}. Remove one of the two."
            why = {"reason": "never", "message": message}
        elif coin is not None and coin not in board.fits[at]:
            clauses = failing_clauses(board.places[at].parts, board.views[coin], table.attributes, table.context)
            # A coin of several candidate issues may fail another clause as each of them, and none as all.
            words = f"it fails {'; '.join(clauses)}" if clauses else "each of its candidate issues fails some clause"
            why = {"reason": "does_not_fit", "failing": clauses}
            why["message"] = f"{name} cannot be kept in {label}: {words}."
        else:
            why = _clash(board, names, seats, holding, at, pins)
        conflicts.append(PinConflict(holding=holding, place=address, **why))
    return conflicts


def _clash(
    board: Instance,
    names: MessageNames,
    seats: Mapping[int, Placement],
    holding: str,
    at: int,
    pins: Sequence[tuple[str, str]],
) -> dict[str, Any]:
    """Why a pin that fits by itself gives way to other pins, or to a set-level rule: members of the conflict."""
    address = board.places[at].address
    coin = next(number for number, held in enumerate(board.holdings) if held.id == holding)
    name, label = names.coin(coin), names.place(address)
    sitting = board.holdings[seats[at].holding].id if at in seats else None
    if sitting is not None and (sitting, address) in pins:
        other = names.coin(seats[at].holding)
        message = f"{name} and {other} are both to be kept in {label}, which takes one coin. Remove one of the two."
        return {"reason": "clashes", "with_": Placing(sitting, address), "message": message}
    elsewhere = [
        board.places[other].address
        for other, seat in seats.items()
        if board.holdings[seat.holding].id == holding and (holding, board.places[other].address) in pins
    ]
    pieces = board.holdings[coin].quantity
    if len(elsewhere) >= pieces:
        number = "it is one coin" if pieces == 1 else f"there are {pieces} pieces"
        every = some([names.place(place) for place in (address, *elsewhere)])
        message = f"{name} is to be kept in {every}, but {number}. Remove one of the decisions."
        return {"reason": "clashes", "with_": Placing(holding, elsewhere[0]), "message": message}
    held = any((board.holdings[seat.holding].id, board.places[other].address) in pins for other, seat in seats.items())
    together = " together with other coins to be kept" if held else ""
    message = f"{name} cannot be kept in {label}: it would break a rule of the set{together}."
    return {"reason": "constraint", "message": message}


def constraint_conflicts(
    board: Instance, table: Table, seats: Mapping[int, Placement], budget_seconds: float
) -> list[ConstraintConflict]:
    """One conflict of kind `constraint` for every set-level rule without which more places could be filled. Where no rule
    alone keeps them empty, one for a smallest group of rules that do so together: `with` names the others.

    The pins stay as they are, so that a rule is not blamed for what a pin does. The trials together may use as much solver
    time as the evaluation; past a number of them (it depends on edges and rules) `limit` says that there may be more such
    rules, or that the group may not be the smallest."""
    empty = [at for at, place in enumerate(board.places) if at not in seats and not place.is_open and board.fits[at]]
    rules = board.problem.rules
    if not empty or not rules:
        return []
    bare = _only_places(board.problem)
    trials = Trials(bare, len(seats), budget_seconds / (2 * len(rules) + 1))
    if trials.gain(frozenset(range(len(rules)))) <= 0:
        return []
    conflicts, names = [], MessageNames(board, table)
    for number in range(len(rules)):
        gain = trials.gain(frozenset((number,))) if trials.allowed() else 0
        if gain > 0:
            conflicts.append(_constraint_conflict(board, names, (number,), empty, gain))
    if conflicts:
        # Past the budget other rules may do the same, and none of these is wrong.
        return _limited(conflicts) if trials.refused else conflicts
    group = trials.smallest_group()
    told = _constraint_conflict(board, names, group, empty, trials.gain(frozenset(group)))
    told = msgspec.structs.replace(told, with_=[rules[number].name for number in group[1:]])
    return _limited([told]) if trials.refused else [told]


def _limited(conflicts: Sequence[ConstraintConflict]) -> list[ConstraintConflict]:
    """The same, saying that the budget kept other rules from being tried."""
    return [msgspec.structs.replace(conflict, limit="budget") for conflict in conflicts]


class Trials:
    """How many more places are filled without some of the rules; each answer is worked out once."""

    def __init__(self, problem: AssignmentProblem, reached: int, budget_seconds: float) -> None:
        self.problem, self.reached, self.budget_seconds = problem, reached, budget_seconds
        self.left = 1 + MOST_WORK // max(1, len(problem.edges) * len(problem.rules))
        self.refused = False
        self.known: dict[frozenset[int], int] = {}

    def allowed(self) -> bool:
        """Whether one more trial may be made; `refused` remembers that one was not."""
        self.refused = self.refused or self.left <= 0
        return self.left > 0

    def gain(self, without: frozenset[int]) -> int:
        if without not in self.known:
            self.left -= 1
            rules = tuple(rule for number, rule in enumerate(self.problem.rules) if number not in without)
            solution = solve(replace(self.problem, rules=rules), budget_seconds=self.budget_seconds)
            self.known[without] = len(solution.placements) - self.reached
        return self.known[without]

    def smallest_group(self) -> tuple[int, ...]:
        """A group of rules without which more places are filled, and no part of which would do: one rule after the other
        is kept where that still leaves a gain."""
        group = frozenset(range(len(self.problem.rules)))
        for number in sorted(group):
            if len(group) > 1 and self.allowed() and self.gain(group - {number}) > 0:
                group -= {number}
        return tuple(sorted(group))


def _only_places(problem: AssignmentProblem) -> AssignmentProblem:
    """The same instance, asking after the pins and the required places for nothing but as many places as can be."""
    edges = tuple(replace(edge, basis=Basis.FIRM, cost=(), stays=False) for edge in problem.edges)
    return replace(problem, edges=edges, preference_levels=0)


def _constraint_conflict(
    board: Instance, names: MessageNames, rules: Sequence[int], empty: Sequence[int], gain: int
) -> ConstraintConflict:
    ids = [board.problem.rules[number].name for number in rules]
    covered = frozenset[int]().union(*(board.problem.rules[number].places for number in rules))
    touched = [at for at in empty if at in covered] or list(empty)
    holdings = sorted({board.holdings[coin].id for at in touched for coin in board.fits[at]})
    places = [board.places[at].address for at in touched]
    quoted = some([f"'{name}'" for name in ids])
    kept = f"Rule {quoted} keeps" if len(ids) == 1 else f"Rules {quoted} together keep"
    number = f"{gain} of {len(places)} places" if gain < len(places) else "1 place" if gain == 1 else f"{gain} places"
    return ConstraintConflict(
        constraint=ids[0],
        places=places,
        holdings=holdings,
        gain=gain,
        message=f"{kept} {number} empty: {some([names.place(place) for place in places])}.",
    )

"""What stands in the way: pins that cannot hold, and places that a set-level rule keeps empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.assignment.build import Instance
from service.assignment.problem import AssignmentProblem, Basis, Placement
from service.assignment.solve import solve
from service.evaluation.explanation import failing_clauses
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.progress.contests import some
from service.rules.labels import listed

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
) -> list[dict[str, Any]]:
    """One conflict of kind `pin` for every pin that is not honoured, with its reason and in plain words."""
    coins = {holding.id: coin for coin, holding in enumerate(board.holdings)}
    places = {place.address: at for at, place in enumerate(board.places)}
    every = {holding.id: holding for holding in holdings}
    conflicts = []
    for holding, address in pins:
        pinned = f"{holding} is pinned to {address}"
        at, coin = places.get(address), coins.get(holding)
        if at is not None and coin is not None and at in seats and seats[at].holding == coin:
            continue
        conflict: dict[str, Any] = {"kind": "pin", "holding": holding, "place": address}
        if holding not in every:
            conflict |= {"reason": "unknown_holding", "message": f"{pinned}, but there is no such holding here."}
        elif every[holding].status not in statuses:
            status = every[holding].status
            conflict |= {"reason": "not_held", "message": f"{pinned}, but does not count: its status is {status}."}
        elif at is None:
            conflict |= {"reason": "unknown_place", "message": f"{pinned}, but the set has no such place."}
        elif (holding, address) in nevers:
            conflict |= {"reason": "never", "message": f"You also said that {holding} is never to sit in {address}."}
        elif coin is not None and coin not in board.fits[at]:
            clauses = failing_clauses(board.places[at].parts, board.views[coin], table.attributes, table.context)
            # A coin of several candidate issues may fail another clause as each of them, and none as all.
            words = (
                f"it fails {'; '.join(clauses)}" if clauses else "whatever it may be, it fails one clause or another"
            )
            conflict |= {"reason": "does_not_fit", "failing": clauses}
            conflict["message"] = f"{holding} does not fit {address}: {words}."
        else:
            conflict |= _clash(board, seats, holding, at, pins)
        conflicts.append(conflict)
    return conflicts


def _clash(
    board: Instance, seats: Mapping[int, Placement], holding: str, at: int, pins: Sequence[tuple[str, str]]
) -> dict[str, Any]:
    """A pin that fits by itself gives way to other pins, or to a set-level rule."""
    address = board.places[at].address
    sitting = board.holdings[seats[at].holding].id if at in seats else None
    if sitting is not None and (sitting, address) in pins:
        message = f"{holding} and {sitting} are both pinned to {address}; it takes one coin."
        return {"reason": "clashes", "with": {"holding": sitting, "place": address}, "message": message}
    elsewhere = [
        board.places[other].address
        for other, seat in seats.items()
        if board.holdings[seat.holding].id == holding and (holding, board.places[other].address) in pins
    ]
    pieces = next(coin.quantity for coin in board.holdings if coin.id == holding)
    if len(elsewhere) >= pieces:
        sits = "a coin sits in one place" if pieces == 1 else f"there are {pieces} pieces"
        message = f"{holding} is pinned to {address}, and to {listed(elsewhere, 'and')} as well; {sits}."
        return {"reason": "clashes", "with": {"holding": holding, "place": elsewhere[0]}, "message": message}
    held = any((board.holdings[seat.holding].id, board.places[other].address) in pins for other, seat in seats.items())
    together = " together with other pins" if held else ""
    message = f"{holding} in {address} would break a rule over several places{together}."
    return {"reason": "constraint", "message": message}


def constraint_conflicts(
    board: Instance, seats: Mapping[int, Placement], budget_seconds: float
) -> list[dict[str, Any]]:
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
    conflicts = []
    for number in range(len(rules)):
        gain = trials.gain(frozenset((number,))) if trials.allowed() else 0
        if gain > 0:
            conflicts.append(_constraint_conflict(board, (number,), empty, gain))
    if conflicts:
        # Past the budget other rules may do the same, and none of these is wrong.
        return conflicts if not trials.refused else [{**conflict, "limit": "budget"} for conflict in conflicts]
    group = trials.smallest_group()
    told = _constraint_conflict(board, group, empty, trials.gain(frozenset(group)))
    told["with"] = [rules[number].name for number in group[1:]]
    return [told if not trials.refused else {**told, "limit": "budget"}]


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


def _constraint_conflict(board: Instance, rules: Sequence[int], empty: Sequence[int], gain: int) -> dict[str, Any]:
    names = [board.problem.rules[number].name for number in rules]
    covered = frozenset[int]().union(*(board.problem.rules[number].places for number in rules))
    touched = [at for at in empty if at in covered] or list(empty)
    holdings = sorted({board.holdings[coin].id for at in touched for coin in board.fits[at]})
    places = [board.places[at].address for at in touched]
    without = some([f"'{name}'" for name in names])
    more = "1 more place" if gain == 1 else f"{gain} more places"
    return {
        "kind": "constraint",
        "constraint": names[0],
        "places": places,
        "holdings": holdings,
        "gain": gain,
        "message": f"Without {without}, {more} could be filled; as it is, "
        f"{some(places)} {'stays' if len(places) == 1 else 'stay'} empty.",
    }

"""What stands in the way: pins that cannot hold, and places that a set-level rule keeps empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.assignment.build import Board
from service.assignment.problem import Placement, Problem
from service.assignment.solve import solve
from service.evaluation.fit import failing
from service.evaluation.table import Table
from service.facts.holding import Holding


def pin_conflicts(
    board: Board,
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
        at, coin = places.get(address), coins.get(holding)
        if at is not None and coin is not None and at in seats and seats[at].holding == coin:
            continue
        conflict: dict[str, Any] = {"kind": "pin", "holding": holding, "place": address}
        if holding not in every:
            conflict |= {"reason": "unknown_holding", "message": f"There is no holding {holding} here."}
        elif every[holding].status not in statuses:
            status = every[holding].status
            conflict |= {"reason": "not_held", "message": f"{holding} does not count: its status is {status}."}
        elif at is None:
            conflict |= {"reason": "unknown_place", "message": f"The set has no place {address}."}
        elif (holding, address) in nevers:
            conflict |= {"reason": "never", "message": f"You also said that {holding} is never to sit in {address}."}
        elif coin is not None and coin not in board.fits[at]:
            clauses = failing(board.places[at].parts, board.views[coin], table.attributes, table.around)
            words = "; ".join(clauses)
            conflict |= {"reason": "does_not_fit", "failing": clauses}
            conflict["message"] = f"{holding} does not fit {address}: it fails {words}."
        else:
            conflict |= _clash(board, seats, holding, at, pins)
        conflicts.append(conflict)
    return conflicts


def _clash(
    board: Board, seats: Mapping[int, Placement], holding: str, at: int, pins: Sequence[tuple[str, str]]
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
    if elsewhere:
        message = f"{holding} is pinned to {elsewhere[0]} as well; a coin sits in one place."
        return {"reason": "clashes", "with": {"holding": holding, "place": elsewhere[0]}, "message": message}
    message = f"{holding} in {address} would break a rule over several places together with other pins."
    return {"reason": "constraint", "message": message}


def constraint_conflicts(board: Board, seats: Mapping[int, Placement], budget_seconds: float) -> list[dict[str, Any]]:
    """One conflict of kind `constraint` for every set-level rule without which more places could be filled."""
    empty = [at for at, place in enumerate(board.places) if at not in seats and not place.is_open and board.fits[at]]
    if not empty or not board.problem.rules:
        return []
    bare = _only_places(board.problem)
    reached = len(seats)
    if _filled(replace(bare, rules=()), budget_seconds) <= reached:
        return []
    conflicts = []
    for rule in board.problem.rules:
        others = tuple(other for other in bare.rules if other.name != rule.name)
        gain = _filled(replace(bare, rules=others), budget_seconds) - reached
        if gain > 0:
            conflicts.append(_constraint_conflict(board, rule.name, rule.places, empty, gain))
    return conflicts


def _only_places(problem: Problem) -> Problem:
    """The same instance, asking for nothing but as many places as can be."""
    edges = tuple(replace(edge, cost=(), stays=False, pinned=False) for edge in problem.edges)
    required = tuple(True for _ in problem.required)
    return replace(problem, edges=edges, required=required, preference_levels=0)


def _filled(problem: Problem, budget_seconds: float) -> int:
    solution = solve(problem, budget_seconds=budget_seconds)
    return len(solution.placements)


def _constraint_conflict(
    board: Board, name: str, covered: frozenset[int], empty: Sequence[int], gain: int
) -> dict[str, Any]:
    touched = [at for at in empty if at in covered] or list(empty)
    holdings = sorted({board.holdings[coin].id for at in touched for coin in board.fits[at]})
    places = [board.places[at].address for at in touched]
    more = "1 more place" if gain == 1 else f"{gain} more places"
    named = places[0] if len(places) == 1 else f"{', '.join(places[:-1])} and {places[-1]}"
    return {
        "kind": "constraint",
        "constraint": name,
        "places": places,
        "holdings": holdings,
        "gain": gain,
        "message": f"Without '{name}', {more} could be filled; as it is, {named} "
        f"{'stays' if len(places) == 1 else 'stay'} empty.",
    }

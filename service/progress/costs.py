"""What decisions and rules cost: a pin or a never that is taken away alone, a set-level rule left out or loosened. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from service.assignment.build import FixedPlacements
from service.progress.candidates import PlacementChange
from service.progress.evaluate import fixed_placements
from service.progress.whatif import Evaluated, Part

MOST_PRICED = 200


def costs_of_decisions(evaluated: Evaluated) -> list[dict[str, Any]]:
    """For every pin and never, what the set would be without it alone: {"kind", "holding", "place", "certain_gain",
    "possible_gain", "required_gain", "changes", "proven"} and "betters" where a preference gains. `changes` are the places
    where another coin would sit: [{"place", "with", "without"}]. One that names no coin or place of the set costs nothing.
    The first 200 are told, pins first."""
    request = evaluated.request
    pins, nevers = (dict.fromkeys(pairs) for pairs in (request.pins, request.nevers))
    decisions = [*(("pin", pair) for pair in pins), *(("never", pair) for pair in nevers)]
    return [_cost(evaluated, kind, pair) for kind, pair in decisions[:MOST_PRICED]]


def _cost(evaluated: Evaluated, kind: str, pair: tuple[str, str]) -> dict[str, Any]:
    board, wishes = evaluated.board, fixed_placements(evaluated.request)
    entry: dict[str, Any] = {"kind": kind, "holding": pair[0], "place": pair[1]}
    coin = next((number for number, holding in enumerate(board.holdings) if holding.id == pair[0]), None)
    at = next((number for number, place in enumerate(board.places) if place.address == pair[1]), None)
    if coin is None or at is None:
        return {**entry, "certain_gain": 0, "possible_gain": 0, "required_gain": 0, "changes": [], "proven": True}
    reached = evaluated.touched([at, *(number for number, fits in enumerate(board.fits) if coin in fits)])
    also = frozenset((coin,))
    without = FixedPlacements(
        wishes.pins - {pair} if kind == "pin" else wishes.pins,
        wishes.nevers - {pair} if kind == "never" else wishes.nevers,
        wishes.previous,
    )
    before, after = evaluated.as_is(reached, also), evaluated.with_wishes(reached, without, also)
    change = PlacementChange("", before, after)
    changes = [
        {"place": address, "with": _sitting(change.old, address), "without": _sitting(change.new, address)}
        for address in change.numbers
        if change.moved(address)
    ]
    betters = change.betters() if len(change.old) == len(change.new) and not change.newly else None
    return {**entry, **_gains(before, after), "changes": changes, **({"betters": betters} if betters else {})}


def _sitting(seats: Any, address: str) -> str | None:
    return seats[address].holding if address in seats else None


def _gains(before: Part, after: Part) -> dict[str, Any]:
    return {
        "certain_gain": after.certain - before.certain,
        "possible_gain": after.possible - before.possible,
        "required_gain": after.required - before.required,
        "proven": before.proven and after.proven,
    }


def prices_of_rules(evaluated: Evaluated) -> list[dict[str, Any]]:
    """For every set-level rule, those of free choices included, what the set would gain without it; for `at_most` also with
    its count one higher: [{"constraint", "kind", "pointer", "without": gains, "one_more": gains}]."""
    problem, prices = evaluated.board.problem, []
    for constraint in evaluated.board.constraints:
        mine = [rule for rule in problem.rules if rule.name == constraint.id]
        entry: dict[str, Any] = {"constraint": constraint.id, "kind": constraint.kind.name, "pointer": constraint.at}
        fewer = replace(problem, rules=tuple(rule for rule in problem.rules if rule not in mine))
        entry["without"] = _gains(evaluated.whole, evaluated.with_rules(fewer))
        if constraint.kind.has_count:
            looser = tuple(replace(rule, count=rule.count + 1) if rule in mine else rule for rule in problem.rules)
            entry["one_more"] = _gains(evaluated.whole, evaluated.with_rules(replace(problem, rules=looser)))
        prices.append(entry)
    return prices

"""What stands in the way: pins that cannot hold, and places that a set-level rule keeps empty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.cp_sat import SolverBudget
from service.assignment.edges import Edges
from service.assignment.neighbours import leaders_of
from service.assignment.problem import AssignmentProblem, Placement, SetRule
from service.assignment.solve import solve
from service.evaluation.explanation import clause_text, failing_clauses
from service.evaluation.table import Table
from service.facts.holding import Holding
from service.progress.description import MessageNames
from service.progress.result import ConstraintConflict, PinConflict, Placing
from service.rules.messages import message, some
from service.rules.wording import RuleWording

_SHARE_OF_A_PIN = 0.5
"""The most of the solver's time for pins that one of them may use."""
MOST_WORK = 300_000
"""Edges times rules, over all trials of what rules keep empty."""


def pin_conflicts(
    instance: Instance,
    table: Table,
    seats: Mapping[int, Placement],
    pins: Sequence[tuple[str, str]],
    nevers: Sequence[tuple[str, str]],
    others: Iterable[Holding],
) -> list[PinConflict]:
    """One conflict of kind `pin` for every pin that is not honoured, with its reason and in plain words. `others` are the
    holdings that do not count."""
    not_held = {holding.id: holding for holding in others} if pins else {}
    names = MessageNames(instance, table)
    conflicts = []
    for holding, address in pins:
        places, coin = places_named(instance, address), instance.coins.position(holding)
        if coin is not None and any(at in seats and seats[at].holding == coin for at in places):
            continue
        why: dict[str, Any]
        name = names.coin(coin) if coin is not None else names.held(not_held.get(holding, Holding(holding, {})))
        told = {"coin": name, "place": names.place(address)}
        if coin is None and holding not in not_held:
            why = {"reason": "unknown_holding", **message("pin-unknown-holding", **told).members()}
        elif coin is None:
            why = {"reason": "not_held", **message("pin-not-held", **told, status=not_held[holding].status).members()}
        elif not places:
            why = {"reason": "unknown_place", **message("pin-unknown-place", **told).members()}
        elif all(coin not in instance.fits[at] for at in places):
            why = _unfit(instance, table, names, holding, coin, address, nevers)
        else:
            why = _clash(instance, names, seats, holding, address, pins)
        conflicts.append(PinConflict(holding=holding, place=address, label=names.label(address), **why))
    return conflicts


def places_named(instance: Instance, name: str) -> list[int]:
    """The place of this address, or the places of the group with this id."""
    return [at for at, place in enumerate(instance.places) if name in (place.address, place.group) and name]


def _unfit(
    instance: Instance,
    table: Table,
    names: MessageNames,
    holding: str,
    coin: int,
    address: str,
    nevers: Sequence[tuple[str, str]],
) -> dict[str, Any]:
    """Why a pin of a coin that is not to be there, or fits nowhere there, cannot hold: members of the conflict."""
    told = {"coin": names.coin(coin), "place": names.place(address)}
    places = places_named(instance, address)
    barred = [
        never
        for never in nevers
        if never[0] == holding and not set(places_named(instance, never[1])).isdisjoint(places)
    ]
    failing = {
        at: failing_clauses(instance.places[at].parts, instance.views[coin], table.attributes, table.context)
        for at in places
    }
    # A coin that fails no place is kept out by what the owner decided, and by nothing else.
    if barred and (address in {place for _, place in barred} or not all(failing.values())):
        return {"reason": "never", **message("pin-never", **told).members()}
    fewest = min(failing.values(), key=len)
    speak = RuleWording(table.attributes, table.context.vocabularies)
    needs = [speak.need(clause) for _, clause in fewest]
    # A coin of several candidate issues may fail another clause as each of them, and none as all.
    said = message("pin-does-not-fit", **told, needs=needs) if needs else message("pin-fits-as-no-issue", **told)
    return {
        "reason": "does_not_fit",
        "failing": needs,
        "clauses": [clause_text(*part) for part in fewest],
        **said.members(),
    }


def _clash(
    instance: Instance,
    names: MessageNames,
    seats: Mapping[int, Placement],
    holding: str,
    address: str,
    pins: Sequence[tuple[str, str]],
) -> dict[str, Any]:
    """Why a pin that fits by itself gives way to other pins, or to a set-level rule: members of the conflict."""
    coin = instance.coins.position(holding)
    assert coin is not None
    told: dict[str, Any] = {"coin": names.coin(coin), "place": names.place(address)}

    def pin_of(at: int) -> str | None:
        """The place, or the group, that the coin sitting there is pinned to."""
        place, sitting = instance.places[at], instance.coins.ids[seats[at].holding]
        return next((one for one in (place.address, place.group) if (sitting, one) in pins), None)

    fitting = [at for at in places_named(instance, address) if coin in instance.fits[at]]
    taken = [at for at in fitting if at in seats and pin_of(at) is not None]
    if len(taken) == len(fitting):
        other = instance.coins.ids[seats[taken[0]].holding]
        others = dict.fromkeys(instance.coins.ids[seats[at].holding] for at in taken)
        if len(fitting) == 1:
            said = message("pin-clash-one", **told, other=names.by_id(other))
        else:
            coins = some([names.by_id(held) for held in others])
            said = message("pin-clash", **told, others=coins, count=len(fitting))
        return {"reason": "clashes", "with_": Placing(other, pin_of(taken[0]) or ""), **said.members()}
    elsewhere = [pin for at, seat in seats.items() if seat.holding == coin and (pin := pin_of(at)) is not None]
    pieces = instance.holdings[coin].quantity
    if len(elsewhere) >= pieces:
        both = {"coin": told["coin"], "places": names.places((address, *elsewhere))}
        said = message("pin-one-coin", **both) if pieces == 1 else message("pin-too-few-pieces", **both, pieces=pieces)
        return {"reason": "clashes", "with_": Placing(holding, elsewhere[0]), **said.members()}
    held = any(pin_of(at) is not None for at in seats)
    return {
        "reason": "constraint",
        **message("pin-constraint-with-others" if held else "pin-constraint", **told).members(),
    }


def pin_costs(
    instance: Instance,
    table: Table,
    seats: Mapping[int, Placement],
    pins: Sequence[tuple[str, str]],
    budget_seconds: float,
) -> list[PinConflict]:
    """One conflict of kind `pin` for every pin that holds and leaves places empty which could be filled without it, with those
    places. Each is tried by itself, the other pins as they are; only where a place stays empty near the pin. Past a number
    of trials (it depends on the edges), and past so many seconds of the solver together, the rest is not tried."""
    problem, names, budget = instance.problem, MessageNames(instance, table), SolverBudget(budget_seconds)
    empty = [
        at for at, place in enumerate(instance.places) if at not in seats and not place.is_open and instance.fits[at]
    ]
    if not empty or not pins:
        return []
    leader = leaders_of(problem)
    wanting = {leader[at] for at in empty}
    current = {(at, seat.holding) for at, seat in seats.items()}
    left = 1 + MOST_WORK // max(1, len(problem.edges))
    found = []
    for holding, address in pins:
        here = [at for at in places_named(instance, address) if at in seats]
        here = [at for at in here if instance.coins.ids[seats[at].holding] == holding and leader[at] in wanting]
        if not here or left <= 0 or budget.left <= 0:
            continue
        left -= 1
        coin, region = seats[here[0]].holding, leader[here[0]]
        freed = _without_pin(instance, region, leader, current, coin, address)
        with budget.lent(_SHARE_OF_A_PIN * budget_seconds) as lent:
            solution = solve(freed, budget=lent, with_standings=False)
        filled = {placement.place for placement in solution.placements}
        before = [at for at in seats if leader[at] == region]
        gain = _tiers(problem, filled) > _tiers(problem, before)
        left_empty = [instance.places[at].address for at in sorted(filled.difference(before))]
        if gain and left_empty:
            told = {"coin": names.coin(coin), "place": names.place(address), "places": names.places(left_empty)}
            found.append(
                PinConflict(
                    holding=holding,
                    place=address,
                    label=names.label(address),
                    reason="costs",
                    places=left_empty,
                    **message("pin-costs", **told).members(),
                )
            )
    return found


def _tiers(problem: AssignmentProblem, places: Iterable[int]) -> tuple[int, int]:
    every = list(places)
    return sum(problem.required[at] for at in every), len(every)


def _without_pin(
    instance: Instance, region: int, leader: Sequence[int], current: set[tuple[int, int]], coin: int, address: str
) -> AssignmentProblem:
    """The places around a pin without it, the coins staying where they are as far as they can."""
    named = set(places_named(instance, address))
    is_group = not any(instance.places[at].address == address for at in named)
    edges = instance.edges.at(np.array(leader, np.int64)[instance.edges.place] == region).plain()
    stays, pinned = edges.stays.copy(), edges.pinned.copy()
    stays[edges.positions(current)] = True
    if not is_group:
        pinned[edges.positions((at, coin) for at in named)] = False
    edges = replace(edges, stays=stays, pinned=pinned)
    group_pins = tuple(
        pin for pin in instance.problem.group_pins if not (is_group and pin.holding == coin and pin.places == named)
    )
    rules = tuple(rule for rule in instance.problem.rules if not rule.kind.is_goal)
    return replace(instance.problem, edges=edges, rules=rules, group_pins=group_pins, preference_levels=0)


def constraint_conflicts(
    instance: Instance, table: Table, seats: Mapping[int, Placement], budget_seconds: float
) -> list[ConstraintConflict]:
    """One conflict of kind `constraint` for every set-level rule without which more places could be filled. Where no rule
    alone keeps them empty, one for a smallest group of rules that do so together: `with` names the others.

    The pins stay as they are, so that a rule is not blamed for what a pin does. The trials together may use so much solver
    time; past a number of them (it depends on edges and rules) `limit` says that there may be more such
    rules, or that the group may not be the smallest."""
    empty = [
        at for at, place in enumerate(instance.places) if at not in seats and not place.is_open and instance.fits[at]
    ]
    rules = tuple(rule for rule in instance.problem.rules if not rule.kind.is_goal)
    if not empty or not rules:
        return []
    problem = replace(instance.problem, rules=rules)
    bare = only_places(problem)
    trials = Trials(bare, len(seats), budget_seconds / (2 * len(rules) + 1))
    if trials.gain(frozenset(range(len(rules)))) <= 0:
        return []
    conflicts, names = [], MessageNames(instance, table)
    for number in range(len(rules)):
        gain = trials.gain(frozenset((number,))) if trials.allowed() else 0
        if gain > 0:
            conflicts.append(_constraint_conflict(instance, names, [rules[number]], empty, gain))
    if conflicts:
        # Past the budget other rules may do the same, and none of these is wrong.
        return _limited(conflicts) if trials.refused else conflicts
    group = trials.smallest_group()
    told = _constraint_conflict(instance, names, [rules[n] for n in group], empty, trials.gain(frozenset(group)))
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
            solution = solve(
                replace(self.problem, rules=rules), budget_seconds=self.budget_seconds, with_standings=False
            )
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


def only_places(problem: AssignmentProblem) -> AssignmentProblem:
    """The same instance, asking after the pins and the required places for nothing but as many places as can be."""
    edges = Edges.of(problem.edges, problem.preference_levels).plain()
    return replace(problem, edges=edges, preference_levels=0)


def _constraint_conflict(
    instance: Instance, names: MessageNames, rules: Sequence[SetRule], empty: Sequence[int], gain: int
) -> ConstraintConflict:
    ids = [rule.name for rule in rules]
    covered = frozenset[int]().union(*({rule.bound} if rule.bound is not None else rule.places for rule in rules))
    touched = [at for at in empty if at in covered] or list(empty)
    holdings = sorted({instance.coins.ids[coin] for at in touched for coin in instance.fits[at]})
    places = [instance.places[at].address for at in touched]
    rule = next((one for one in instance.constraints if one.id == ids[0]), None)
    code = "constraint" + ("-some" if gain < len(places) else "") + ("-together" if len(ids) > 1 else "")
    told = {"rules": some([names.rule(name) for name in ids]), "places": names.places(places), "count": gain}
    if gain < len(places):
        told["of"] = len(places)
    return ConstraintConflict(
        constraint=ids[0],
        label=(rule.label if rule is not None else "") or ids[0],
        note=(rule.note if rule is not None else "") or UNSET,
        places=places,
        holdings=holdings,
        gain=gain,
        **message(code, **told).members(),
    )

"""What decisions and rules cost: a pin or a never that is taken away alone, a set-level rule left out or loosened. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, field

from service.assignment.build import FixedPlacements
from service.evaluation.cost import Sizes, cost_of_decisions, cost_of_solving
from service.progress.candidates import Improvement, PlacementChange
from service.progress.conflicts import places_named
from service.progress.description import MessageNames
from service.progress.evaluate import EvaluationRequest, fixed_placements, names_of_some
from service.progress.named import NamedHolding
from service.progress.whatif import Evaluated, Occupant, Part

MOST_PRICED = 200


class Gains(Struct, frozen=True):
    """What a set would gain: the figures of two evaluations, one minus the other."""

    certain_gain: int
    possible_gain: int
    required_gain: int
    proven: bool


class MovedPlace(Struct, frozen=True):
    """A place where another coin would sit, or none: the ids of the coins with the decision and without it."""

    place: str
    label: str
    with_: str | None = field(name="with")
    without: str | None


class DecisionCost(Struct, frozen=True, kw_only=True):
    """What a pin or a never costs: the set without it alone, against the set with it."""

    kind: Literal["pin", "never"]
    holding: str
    place: str
    label: Annotated[str, Meta(description="Of the place or group; its address where the set has none such.")]
    certain_gain: int
    possible_gain: int
    required_gain: int
    proven: bool
    changes: Annotated[list[MovedPlace], Meta(description="The places where another coin would sit, or none.")]
    betters: (
        Annotated[Improvement, Meta(description="The first preference that would be met better, and where.")]
        | UnsetType
    ) = UNSET


class RulePrice(Struct, frozen=True, kw_only=True):
    """What the set would gain without a set-level rule, and for `at_most` with its count one higher."""

    constraint: str
    label: str
    kind: str
    pointer: str
    without: Gains
    one_more: Gains | UnsetType = UNSET


def costs_of_decisions(evaluated: Evaluated) -> list[DecisionCost]:
    """For every pin and never, what the set would be without it alone. One that names no coin or place of the set costs
    nothing. The first 200, pins first."""
    request, names = evaluated.request, MessageNames(evaluated.instance, evaluated.table)
    pins = list(dict.fromkeys(request.pins))[:MOST_PRICED]
    nevers = list(dict.fromkeys(request.nevers))[: MOST_PRICED - len(pins)]
    reached = {pair: _reached(evaluated, pair) for pair in (*pins, *nevers)}
    reaches = [evaluated.reach_of(parts) for pair in (*pins, *nevers) if (parts := reached[pair])]
    cost_of_decisions("working out what pins and nevers cost", "pins and nevers", reaches).ensure_allowed()
    return [
        *(_cost(evaluated, names, "pin", pair, reached[pair]) for pair in pins),
        *(_cost(evaluated, names, "never", pair, reached[pair]) for pair in nevers),
    ]


def _reached(evaluated: Evaluated, pair: tuple[str, str]) -> frozenset[int]:
    """The parts of the set that a decision reaches; none where it names no coin or place of the set."""
    instance = evaluated.instance
    coin, named = instance.coins.position(pair[0]), places_named(instance, pair[1])
    if coin is None or not named:
        return frozenset()
    return evaluated.touched([*named, *(number for number, fits in enumerate(instance.fits) if coin in fits)])


def names_of_costs(request: EvaluationRequest, costs: Sequence[DecisionCost]) -> dict[str, NamedHolding]:
    """The names of the coins that the costs name."""
    told: set[str | None] = {cost.holding for cost in costs}
    told |= {coin for cost in costs for moved in cost.changes for coin in (moved.with_, moved.without)}
    return names_of_some(request, told)


def _cost(
    evaluated: Evaluated,
    names: MessageNames,
    kind: Literal["pin", "never"],
    pair: tuple[str, str],
    reached: frozenset[int],
) -> DecisionCost:
    fixed, coin = fixed_placements(evaluated.request), evaluated.instance.coins.position(pair[0])
    if coin is None or not reached:
        return DecisionCost(
            kind=kind,
            holding=pair[0],
            place=pair[1],
            label=pair[1],
            certain_gain=0,
            possible_gain=0,
            required_gain=0,
            proven=True,
            changes=[],
        )
    also = frozenset((coin,))
    without = FixedPlacements(
        fixed.pins - {pair} if kind == "pin" else fixed.pins,
        fixed.nevers - {pair} if kind == "never" else fixed.nevers,
        fixed.previous,
    )
    before, after = evaluated.as_is(reached, also), evaluated.with_wishes(reached, without, also)
    change = PlacementChange("", before, after)
    betters = change.betters() if len(change.old) == len(change.new) and not change.newly else None
    gains = _gains(before, after)
    return DecisionCost(
        kind=kind,
        holding=pair[0],
        place=pair[1],
        label=names.label(pair[1]),
        certain_gain=gains.certain_gain,
        possible_gain=gains.possible_gain,
        required_gain=gains.required_gain,
        proven=gains.proven,
        changes=[
            MovedPlace(
                address, after.instance.places[at].label, _coin_at(change.old, address), _coin_at(change.new, address)
            )
            for address, at in change.numbers.items()
            if change.moved(address)
        ],
        betters=UNSET if betters is None else betters,
    )


def _coin_at(seats: Mapping[str, Occupant], address: str) -> str | None:
    return seats[address].holding if address in seats else None


def _gains(before: Part, after: Part) -> Gains:
    return Gains(
        after.certain - before.certain,
        after.possible - before.possible,
        after.required - before.required,
        before.proven and after.proven,
    )


def _ensure_allowed(evaluated: Evaluated) -> None:
    """The whole set is solved once without each rule, and once more with one that has a count loosened; what is searched then
    under the others is not known beforehand."""
    places, pairs = len(evaluated.instance.places), len(evaluated.instance.problem.edges)
    times = sum(1 + one.kind.has_count for one in evaluated.instance.constraints)
    reaches = [Sizes(places=places, pairs=pairs)] * times
    cost_of_solving("working out what rules cost", "rules left out or loosened", reaches).ensure_allowed()


def prices_of_rules(evaluated: Evaluated) -> list[RulePrice]:
    """For every set-level rule, those of free choices included, what the set would gain without it; for `at_most` also with
    its count one higher."""
    problem, prices = evaluated.instance.problem, []
    _ensure_allowed(evaluated)
    for constraint in evaluated.instance.constraints:
        mine = [rule for rule in problem.rules if rule.name == constraint.id]
        fewer = replace(problem, rules=tuple(rule for rule in problem.rules if rule not in mine))
        one_more: Gains | UnsetType = UNSET
        if constraint.kind.has_count:
            looser = tuple(replace(rule, count=rule.count + 1) if rule in mine else rule for rule in problem.rules)
            one_more = _gains(evaluated.whole, evaluated.with_rules(replace(problem, rules=looser)))
        prices.append(
            RulePrice(
                constraint=constraint.id,
                label=constraint.label,
                kind=constraint.kind.name,
                pointer=constraint.at,
                without=_gains(evaluated.whole, evaluated.with_rules(fewer)),
                one_more=one_more,
            )
        )
    return prices

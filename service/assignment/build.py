"""From places, coins and verdicts to the assignment problem: edges with their costs, set-level rules with their keys."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from service.assignment.edges import Edges, Flags, Integers, PlaceEdges
from service.assignment.fits import BASES, PlaceFits, fits_of
from service.assignment.preference_costs import CostScale, PreferenceValues, Worth, costs_of
from service.assignment.problem import AssignmentProblem, Basis, EdgeKeys, GroupPin, SetRule
from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.cost import Cost, Sizes, cost_of_evaluation, cost_of_judging
from service.evaluation.places import FREE_CHOICE, Place
from service.evaluation.table import Fit, Table
from service.facts.holding import Holding, View
from service.facts.knowledge import Among, Between, Subsets, Value
from service.facts.truth import NO, YES
from service.rules.constraints import Constraint
from service.rules.definition import Definition
from service.rules.partitions import has_plain_value
from service.rules.predicates import reads

_MOST_KEYS = 500


@dataclass(frozen=True, slots=True)
class FixedPlacements:
    """The owner's decisions and the placements before: `pins` and `nevers` are pairs (holding id, address of a place or id
    of a group), `previous` pairs (address of a place, holding id)."""

    pins: frozenset[tuple[str, str]] = frozenset()
    nevers: frozenset[tuple[str, str]] = frozenset()
    previous: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True)
class Instance:
    """A definition and the holdings that count, evaluated against each other.

    `places` are in the order of the document, `coins` in that of their ids. `fits[place][holding]` exists for every pair that
    fits or may fit. `constraints` are the definition's rules over several places, those of free choices first.
    `worth[level, place][holding]` is the value that a preference compares, None where it is not known. `columns` has a row
    for each of `coins.single`. `scales` has one entry for each preference level. `barred[place]` are the holdings that fit
    there, or may fit, and are never to be there.
    """

    places: tuple[Place, ...]
    coins: Coins
    fits: tuple[PlaceFits, ...]
    problem: AssignmentProblem
    constraints: tuple[Constraint, ...]
    worth: Mapping[tuple[int, int], Worth] = field(repr=False)
    columns: Columns = field(repr=False)
    scales: tuple[CostScale, ...] = ()
    barred: Mapping[int, frozenset[int]] = field(default_factory=dict, repr=False)

    @property
    def holdings(self) -> Sequence[Holding]:
        """The holdings that count."""
        return self.coins.holdings

    @property
    def views(self) -> Sequence[tuple[View, ...]]:
        """Everything that each holding may be."""
        return self.coins.views

    def edges_at(self, place: int) -> PlaceEdges:
        """The edges of a place by holding."""
        return PlaceEdges(self.edges, self.edges.of_place(place))

    @cached_property
    def edges(self) -> Edges:
        """The edges of the problem, ordered by place, then holding."""
        return Edges.of(self.problem.edges, self.problem.preference_levels).ordered()


def build(
    definition: Definition,
    places: tuple[Place, ...],
    coins: Coins,
    table: Table,
    fixed: FixedPlacements,
    *,
    is_solved: bool = True,
) -> Instance:
    """The assignment problem of a definition. `table` judges holdings of several candidate issues and remembers its verdicts.
    That it `is_solved` afterwards counts among what the request takes.

    Costs are exact: on each preference level every loss is a whole number from 0 on one scale (`CostScale`). Raises
    OverLimit when a level spans more than 2^60 steps of its smallest difference, and TooHeavy where the pairs that fit are more
    than can be placed in the seconds, or held in the memory, that are allowed. Time: distinct rules times distinct
    facts, plus the fitting pairs.
    """
    cost = _cost_by_pairs(definition, places, coins, is_solved)
    columns = coins.columns(table.attributes, table.context)
    both_columns = columns, coins.bare_columns(table.attributes, table.context)
    fits, barred = fits_of(
        places, coins, table, both_columns, fixed.nevers, lambda pairs: cost(pairs, None).ensure_possible()
    )
    # Before anything else is made for each pair: only now it is known how many there are.
    cost(sum(map(len, fits)), fits).ensure_allowed()
    return assembled(definition, places, coins, table, fixed, (fits, barred))


def _cost_by_pairs(
    definition: Definition, places: Sequence[Place], coins: Coins, is_solved: bool
) -> Callable[[int, Sequence[PlaceFits] | None], Cost]:
    """What it costs with so many pairs; with the fits, what rules over several places add to that."""
    constraints = [constraint for constraint in _constraints(definition) if not constraint.kind.is_goal]
    sizes = Sizes(coins=len(coins), places=len(places), rules=len(constraints))

    def cost(pairs: int, fits: Sequence[PlaceFits] | None) -> Cost:
        if not is_solved:
            return cost_of_judging(replace(sizes, pairs=pairs))
        reached = frozenset[int]()
        if fits is not None:
            reached = reached.union(*(_places_named(constraint.places, places) for constraint in constraints))
        ruled = sum(len(fits[at]) for at in reached) if fits is not None else 0
        return cost_of_evaluation(replace(sizes, pairs=pairs, ruled_pairs=ruled))

    return cost


def assembled(
    definition: Definition,
    places: tuple[Place, ...],
    coins: Coins,
    table: Table,
    fixed: FixedPlacements,
    judged: tuple[tuple[PlaceFits, ...], Mapping[int, frozenset[int]]],
) -> Instance:
    """The same of coins that are judged already: `fits` and `barred` of an instance. Raises OverLimit as `build` does."""
    fits, barred = judged
    columns = coins.columns(table.attributes, table.context)
    costs = costs_of(places, [here.coins for here in fits], PreferenceValues(coins, columns, table))
    edges = _edges(places, coins, fits, costs.cost, fixed)
    constraints = _constraints(definition)
    eligible = np.unique(edges.holding).tolist() if constraints else []
    facts: dict[str, int] = {}
    rules = tuple(set_rule(constraint, places, eligible, coins.views, table, facts) for constraint in constraints)
    problem = AssignmentProblem(
        required=tuple(place.tier == "required" for place in places),
        quantity=tuple(coins.quantity.tolist()),
        edges=edges,
        rules=tuple(filter(_says_something, rules)),
        preference_levels=len(costs.cost),
        group_pins=tuple(_group_pins(places, coins, fixed.pins)),
        alike=tuple(like_places(places)),
    )
    return Instance(places, coins, fits, problem, constraints, costs.worth, columns, costs.scales, barred)


def _edges(
    places: Sequence[Place], coins: Coins, fits: Sequence[PlaceFits], cost: Integers, fixed: FixedPlacements
) -> Edges:
    starts = np.cumsum([0, *(len(here) for here in fits)])
    number_of = {place.address: at for at, place in enumerate(places)}

    def flags(pairs: Iterable[tuple[str, str]]) -> Flags:
        """The edges of these pairs (address of a place, id of a holding)."""
        found = np.zeros(int(starts[-1]), bool)
        for address, identity in pairs:
            at, coin = number_of.get(address), coins.position(identity)
            if at is not None and coin is not None and (position := fits[at].position(coin)) is not None:
                found[starts[at] + position] = True
        return found

    def every(of_fits: Callable[[PlaceFits], npt.NDArray[Any]]) -> npt.NDArray[Any]:
        return np.concatenate([of_fits(here) for here in fits]) if fits else np.empty(0, np.int64)

    return Edges(
        place=np.repeat(np.arange(len(fits)), np.diff(starts)),
        holding=every(lambda here: here.coins),
        basis=every(lambda here: here.basis),
        cost=cost,
        stays=flags(fixed.previous),
        pinned=flags((address, identity) for identity, address in fixed.pins),
        to_check=every(lambda here: here.to_check),
        presumed=every(lambda here: here.presumed),
    )


def like_places(places: Sequence[Place]) -> list[frozenset[int]]:
    """The places of each free choice that has several."""
    groups: dict[str, set[int]] = {}
    for at, place in enumerate(places):
        if place.kind == FREE_CHOICE:
            groups.setdefault(place.group, set()).add(at)
    return [frozenset(group) for group in groups.values() if len(group) > 1]


def _group_pins(places: Sequence[Place], coins: Coins, pins: Iterable[tuple[str, str]]) -> Iterator[GroupPin]:
    groups: dict[str, set[int]] = {}
    for at, place in enumerate(places):
        if place.group:
            groups.setdefault(place.group, set()).add(at)
    for holding, name in sorted(pins):
        if name in groups and (coin := coins.position(holding)) is not None:
            yield GroupPin(coin, frozenset(groups[name]))


def _constraints(definition: Definition) -> tuple[Constraint, ...]:
    inner = (rule for choice in definition.free_choice for rule in choice.rules)
    return (*inner, *definition.constraints)


# --- set-level rules ---------------------------------------------------------------------------------------------


def _places_named(names: Iterable[str], places: Sequence[Place]) -> frozenset[int]:
    """The places, by number, that these ids of slots, groups or single places name; no id names all of them."""
    wanted = set(names)
    if not wanted:
        return frozenset(range(len(places)))
    return frozenset(at for at, place in enumerate(places) if place.address in wanted or place.group in wanted)


def _says_something(rule: SetRule) -> bool:
    """A goal over no place at all is missed; where the bound place is not among those that are laid out nothing is bound."""
    return rule.bound is not None if rule.kind.binds_one else bool(rule.places) or rule.kind.is_goal


def set_rule(
    constraint: Constraint,
    places: Sequence[Place],
    eligible: Sequence[int],
    views: Sequence[tuple[View, ...]],
    table: Table,
    facts: dict[str, int],
) -> SetRule:
    """`facts` numbers the attributes, for all rules alike."""
    numbers: dict[object, int] = {}
    keys: dict[int, EdgeKeys] = {}
    for coin in eligible:
        if constraint.where is not None:
            keys[coin] = _key_of_fit(table.fit(constraint.where.predicate, views[coin]))
        else:
            keys[coin] = _keys(constraint.by, views[coin], numbers, table)
        if keys[coin].possible != keys[coin].settled:
            read = sorted(constraint.by if constraint.where is None else reads(constraint.where.predicate))
            if keys[coin].basis is Basis.REFERENCE:
                continue
            unsettled = (facts.setdefault(name, len(facts)) for name in read if not _is_settled(name, views[coin]))
            keys[coin] = replace(keys[coin], to_check=frozenset(unsettled))
    covered = _places_named(constraint.places, places)
    bound = next((at for at, place in enumerate(places) if place.address == constraint.place), None)
    return SetRule(constraint.id, constraint.kind, covered, keys, constraint.count, bound=bound)


def _is_settled(name: str, views: Sequence[View]) -> bool:
    """Whether the fact has one value, as each of the views."""
    return has_plain_value(views[0].facts, name) and len({view.facts.get(name) for view in views}) == 1


def _key_of_fit(fit: Fit) -> EdgeKeys:
    """The key 1 for a coin that counts under `where`, none for one that does not."""
    one, none = frozenset((1,)), frozenset[int]()
    if fit.verdict is NO:
        return EdgeKeys(none, none)
    return EdgeKeys(one, one) if fit.verdict is YES else EdgeKeys(one, none, BASES[fit.doubt])


def _keys(by: tuple[str, ...], views: tuple[View, ...], numbers: dict[object, int], table: Table) -> EdgeKeys:
    """Every key that the coin may have: wholly unknown where an attribute is not recorded, or has too many possible
    values."""
    possible: set[int] = set()
    for view in views:
        options = [_options(view, name, table) for name in by]
        if any(option is None for option in options):
            recorded = all(view.facts.get(name) is not None for name in by)
            return EdgeKeys(None, frozenset(), Basis.ALTERNATIVES if recorded else Basis.UNKNOWN)
        for key in product(*(option for option in options if option is not None)):
            possible.add(numbers.setdefault(key, len(numbers)))
            if len(possible) > _MOST_KEYS:
                return EdgeKeys(None, frozenset(), Basis.ALTERNATIVES)
    found = frozenset(possible)
    return EdgeKeys(found, found) if len(found) == 1 else EdgeKeys(found, frozenset(), Basis.ALTERNATIVES)


def _options(view: View, name: str, table: Table) -> tuple[Value, ...] | None:
    knowledge = view.facts.get(name)
    if isinstance(knowledge, Among):
        return knowledge.values
    if isinstance(knowledge, Subsets):
        return tuple(knowledge.lists()) if 2 ** len(knowledge.perhaps) <= _MOST_KEYS else None
    if isinstance(knowledge, Between) and table.attributes[name].type == "integer":
        low, high = knowledge.low, knowledge.high
        if isinstance(low, int) and isinstance(high, int) and high - low < _MOST_KEYS:
            return tuple(range(low, high + 1))
    return None

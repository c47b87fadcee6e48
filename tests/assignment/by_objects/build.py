"""From places, coins and verdicts to the assignment problem: edges with their costs, set-level rules with their keys.

Keys of coins under set-level rules have not changed, and are those of the service.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import lcm

import numpy as np

from service.assignment.build import FixedPlacements, _constraints, _says_something, like_places, set_rule
from service.assignment.preference_costs import CostScale
from service.assignment.problem import LARGEST_COST, AssignmentProblem, Basis, Edge, GroupPin
from service.errors import Fault, OverLimit
from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.places import Place
from service.evaluation.table import Fit, Table
from service.evaluation.verdicts import ALTERNATIVES, REFERENCE, UNKNOWN
from service.evaluation.views import bare
from service.facts.holding import Holding, View
from service.facts.knowledge import Number
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.constraints import Constraint
from service.rules.definition import Definition
from service.rules.preferences import Preference, value_of
from service.rules.rule import Rule


@dataclass(frozen=True)
class Instance:
    """A definition and the holdings that count, evaluated against each other.

    `places` are in the order of the document, `coins` in that of their ids. `fits[place][holding]` exists for every pair that
    fits or may fit. `constraints` are the definition's rules over several places, those of free choices first.
    `worth[level, place][holding]` is the value that a preference compares, None where it is not known. `columns` has a row
    for each of `coins.single`. `by_place[place][holding]` are the edges. `scales` has one entry for each preference level.
    `barred[place]` are the holdings that fit there, or may fit, and are never to be there.
    """

    places: tuple[Place, ...]
    coins: Coins
    fits: tuple[Mapping[int, Fit], ...]
    problem: AssignmentProblem
    constraints: tuple[Constraint, ...]
    worth: Mapping[tuple[int, int], Mapping[int, Number | None]] = field(repr=False)
    columns: Columns = field(repr=False)
    by_place: Mapping[int, Mapping[int, Edge]] = field(default_factory=dict, repr=False)
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

    def edges_at(self, place: int) -> Mapping[int, Edge]:
        """The edges of a place by holding."""
        return self.by_place.get(place, {})


def build(
    definition: Definition, places: tuple[Place, ...], coins: Coins, table: Table, fixed: FixedPlacements
) -> Instance:
    """The assignment problem of a definition. `table` judges holdings of several candidate issues and remembers its verdicts.

    Costs are exact: on each preference level every loss is a whole number from 0 on one scale (`CostScale`). Raises
    OverLimit when a level spans more than 2^60 steps of its smallest difference. Time: distinct rules times distinct
    facts, plus the fitting pairs.
    """
    holdings, views = coins.holdings, coins.views
    columns = coins.columns(table.attributes, table.context)
    both_columns = columns, coins.bare_columns(table.attributes, table.context)
    barred: dict[int, frozenset[int]] = {}
    fits = _fits(places, coins, table, fixed, both_columns, barred)
    levels = max((len(place.prefer) for place in places), default=0)
    costs, worth, scales = _costs(places, fits, PreferenceValues(views, table), levels)
    pins, stays = fixed.pins, fixed.previous
    edges = tuple(
        Edge(
            place=at,
            holding=coin,
            basis=_basis(fit),
            cost=tuple(costs[level][at][coin] for level in range(levels)),
            stays=(place.address, holdings[coin].id) in stays,
            pinned=(holdings[coin].id, place.address) in pins,
            to_check=fit.to_check,
            presumed=fit.presumed,
        )
        for at, place in enumerate(places)
        for coin, fit in fits[at].items()
    )
    constraints = _constraints(definition)
    eligible = sorted({edge.holding for edge in edges})
    facts: dict[str, int] = {}
    rules = tuple(set_rule(constraint, places, eligible, views, table, facts) for constraint in constraints)
    problem = AssignmentProblem(
        required=tuple(place.tier == "required" for place in places),
        quantity=tuple(coins.quantity.tolist()),
        edges=edges,
        rules=tuple(filter(_says_something, rules)),
        preference_levels=levels,
        group_pins=tuple(_group_pins(places, holdings, pins)),
        alike=tuple(like_places(places)),
    )
    by_place: dict[int, dict[int, Edge]] = {}
    for edge in edges:
        by_place.setdefault(edge.place, {})[edge.holding] = edge
    return Instance(places, coins, fits, problem, constraints, worth, columns, by_place, scales, barred)


def _group_pins(
    places: Sequence[Place], holdings: Sequence[Holding], pins: Iterable[tuple[str, str]]
) -> Iterator[GroupPin]:
    coins = {holding.id: coin for coin, holding in enumerate(holdings)}
    groups: dict[str, set[int]] = {}
    for at, place in enumerate(places):
        if place.group:
            groups.setdefault(place.group, set()).add(at)
    for holding, name in sorted(pins):
        if holding in coins and name in groups:
            yield GroupPin(coins[holding], frozenset(groups[name]))


_BASES = {ALTERNATIVES: Basis.ALTERNATIVES, UNKNOWN: Basis.UNKNOWN, REFERENCE: Basis.REFERENCE}


def _basis(fit: Fit) -> Basis:
    if fit.verdict is YES:
        return Basis.FIRM
    assert fit.doubt is not None
    return _BASES[fit.doubt]


_YES_FIT, _PRESUMED_FIT = Fit(YES), Fit(YES, presumed=True)


def _fits(
    places: Sequence[Place],
    coins: Coins,
    table: Table,
    fixed: FixedPlacements,
    both_columns: tuple[Columns, Columns | None],
    barred_at: dict[int, frozenset[int]],
) -> tuple[Mapping[int, Fit], ...]:
    """Holdings that are one thing only are judged in columns, those with several candidate issues one by one; the second
    columns are of the same holdings without what is presumed of them, where anything is. `barred_at` gets the
    holdings that are left out by place."""
    by_rule: dict[int, dict[int, Fit]] = {}
    found: list[Mapping[int, Fit]] = []
    barred = {place for _, place in fixed.nevers}
    never = fixed.nevers
    for at, place in enumerate(places):
        fitting = by_rule.get(id(place.predicate))
        if fitting is None:
            fitting = by_rule[id(place.predicate)] = _fitting(place, coins, both_columns, table)
        names = barred.intersection((place.address, place.group))
        out = frozenset(c for c in fitting if any((coins.ids[c], name) in never for name in names))
        if out:
            barred_at[at] = out
            fitting = {coin: fit for coin, fit in fitting.items() if coin not in out}
        found.append(fitting)
    return tuple(found)


def _fitting(place: Place, coins: Coins, both_columns: tuple[Columns, Columns | None], table: Table) -> dict[int, Fit]:
    columns, bare_columns = both_columns
    views, single = coins.views, coins.single
    rows = columns.fits(place.predicate)
    fitting = dict.fromkeys(single[rows.certain].tolist(), _YES_FIT)
    if bare_columns is not None and len(rows.certain):
        resting = np.setdiff1d(rows.certain, bare_columns.fits(place.predicate).certain, assume_unique=True)
        fitting |= dict.fromkeys(single[resting].tolist(), _PRESUMED_FIT)
    for doubt, doubtful in rows.doubtful().items():
        if not len(doubtful):
            continue
        firsts, kinds = columns.in_like_doubt(place.predicate, doubtful)
        lengths = (
            0 if doubt == REFERENCE else table.to_check(place.predicate, views[coin])
            for coin in single[firsts].tolist()
        )
        like = [Fit(UNDECIDED, doubt, to_check=length) for length in lengths]
        fitting |= {coin: like[kind] for coin, kind in zip(single[doubtful].tolist(), kinds.tolist(), strict=True)}
    for coin in coins.several:
        fit = table.fit(place.predicate, views[coin])
        if fit.verdict is UNDECIDED and fit.doubt != REFERENCE:
            fit = replace(fit, to_check=table.to_check(place.predicate, views[coin]))
        elif fit.verdict is YES and any(view.presumed for view in views[coin]):
            rests = table.verdict(place.predicate, bare(views[coin])) is not YES
            fit = _PRESUMED_FIT if rests else fit
        if fit.verdict is not NO:
            fitting[coin] = fit
    return dict(sorted(fitting.items()))


# --- preferences as costs ----------------------------------------------------------------------------------------

_Costs = list[list[Mapping[int, int]]]


class PreferenceValues:
    """The value of each coin under each criterion, computed once."""

    def __init__(self, views: Sequence[tuple[View, ...]], table: Table) -> None:
        self._views, self._table = views, table
        self._known: dict[int, dict[int, Number | None]] = {}

    def of(self, preference: Preference, coins: Iterable[int]) -> Mapping[int, Number | None]:
        """The values of at least these coins."""
        known = self._known.setdefault(id(preference), {})
        for coin in coins:
            if coin not in known:
                known[coin] = value_of(preference, self._views[coin], self._fits)
        return known

    def _fits(self, rule: Rule, views: tuple[View, ...]) -> Verdict:
        return self._table.verdict(rule.predicate, views)


def _costs(
    places: Sequence[Place], fits: Sequence[Mapping[int, Fit]], values: PreferenceValues, levels: int
) -> tuple[_Costs, dict[tuple[int, int], Mapping[int, Number | None]], tuple[CostScale, ...]]:
    """A whole number from 0 for every edge on each level, less is better. Since the number of filled places is decided on
    an earlier level, adding a constant to a whole level changes nothing."""
    costs: _Costs = []
    scales: list[CostScale] = []
    worth: dict[tuple[int, int], Mapping[int, Number | None]] = {}
    for level in range(levels):
        users: dict[int, tuple[Preference, set[int]]] = {}
        for at, place in enumerate(places):
            if level < len(place.prefer):
                preference = place.prefer[level]
                users.setdefault(id(preference), (preference, set()))[1].update(fits[at])
                worth[level, at] = values.of(preference, fits[at])
        lost = {name: _losses(preference, coins, values) for name, (preference, coins) in users.items()}
        scaled, without, scale = _scaled_losses(lost, level, any(level >= len(place.prefer) for place in places))
        scales.append(scale)
        costs.append(
            [
                scaled[id(place.prefer[level])] if level < len(place.prefer) else dict.fromkeys(fits[at], without)
                for at, place in enumerate(places)
            ]
        )
    return costs, worth, tuple(scales)


def _losses(preference: Preference, coins: set[int], values: PreferenceValues) -> dict[int, Number]:
    """What each coin loses under the criterion; a missing value counts one below the worst among the coins that fit a place
    with this criterion."""
    found = values.of(preference, coins)
    sign = -1 if preference.more_is_better else 1
    lost = {coin: sign * value for coin in coins if (value := found[coin]) is not None}
    missing = max(lost.values(), default=0) + 1
    return {coin: lost.get(coin, missing) for coin in coins}


def _scaled_losses(
    lost: Mapping[int, Mapping[int, Number]], level: int, some_without: bool
) -> tuple[dict[int, dict[int, int]], int, CostScale]:
    """The losses of a level as whole numbers from 0, all on one scale; and the loss at a place without a criterion
    there."""
    every = [value for losses in lost.values() for value in losses.values()]
    if some_without:
        every.append(0)
    scale = lcm(*{value.denominator for value in every if not isinstance(value, int)})
    least, most = min(every, default=0), max(every, default=0)
    if (most - least) * scale > LARGEST_COST:
        message = f"the numbers of preference {level + 1} span more than 2^60 steps of their smallest difference"
        raise OverLimit([Fault("over-limit", message, f"/prefer/{level}", "prefer a rule, or a rounder number")])
    whole = {
        name: {coin: int((value - least) * scale) for coin, value in losses.items()} for name, losses in lost.items()
    }
    return whole, int((0 - least) * scale), CostScale(scale, least)

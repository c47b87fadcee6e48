"""Preferences as costs: exact whole numbers, worked out once for each thing that is known and not for each coin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import lcm

import numpy as np

from service.assignment.edges import Flags, Integers
from service.assignment.problem import LARGEST_COST
from service.errors import Fault, OverLimit, Sentence
from service.evaluation.coins import Coins
from service.evaluation.columns import Columns
from service.evaluation.places import Place
from service.evaluation.table import Table
from service.facts.holding import View
from service.facts.knowledge import Number
from service.facts.truth import NO, YES, Verdict
from service.rules.preferences import Preference, value_of
from service.rules.rule import Rule


@dataclass(frozen=True, slots=True)
class CostScale:
    """What the costs of a preference level mean: cost c is a loss of `least + c / steps` in the criterion's own
    numbers."""

    steps: int = 1
    least: Number = 0


@dataclass(frozen=True, eq=False)
class Worth(Mapping[int, Number | None]):
    """What each coin is worth under a preference, None where the fact is missing: `distinct[codes[coin]]`, for the coins that
    are `compared`."""

    codes: Integers
    distinct: Sequence[Number | None]
    compared: Flags

    def __getitem__(self, coin: int) -> Number | None:
        if not (0 <= coin < len(self.codes) and self.compared[coin]):
            raise KeyError(coin)
        return self.distinct[int(self.codes[coin])]

    def __iter__(self) -> Iterator[int]:
        return iter(np.flatnonzero(self.compared).tolist())

    def __len__(self) -> int:
        return int(self.compared.sum())


class PreferenceValues:
    """The value of each coin under each criterion, computed once."""

    def __init__(self, coins: Coins, columns: Columns, table: Table) -> None:
        self._coins, self._columns, self._table = coins, columns, table
        # With the preference, so that no other one comes to have its identity.
        self._known: dict[int, tuple[Preference, Worth]] = {}

    def of(self, preference: Preference) -> Worth:
        """The values of all coins; none of them is `compared` yet."""
        known = self._known.get(id(preference))
        if known is None:
            known = self._known[id(preference)] = preference, self._worth(preference)
        return known[1]

    def one(self, preference: Preference, coin: int) -> Number | None:
        """The value of one coin."""
        return value_of(preference, self._coins.views[coin], self._fits)

    def _worth(self, preference: Preference) -> Worth:
        coins, columns = self._coins, self._columns
        codes = np.zeros(len(coins), np.int64)
        values: list[Number | None] = []
        if preference.where is not None:
            # The value of a coin that does not fit, then that of one that does.
            values += [value_of(preference, (), _fails), value_of(preference, (), _holds)]
            codes[coins.single[columns.fits(preference.where.predicate).certain]] = 1
        else:
            column = columns.column(preference.attribute)
            entries = ({} if entry is None else {preference.attribute: entry} for entry in column.entries)
            values += [value_of(preference, (View(facts),), self._fits) for facts in entries]
            codes[coins.single] = column.codes
        for coin in coins.several:
            codes[coin] = len(values)
            values.append(self.one(preference, coin))
        return Worth(codes, values, np.zeros(len(coins), bool))

    def _fits(self, rule: Rule, views: tuple[View, ...]) -> Verdict:
        return self._table.verdict(rule.predicate, views)


def _fails(_rule: Rule, _views: tuple[View, ...]) -> Verdict:
    return NO


def _holds(_rule: Rule, _views: tuple[View, ...]) -> Verdict:
    return YES


@dataclass(frozen=True, slots=True)
class Costs:
    """`cost` has shape (levels, pairs); `worth` by level and place; `scales` by level."""

    cost: Integers
    worth: Mapping[tuple[int, int], Worth]
    scales: tuple[CostScale, ...]


def costs_of(places: Sequence[Place], coins: Sequence[Integers], values: PreferenceValues) -> Costs:
    """A whole number from 0 for every pair of a place and one of its coins, place by place, on each preference level; less is
    better. Since the number of filled places is decided on an earlier level, adding a constant to a whole level changes
    nothing. Raises OverLimit when a level spans more than 2^60 steps of its smallest difference."""
    levels = max((len(place.prefer) for place in places), default=0)
    sizes = [len(here) for here in coins]
    ends = np.cumsum([0, *sizes]).tolist()
    cost = np.zeros((levels, ends[-1]), np.int64)
    scales: list[CostScale] = []
    worth: dict[tuple[int, int], Worth] = {}
    for level in range(levels):
        users: dict[int, tuple[Preference, list[int]]] = {}
        without: list[int] = []
        for at, place in enumerate(places):
            if level < len(place.prefer):
                preference = place.prefer[level]
                users.setdefault(id(preference), (preference, []))[1].append(at)
                worth[level, at] = values.of(preference)
            else:
                without.append(at)
        lost = {name: _losses(values.of(one), one, [coins[at] for at in there]) for name, (one, there) in users.items()}
        scale = _scale((loss for losses in lost.values() for loss in losses if loss is not None), level, bool(without))
        scales.append(scale)
        for name, (preference, there) in users.items():
            codes = values.of(preference).codes
            whole = np.array([0 if one is None else _whole(one, scale) for one in lost[name]], np.int64)
            for at in there:
                cost[level, ends[at] : ends[at + 1]] = whole[codes[coins[at]]]
        for at in without:
            cost[level, ends[at] : ends[at + 1]] = _whole(0, scale)
    return Costs(cost, worth, tuple(scales))


def _losses(worth: Worth, preference: Preference, coins: Iterable[Integers]) -> list[Number | None]:
    """What a coin loses under the criterion, for each value that one of these coins has, None for the others; a missing value
    counts one below the worst among them."""
    here = np.zeros(len(worth.codes), bool)
    for some in coins:
        here[some] = True
    worth.compared[here] = True
    occurs = (np.bincount(worth.codes[here], minlength=len(worth.distinct)) > 0).tolist()
    sign = -1 if preference.more_is_better else 1
    known = [
        sign * value for value, is_here in zip(worth.distinct, occurs, strict=True) if is_here and value is not None
    ]
    missing = max(known, default=0) + 1
    pairs = zip(worth.distinct, occurs, strict=True)
    return [(missing if value is None else sign * value) if is_here else None for value, is_here in pairs]


def _scale(every: Iterable[Number], level: int, some_without: bool) -> CostScale:
    """The scale on which all these losses are whole numbers from 0; 0 is the loss at a place without a criterion there."""
    losses = [*every, *([0] if some_without else [])]
    steps = lcm(*{value.denominator for value in losses if not isinstance(value, int)})
    least, most = min(losses, default=0), max(losses, default=0)
    if (most - least) * steps > LARGEST_COST:
        message = Sentence(
            "the numbers of preference {level} span more than 2^60 steps of their smallest difference", level=level + 1
        )
        raise OverLimit([Fault("over-limit", message, f"/prefer/{level}", "prefer a rule, or a rounder number")])
    return CostScale(steps, least)


def _whole(loss: Number, scale: CostScale) -> int:
    return int((loss - scale.least) * scale.steps)

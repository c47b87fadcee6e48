"""What would tell where a coin in doubt belongs: the shortest list of facts that decide all the places it may fit.

A list of facts decides all the places when it decides each of them, and only the facts that a place's rule reads matter to
that place: so each rule is asked once for each part of its own facts, whatever else is in the list. A fact without which
some rule stays open when all its others are known stands in every list.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from math import prod
from typing import Any

from service.evaluation.explanation import MOST_COMBINATIONS, MOST_SETTLING_FACTS, Region, RegionWording, constants_of
from service.evaluation.verdicts import BUDGET, Case, Choice, Split, judge_view
from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.truth import UNDECIDED, YES, Verdict
from service.rules.partitions import plainly_known
from service.rules.predicates import (
    EvaluationContext,
    Leaf,
    Or,
    Predicate,
    judge,
    leaves,
    reads,
)

_TRIALS_PER_COIN = 20_000
_MOST_RULES = 300

_Opened = list[tuple[tuple[Region, ...], list[str]]]


@dataclass(slots=True)
class TrialBudget:
    """How many more verdicts may be tried; the answer depends on this number, never on the clock."""

    left: int = _TRIALS_PER_COIN

    def spend(self, trials: int) -> None:
        """Raises Spent when there is not so much left."""
        if self.left < trials:
            raise BudgetSpent
        self.left -= trials


class BudgetSpent(Exception):
    """The allowance is used up."""


@dataclass(frozen=True, slots=True)
class SettlingFacts:
    """The facts as plain values, [{"attribute", "look_at", "outcomes"}]; `limit` is `budget` when the list may not be the
    shortest (then it is every fact that an undecided clause reads, without outcomes)."""

    facts: list[dict[str, Any]] = field(default_factory=list)
    limit: str | None = None


def settle_places(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    allowance: TrialBudget | None = None,
) -> SettlingFacts:
    """The shortest list of facts that decide every one of these places for the coin, whatever they turn out to be (ties: in
    the order of the alphabet). `rules` are the places (or groups) in doubt with what they take; `outcomes` leads from values
    in words to the places that they open (where several facts are needed: may open).

    A coin of several candidate issues is settled by its issue first: {"attribute": "issue"}. `allowance` is shared by coins
    that are asked for together.
    """
    if len(views) > 1:
        return SettlingFacts([_by_issue(rules, views, attributes, context)])
    allowance = allowance or TrialBudget()
    own = TrialBudget(min(allowance.left, _TRIALS_PER_COIN))
    granted = own.left
    try:
        return _settled(rules, views[0].facts, attributes, context, own)
    except BudgetSpent:
        names = _all_read(rules.values(), views[0].facts)
        return SettlingFacts([_alone(attributes[name]) for name in names], BUDGET)
    finally:
        allowance.left -= granted - own.left


def _settled(
    rules: Mapping[str, Predicate],
    facts: Facts,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    allowance: TrialBudget,
) -> SettlingFacts:
    if len(rules) > _MOST_RULES:
        raise BudgetSpent
    # Cutting the attributes into regions tries every clause on samples beside every constant.
    clauses = sum(len(leaves(rule)) for rule in rules.values())
    allowance.spend(clauses * clauses // 20)
    case = Case(Or(tuple(rules.values())), facts, attributes, context)
    undecided = {leaf for leaf in case.distinct if case.truths[leaf] is UNDECIDED}
    splits = [s for s in case.splits if s.name is not None and any(s.name in leaf.reads for leaf in undecided)]
    if len(splits) > MOST_SETTLING_FACTS:
        raise BudgetSpent
    chosen = _Deciding(case, rules, splits, allowance).shortest()
    if chosen is not None:
        opened = _opened(case, rules, chosen, allowance)
        return SettlingFacts([_told(split, at, opened, case, attributes) for at, split in enumerate(chosen)])
    names = {split.name for split in splits if split.name is not None}
    names |= {name for leaf in undecided for name in leaf.reads if not plainly_known(facts, name)}
    return SettlingFacts([_alone(attributes[name]) for name in sorted(names)], case.limit)


def _all_read(rules: Iterable[Predicate], facts: Facts) -> list[str]:
    """The facts that the rules read and that are not plainly known; of all of them, where only plain ones are left open."""
    names = sorted(frozenset[str]().union(*(reads(rule) for rule in rules)))
    return [name for name in names if not plainly_known(facts, name)] or names


def _alone(attribute: Attribute) -> dict[str, Any]:
    return {"attribute": attribute.name, "look_at": attribute.look_at, "outcomes": {}}


class _Deciding:
    """Which lists of facts decide which of the rules."""

    def __init__(
        self, case: Case, rules: Mapping[str, Predicate], splits: Sequence[Split], allowance: TrialBudget
    ) -> None:
        self.case, self.allowance = case, allowance
        self.splits = {split.name: split for split in splits}
        distinct = {id(rule): rule for rule in rules.values()}
        self.rules = [(rule, reads(rule).intersection(self.splits)) for rule in distinct.values()]
        self.known: dict[tuple[int, frozenset[str | None]], bool] = {}

    def shortest(self) -> tuple[Split, ...] | None:
        """The shortest list, None where even all the facts do not decide."""
        if not self._decide(frozenset(self.splits)):
            return None
        needed = self._needed()
        others = [name for name in self.splits if name not in needed]
        for size in range(len(others) + 1):
            for more in combinations(others, size):
                if self._decide(needed.union(more)):
                    return tuple(split for name, split in self.splits.items() if name in needed.union(more))
        return None

    def _needed(self) -> frozenset[str | None]:
        """The facts that no deciding list is without."""
        return frozenset(
            name
            for number, (_, own) in enumerate(self.rules)
            for name in own
            if not self._decides(number, own - {name})
        )

    def _decide(self, names: frozenset[str | None]) -> bool:
        return all(self._decides(number, names & own) for number, (_, own) in enumerate(self.rules))

    def _decides(self, number: int, names: frozenset[str | None]) -> bool:
        key = (number, names)
        if key not in self.known:
            rule = self.rules[number][0]
            chosen = [split for name, split in self.splits.items() if name in names]
            tried = _worlds(self.case, chosen, self.allowance)
            self.known[key] = all(
                _verdict(self.case, rule, chosen, picked, truths) is not UNDECIDED for picked, truths in tried
            )
        return self.known[key]


def _by_issue(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> dict[str, Any]:
    outcomes = {
        str(view.issue): [
            place for place, rule in rules.items() if judge_view(rule, view, attributes, context).verdict is YES
        ]
        for view in views
    }
    return {"attribute": "issue", "look_at": "what tells its candidate issues apart", "outcomes": outcomes}


def _worlds(
    case: Case, chosen: Sequence[Split], allowance: TrialBudget
) -> Iterator[tuple[tuple[Choice, ...], Mapping[Leaf, Verdict]]]:
    """Every combination of regions of the chosen facts, with what it says of the clauses."""
    if prod(len(split.choices) for split in chosen) > MOST_COMBINATIONS:
        raise BudgetSpent
    for picked in product(*(split.choices for split in chosen)):
        allowance.spend(1 + len(case.distinct) // 50)
        yield picked, case.settled(chosen, picked)[0]


def _verdict(
    case: Case,
    rule: Predicate,
    chosen: Sequence[Split],
    picked: Sequence[Choice],
    truths: Mapping[Leaf, Verdict],
) -> Verdict:
    verdict = judge(rule, truths.__getitem__)
    return case.verdict_once(chosen, picked, rule) if verdict is UNDECIDED else verdict


def _opened(case: Case, rules: Mapping[str, Predicate], chosen: Sequence[Split], allowance: TrialBudget) -> _Opened:
    """For every combination of regions of the chosen facts the places that it opens."""
    opened: _Opened = []
    for picked, truths in _worlds(case, chosen, allowance):
        allowance.spend(len(rules) // 10)
        verdicts = {place: _verdict(case, rule, chosen, picked, truths) for place, rule in rules.items()}
        opened.append((_regions(picked), [place for place, verdict in verdicts.items() if verdict is YES]))
    return opened


def _regions(picked: Iterable[Choice]) -> tuple[Region, ...]:
    return tuple((choice.meant, choice.values) for choice in picked)


def _told(split: Split, at: int, opened: _Opened, case: Case, attributes: Mapping[str, Attribute]) -> dict[str, Any]:
    assert split.name is not None
    attribute = attributes[split.name]
    by_region: dict[Region, dict[str, None]] = {}
    for regions, places in opened:
        by_region.setdefault(regions[at], {}).update(dict.fromkeys(places))
    told: dict[frozenset[str], list[Region]] = {}
    for region, found in by_region.items():
        told.setdefault(frozenset(found), []).append(region)
    every = [value for _, values in by_region for value in values]
    words = RegionWording(attribute, every, case.facts.get(split.name), constants_of(case, split.name))
    outcomes = {", ".join(words.of(regions)): list(by_region[regions[0]]) for regions in told.values()}
    return {"attribute": split.name, "look_at": attribute.look_at, "outcomes": outcomes}

"""Which facts would tell where a coin in doubt belongs: the shortest list that decides all the places it may fit.

A list of facts decides all the places when it decides each of them, and a place depends only on the facts that its rule
reads: so each rule is judged once for each subset of its own facts, whatever else is in the list. A fact without which
some rule stays open even when all its others are known is in every list.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product
from math import prod
from typing import Annotated, Any

from msgspec import Meta, Struct

from service.evaluation.explanation import MOST_COMBINATIONS, MOST_SETTLING_FACTS
from service.evaluation.outcomes import ways_of
from service.evaluation.verdicts import BUDGET, REFERENCE, Case, Choice, Split, doubt_of, judge_view
from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.knowledge import Among, Value, is_possible, value_as_json
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, Verdict
from service.rules.labels import Labels
from service.rules.partitions import has_plain_value
from service.rules.phrases import listed
from service.rules.predicates import (
    EvaluationContext,
    Leaf,
    Or,
    Predicate,
    ReferenceGap,
    kleene_verdict,
    leaves,
    reads,
    with_known,
)

TRIALS_PER_COIN = 20_000
_MOST_RULES = 300

_OpenedPlaces = list[tuple[tuple[int, ...], list[str]]]
"""For each combination of choices, by their numbers, the places that it opens."""


@dataclass(slots=True)
class TrialBudget:
    """The number of verdicts that may still be tried: the answer depends on this number, never on the clock."""

    left: int = TRIALS_PER_COIN

    def spend(self, trials: int) -> None:
        """Take this many off. Raises BudgetSpent when not that many are left."""
        if self.left < trials:
            raise BudgetSpent
        self.left -= trials


class BudgetSpent(Exception):
    """The budget of trials is used up."""


class PlacesOutcome(Struct, frozen=True):
    """One way that a fact may turn out."""

    when: Annotated[str, Meta(description="The values, in words.")]
    example: Annotated[
        RecordedFact | None,
        Meta(description="A value that can be recorded as it stands and leads there; null: none was found."),
    ]
    places: Annotated[
        list[str],
        Meta(description="The places that these values open; where several facts are needed: leave possible."),
    ]


class DecidingFact(Struct, frozen=True):
    """A fact that decides, alone or with others, where a coin fits."""

    attribute: str
    look_at: Annotated[str, Meta(description="What to look at on the coin.")]
    outcomes: Annotated[
        list[PlacesOutcome],
        Meta(description="Every way that it may turn out; empty where the list of facts may not be the shortest."),
    ]


@dataclass(frozen=True, slots=True)
class SettlingFacts:
    """`limit` names what prevented the shortest list: then it is every fact that an undecided clause reads, without
    outcomes. `gaps` are what the vocabularies do not say of what is recorded; `is_decisive`: nothing but the facts is needed
    to tell."""

    facts: list[DecidingFact] = field(default_factory=list)
    limit: str | None = None
    gaps: tuple[ReferenceGap, ...] = ()
    is_decisive: bool = True


def settle_places(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    budget: TrialBudget | None = None,
) -> SettlingFacts:
    """The shortest list of facts that decide every one of these places for the coin, whatever they turn out to be.

    `rules` are the places (or groups) in doubt with what they accept; `outcomes` has one entry for each set of places that
    some value opens (where several facts are needed: leaves possible). Ties: the first list in alphabetical order. A coin
    of several candidate issues is settled by its issue first: the attribute is `issue`. `budget` is shared by coins that
    are asked for together; each coin uses at most 20,000 trials of it. By enumeration, exact within the budget: past it,
    past 300 rules or past 12 open facts, the limit is `budget`. Doubts that remain when every fact is known are told in
    `gaps`; the facts then decide all the others.
    """
    if len(views) > 1:
        cases = [Case(Or(tuple(rules.values())), view.facts, attributes, context) for view in views]
        gaps = tuple(dict.fromkeys(gap for case in cases for gap in case.gaps()))
        if gaps and all(doubt_of(rule, views, attributes, context) == REFERENCE for rule in rules.values()):
            return SettlingFacts(gaps=gaps, is_decisive=False)
        if len({view.issue for view in views}) > 1:
            return SettlingFacts([_by_issue(rules, views, attributes, context)], gaps=gaps)
        return SettlingFacts(list(_by_recorded_doubt(rules, views, attributes, context)), gaps=gaps)
    found = _deciding(rules, views[0].facts, attributes, context, budget or TrialBudget())
    if found.case is None or found.chosen is None:
        facts = [DecidingFact(name, attributes[name].look_at, []) for name in found.names]
    else:
        facts = [
            _entry(attributes[name], at, split, found.opened, found.case, list(rules))
            for at, (name, split) in enumerate(found.chosen.items())
        ]
    gaps = () if found.case is None else tuple(found.case.gaps())
    return SettlingFacts(facts, found.limit, gaps, found.is_decisive)


def settling_names(
    rules: Mapping[str, Predicate],
    facts: Facts,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    budget: TrialBudget,
) -> list[str]:
    """The attributes alone of the list that `settle_places` tells, for a coin of one view."""
    return _deciding(rules, facts, attributes, context, budget).names


def settling_length(
    rule: Predicate,
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    budget: TrialBudget,
) -> int:
    """The length of the shortest list of facts that settles the rule for a coin in doubt, where the doubt is not of the
    vocabularies (REFERENCE). A coin of several candidate issues is settled by its issue, which counts one; 0 where nothing
    that can be recorded settles it; past the budget the length of the list that is told."""
    rules = {"": rule}
    if len({view.issue for view in views}) > 1:
        return 1
    if len(views) > 1:
        facts = list(_by_recorded_doubt(rules, views, attributes, context))
        return len(facts) if any(fact.outcomes for fact in facts) else 0
    found = _deciding(rules, views[0].facts, attributes, context, budget)
    is_settled = found.is_decisive and (found.chosen is not None or found.limit is not None)
    return len(found.names) if is_settled else 0


@dataclass(frozen=True, slots=True)
class _Deciding:
    """What decides the places of a coin of one view, before it is put into words. `names` are the facts; `chosen` are their
    splits and `opened` what they open, where they are the shortest list (None: they are not). `case` is None past the
    budget."""

    names: list[str]
    limit: str | None
    case: Case | None = None
    chosen: Mapping[str, Split] | None = None
    opened: _OpenedPlaces = field(default_factory=list)
    is_decisive: bool = True


def _deciding(
    rules: Mapping[str, Predicate],
    facts: Facts,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    budget: TrialBudget,
) -> _Deciding:
    own = TrialBudget(min(budget.left, TRIALS_PER_COIN))
    granted = own.left
    try:
        return _within_budget(rules, facts, attributes, context, own)
    except BudgetSpent:
        return _Deciding(_all_read(rules.values(), facts), BUDGET)
    finally:
        budget.left -= granted - own.left


def _within_budget(
    rules: Mapping[str, Predicate],
    facts: Facts,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    budget: TrialBudget,
) -> _Deciding:
    if len(rules) > _MOST_RULES:
        raise BudgetSpent
    # Cutting the attributes into regions tries every clause on samples around every constant.
    clauses = sum(len(leaves(rule)) for rule in rules.values())
    budget.spend(clauses * clauses // 20)
    case = Case(Or(tuple(rules.values())), facts, attributes, context)
    splits = case.open_splits()
    if len(splits) > MOST_SETTLING_FACTS:
        raise BudgetSpent
    left, worlds = _left_of(case, rules), _Worlds(case, budget)
    chosen = _DecidingFacts(case, rules, left, splits, worlds).shortest()
    if chosen is not None:
        opened, is_decisive = _opened_places(case, left, chosen, worlds, budget)
        return _Deciding(list(chosen), None, case, chosen, opened, is_decisive)
    names = {*splits, *(name for leaf in case.undecided for name in leaf.reads if not has_plain_value(facts, name))}
    return _Deciding(sorted(names), case.limit, case)


def _all_read(rules: Iterable[Predicate], facts: Facts) -> list[str]:
    """The facts that the rules read and that are not plainly known; all that they read, where each is."""
    names = sorted(frozenset[str]().union(*(reads(rule) for rule in rules)))
    return [name for name in names if not has_plain_value(facts, name)] or names


class _DecidingFacts:
    """Which lists of facts decide which of the rules."""

    def __init__(
        self,
        case: Case,
        rules: Mapping[str, Predicate],
        left: Mapping[str, Predicate],
        splits: Mapping[str, Split],
        worlds: _Worlds,
    ) -> None:
        """`left` are the rules without what is known."""
        self._case, self._splits, self._worlds = case, splits, worlds
        distinct = {id(rule): (rule, rest) for rule, rest in zip(rules.values(), left.values(), strict=True)}
        self._rules = [(rest, reads(rule).intersection(splits)) for rule, rest in distinct.values()]
        self._known: dict[tuple[int, frozenset[str]], bool] = {}

    def shortest(self) -> dict[str, Split] | None:
        """The shortest list, by attribute; None where not even all the facts decide."""
        if not self._decide_all(frozenset(self._splits)):
            return None
        needed = self._needed()
        others = [name for name in self._splits if name not in needed]
        for size in range(len(others) + 1):
            for more in combinations(others, size):
                if self._decide_all(needed.union(more)):
                    return {name: split for name, split in self._splits.items() if name in needed.union(more)}
        return None

    def _needed(self) -> frozenset[str]:
        """The facts that are in every deciding list."""
        return frozenset(
            name
            for number, (_, own) in enumerate(self._rules)
            for name in own
            if not self._decides(number, own - {name})
        )

    def _decide_all(self, names: frozenset[str]) -> bool:
        return all(self._decides(number, names & own) for number, (_, own) in enumerate(self._rules))

    def _decides(self, number: int, names: frozenset[str]) -> bool:
        key = (number, names)
        if key not in self._known:
            rule = self._rules[number][0]
            chosen = [split for name, split in self._splits.items() if name in names]
            self._known[key] = all(
                _verdict(self._case, rule, chosen, picked, truths) is not UNDECIDED
                or self._case.is_by_reference(chosen, picked, rule, MOST_COMBINATIONS)
                for picked, truths in self._worlds.of(chosen)
            )
        return self._known[key]


def _by_recorded_doubt(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> Iterator[DecidingFact]:
    """The recorded doubts on which it depends what is presumed of the coin: one view for each way they may turn out."""
    labels = Labels(attributes, context.vocabularies)
    possible = [_possible(rules, [view], attributes, context) for view in views]
    for name in sorted(frozenset[str]().union(*(view.own for view in views))):
        known = [view.facts.get(name) for view in views]
        if len(set(known)) == 1 or name not in attributes:
            continue
        values = list(dict.fromkeys(value for one in known if isinstance(one, Among) for value in one.values))
        opened = {
            value: _in_order(
                rules,
                (there for one, there in zip(known, possible, strict=True) if one is None or is_possible(value, one)),
            )
            for value in values
        }
        yield DecidingFact(
            name,
            attributes[name].look_at,
            _listed(opened, lambda value, name=name: labels.value(name, value)),  # type: ignore[misc]
        )


def _by_issue(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> DecidingFact:
    by_issue: dict[str, list[View]] = {}
    for view in views:
        by_issue.setdefault(str(view.issue), []).append(view)
    opened: dict[Value, tuple[str, ...]] = {
        issue: _in_order(rules, [_possible(rules, seen, attributes, context)]) for issue, seen in by_issue.items()
    }
    outcomes = _listed(opened, str)
    together = [
        [v for issue, seen in by_issue.items() if opened[issue] == tuple(o.places) for v in seen] for o in outcomes
    ]
    words = _issue_words(rules, together, Labels(attributes, context.vocabularies))
    if words is not None:
        outcomes = [PlacesOutcome(when, o.example, o.places) for when, o in zip(words, outcomes, strict=True)]
    return DecidingFact("issue", "what tells its candidate issues apart", outcomes)


def _issue_words(rules: Mapping[str, Predicate], groups: Sequence[Sequence[View]], labels: Labels) -> list[str] | None:
    """Groups of issues by the first attribute that the rules read and of which no two groups share a value: "fineness 0.925".
    None where there is no such attribute: then issues go by their ids."""
    for name in sorted(frozenset[str]().union(*(reads(rule) for rule in rules.values()))):
        known = [[view.facts.get(name) for view in views] for views in groups]
        values = [{one.values[0] for one in facts if isinstance(one, Among) and one.is_plain} for facts in known]
        is_plain = all(isinstance(one, Among) and one.is_plain for facts in known for one in facts)
        if is_plain and len(groups) > 1 and len(set[Value]().union(*values)) == sum(map(len, values)):
            said = [sorted(labels.value(name, value) for value in group) for group in values]
            return [f"{labels.name(name)} {listed(words, 'or')}" for words in said]
    return None


def _possible(
    rules: Mapping[str, Predicate],
    views: Sequence[View],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> frozenset[str]:
    """The places that the coin fits, or may fit, as one of these."""
    return frozenset(
        place
        for place, rule in rules.items()
        if any(judge_view(rule, view, attributes, context).verdict is not NO for view in views)
    )


def _in_order(rules: Iterable[str], found: Iterable[Iterable[str]]) -> tuple[str, ...]:
    every = frozenset[str]().union(*found)
    return tuple(place for place in rules if place in every)


def _listed(opened: Mapping[Value, tuple[str, ...]], words: Callable[[Any], str]) -> list[PlacesOutcome]:
    """Values that open the same places together, named one by one."""
    together: dict[tuple[str, ...], list[Value]] = {}
    for value, places in opened.items():
        together.setdefault(places, []).append(value)
    return [
        PlacesOutcome(listed([words(value) for value in values], "or"), value_as_json(values[0]), list(places))
        for places, values in together.items()
    ]


class _Worlds:
    """What the chosen facts may turn out to be."""

    def __init__(self, case: Case, budget: TrialBudget) -> None:
        self._case, self._budget = case, budget
        self._kept: dict[tuple[int, ...], list[tuple[tuple[Choice, ...], Mapping[Leaf, Verdict]]]] = {}

    def of(self, chosen: Sequence[Split]) -> Iterator[tuple[tuple[Choice, ...], Mapping[Leaf, Verdict]]]:
        """Every combination of regions of the chosen facts, with the verdicts of the leaves. Who asks again, for another
        rule, is charged again, and gets what was found out before."""
        if prod(len(split.tellable) for split in chosen) > MOST_COMBINATIONS:
            raise BudgetSpent
        kept = self._kept.setdefault(tuple(map(id, chosen)), [])
        for at, picked in enumerate(product(*(split.tellable for split in chosen))):
            self._budget.spend(1 + len(self._case.distinct) // 50)
            if at == len(kept):
                kept.append((picked, self._case.decided(chosen, picked)[0]))
            yield kept[at]


def _verdict(
    case: Case,
    rule: Predicate,
    chosen: Sequence[Split],
    picked: Sequence[Choice],
    truths: Mapping[Leaf, Verdict],
) -> Verdict:
    verdict = kleene_verdict(rule, truths.__getitem__)
    return case.verdict_given(chosen, picked, rule) if verdict is UNDECIDED else verdict


def _left_of(case: Case, rules: Mapping[str, Predicate]) -> dict[str, Predicate]:
    """The rules without what the recorded facts of the coin decide."""
    known: dict[int, Predicate] = {}
    for rule in rules.values():
        if id(rule) not in known:
            left = with_known(rule, case.known)
            known[id(rule)] = rule if isinstance(left, Verdict) else left
    return {place: known[id(rule)] for place, rule in rules.items()}


def _opened_places(
    case: Case, left: Mapping[str, Predicate], chosen: Mapping[str, Split], worlds: _Worlds, budget: TrialBudget
) -> tuple[_OpenedPlaces, bool]:
    """For every way that the facts may turn out the places that it opens: those that are left in doubt by the vocabularies
    alone are open too. And whether there are none of these. `left` are the rules without what is known."""
    opened: _OpenedPlaces = []
    is_decisive = True
    splits = list(chosen.values())
    numbers = product(*(range(len(split.tellable)) for split in splits))
    for at, (picked, truths) in zip(numbers, worlds.of(splits), strict=True):
        budget.spend(len(left) // 10)
        verdicts = {place: _verdict(case, rule, splits, picked, truths) for place, rule in left.items()}
        opened.append((at, [place for place, verdict in verdicts.items() if verdict is not NO]))
        is_decisive = is_decisive and UNDECIDED not in verdicts.values()
    return opened, is_decisive


def _entry(
    attribute: Attribute, at: int, split: Split, opened: _OpenedPlaces, case: Case, rules: Iterable[str]
) -> DecidingFact:
    by_choice: list[set[str]] = [set() for _ in split.tellable]
    for numbers, places in opened:
        by_choice[numbers[at]].update(places)
    keys = [_in_order(rules, [found]) for found in by_choice]
    outcomes = [
        PlacesOutcome(way.when, None if way.example is None else value_as_json(way.example), list(way.key))
        for way in ways_of(case, attribute, split.tellable, keys)
    ]
    return DecidingFact(attribute.name, attribute.look_at, outcomes)

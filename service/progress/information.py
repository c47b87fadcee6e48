"""Which unknown fact changes most: for every doubtful coin each fact that could be looked at, and what the sets would be if
it turned out one way or the other. Pure.

Every gain is exact for the value that is tried: the figures of the evaluation with the fact recorded, minus those of the
evaluation as it is. Values are tried one for each region into which all the rules in doubt, of all the sets together, and
the keys of their set-level rules cut the attribute; within a region every verdict is the same for all values.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import islice, product
from math import prod
from typing import Any, TypeVar

from service.assignment.cp_sat import SolverBudget
from service.evaluation.outcomes import ways_of
from service.evaluation.places import key_tests
from service.evaluation.settling import TrialBudget, settling_names
from service.evaluation.verdicts import Case, Split
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import Holding, View
from service.facts.knowledge import Among, Knowledge, Subsets, Value, value_as_json
from service.facts.own_vocabularies import united
from service.facts.truth import UNDECIDED
from service.progress.description import MessageNames
from service.progress.doubts import (
    FactOutcome,
    FactToLookAt,
    GainOfSet,
    IssueFeatures,
    NamedCoin,
    fact_to_look_at,
    features_of,
)
from service.progress.readings import Reading
from service.progress.whatif import Evaluated, Part
from service.rules.definition import OnePer
from service.rules.keys import Key, key_address
from service.rules.predicates import Comparison, EvaluationContext, Or, Predicate
from service.rules.rule import joined
from service.rules.terms import Const, Ref

MOST_DOUBTFUL_COINS = 500
MOST_EDGES = 1_000_000
"""Edges laid out in all; those under set-level rules count more."""
MOST_SOLVER_SECONDS = 4.0
"""Deterministic seconds of the solver in all."""
MOST_OUTCOMES = 60
MOST_TOGETHER = 120
MOST_OTHER_KEYS = 40
_MOST_CHOICES = 4 * MOST_TOGETHER
ISSUE = "issue"
_SEARCHED = 20
"""How many times longer an edge takes under set-level rules, by measurement."""
_ANEW = 10
"""The same of an edge that is judged and laid out anew."""
Answer = TypeVar("Answer")


@dataclass
class DoubtfulFact:
    """One coin in doubt: by the number of each set, what it may fit there."""

    holding: str
    rules: dict[int, dict[str, Predicate]]

    def named(self) -> dict[str, Predicate]:
        return {f"{number}/{name}": rule for number, rules in self.rules.items() for name, rule in rules.items()}


@dataclass(frozen=True, slots=True)
class WeighedFacts:
    """`facts`: the ones that change most first. `features`: for each coin with several candidate issues the smallest set of
    features that tells them apart. `left_out`: how many facts were not weighed, past the work that one answer may cost."""

    facts: list[FactToLookAt]
    features: list[IssueFeatures]
    left_out: int


def weigh_facts(sets: Sequence[Evaluated]) -> WeighedFacts:
    """What is worth looking at. The attributes of one entry are looked at together; there are several where no single fact
    settles the coin."""
    weighing = _Weighing(sets)
    facts = [entry for doubt in weighing.doubts() for entry in weighing.weigh(doubt)]
    facts.sort(
        key=lambda entry: (
            -entry.best.certain_gain,
            -entry.best.possible_gain,
            entry.worst.possible_gain,
            len(entry.attributes),
            entry.holding,
            entry.attributes,
        )
    )
    return WeighedFacts(facts, list(weighing.features()), weighing.left_out)


class _Weighing:
    def __init__(self, sets: Sequence[Evaluated]) -> None:
        self.sets = sets
        self.names = [MessageNames(one.instance, one.table) for one in sets]
        self.coins = [{identity: at for at, identity in enumerate(one.instance.coins.ids)} for one in sets]
        self.work = _Work()
        self.best: dict[Hashable, int] = {}
        self.counted: dict[Hashable, tuple[int, int]] = {}
        self.proven: dict[Hashable, tuple[int, int]] = {}
        self.solved: dict[Hashable, tuple[GainOfSet, bool]] = {}
        self.left_out = 0
        self.allowance = TrialBudget(200_000)

    def doubts(self) -> Iterator[DoubtfulFact]:
        """The coins that may fit some place, and those whose key under a set-level rule is not settled; those that sit
        somewhere first, then by id."""
        found: dict[str, DoubtfulFact] = {}
        placed: set[str] = set()
        for number, one in enumerate(self.sets):
            instance = one.instance
            placed |= {instance.holdings[seat.holding].id for seat in one.whole.solution.placements}
            for at, place in enumerate(instance.places):
                for coin, fit in instance.fits[at].items():
                    if fit.verdict is UNDECIDED:
                        name = place.group if place.kind == "free_choice" else place.address
                        rules = _doubt(found, instance.holdings[coin].id).rules.setdefault(number, {})
                        rules[name] = place.predicate
            for rule in instance.problem.rules:
                for coin, keys in rule.keys.items():
                    if keys.possible != keys.settled:
                        _doubt(found, instance.holdings[coin].id).rules.setdefault(number, {})
        order = sorted(found, key=lambda name: (name not in placed, name))
        self.left_out += max(0, len(order) - MOST_DOUBTFUL_COINS)
        for name in order[:MOST_DOUBTFUL_COINS]:
            yield found[name]

    def weigh(self, doubt: DoubtfulFact) -> Iterator[FactToLookAt]:
        """The entries of one coin."""
        if any(len(self._views(number, doubt)) > 1 for number in doubt.rules):
            yield from self._weigh_issue(doubt)
            return
        first = next(iter(doubt.rules))
        attributes, context = self._attributes(doubt), self._around(doubt)
        facts = self._views(first, doubt)[0].facts
        rules = {**doubt.named(), **dict(self._key_rules(doubt))}
        if not rules:
            return
        case = Case(Or(tuple(rules.values())), facts, attributes, context)
        splits = case.open_splits()
        for name, split in splits.items():
            yield from self._weigh_one(doubt, attributes, {name: _options(split, case, attributes[name])})
        names = settling_names(doubt.named(), facts, attributes, context, self.allowance)
        if len(names) > 1 and splits.keys() >= set(names):
            options = {name: _options(splits[name], case, attributes[name]) for name in names}
            yield from self._weigh_one(doubt, attributes, options)

    # -- one coin

    def _weigh_one(
        self, doubt: DoubtfulFact, attributes: Mapping[str, Attribute], options: Mapping[str, Mapping[Value, str]]
    ) -> Iterator[FactToLookAt]:
        size = prod(len(values) for values in options.values())
        if size < 2 or size > (MOST_OUTCOMES if len(options) == 1 else MOST_TOGETHER):
            self.left_out += size > 1
            return
        tries: list[_Try] = []
        for values in product(*options.values()):
            recorded = dict(zip(options, values, strict=True))
            in_text = {name: options[name][value] for name, value in recorded.items()}
            knowledge = {name: Among((value,)) for name, value in recorded.items()}
            plain = {name: value_as_json(value) for name, value in recorded.items()}
            tries.append(_Try(in_text, plain, _with_facts(knowledge)))
        entry = self._tried(doubt, {name: attributes[name].look_at for name in options}, tries)
        if entry is not None:
            yield entry

    def _weigh_issue(self, doubt: DoubtfulFact) -> Iterator[FactToLookAt]:
        number = next(number for number in doubt.rules if len(self._candidates(number, doubt)) > 1)
        names = [issue for issue in self._candidates(number, doubt) if issue is not None]
        tries = [_Try({ISSUE: name}, {ISSUE: name}, _with_issue(name)) for name in names]
        entry = self._tried(doubt, {ISSUE: "what tells its candidate issues apart: see `features`"}, tries)
        if entry is not None:
            yield entry

    def _candidates(self, number: int, doubt: DoubtfulFact) -> list[str | None]:
        return list(dict.fromkeys(view.issue for view in self._views(number, doubt)))

    def _tried(self, doubt: DoubtfulFact, look_at: dict[str, str], tries: Sequence[_Try]) -> FactToLookAt | None:
        """The entry; None where nothing is gained or lost, or the work exceeds what is left of it."""
        tried = [_TriedCoin(self, number, self._holding(number, doubt)) for number in doubt.rules]
        try:
            counted = [[coin.counts(one.known_as(coin.holding)) for coin in tried] for one in tries]
            if all(gains == (0, 0) for each in counted for gains in [_total(each)]):
                return None
            outcomes: list[FactOutcome] = []
            proven = True
            for one in tries:
                found = [coin.gain(one.known_as(coin.holding)) for coin in tried]
                proven = proven and all(is_proven for _, is_proven in found)
                gains = [gain for gain, _ in found]
                outcomes.append(FactOutcome(one.words, one.recorded, *_total(_pairs(gains)), gains))
        except WorkSpent:
            self.left_out += 1
            return None
        number = next(iter(doubt.rules))
        coin, names = self._holding(number, doubt), self.names[number]
        named = NamedCoin(coin, names.coin(self.coins[number][coin.id]))
        return fact_to_look_at(named, look_at, [names.fact(name) for name in look_at], outcomes, proven)

    # -- what it follows from

    def _holding(self, number: int, doubt: DoubtfulFact) -> Holding:
        return self.sets[number].instance.holdings[self.coins[number][doubt.holding]]

    def _views(self, number: int, doubt: DoubtfulFact) -> tuple[View, ...]:
        return self.sets[number].instance.views[self.coins[number][doubt.holding]]

    def _attributes(self, doubt: DoubtfulFact) -> Attributes:
        """All attributes of the sets that are in doubt about the coin; for one that two declare differently the first's."""
        found: dict[str, Attribute] = {}
        for number in doubt.rules:
            for name, attribute in self.sets[number].request.definition.attributes.items():
                found.setdefault(name, attribute)
        return Attributes(found.values())

    def _around(self, doubt: DoubtfulFact) -> EvaluationContext:
        schemes = reduce(united, (self.sets[number].request.vocabularies for number in doubt.rules))
        return EvaluationContext(self.sets[0].request.today, schemes)

    def _key_rules(self, doubt: DoubtfulFact) -> Iterator[tuple[str, Predicate]]:
        """What else a fact may change: the keys of set-level rules and of open-ended groups, as comparisons with the keys
        that other coins show."""
        for number in doubt.rules:
            one = self.sets[number]
            definition = one.request.definition
            for constraint in one.instance.constraints:
                if constraint.where is not None:
                    yield f"{number}/{constraint.id}", constraint.where.predicate
                for name in constraint.by:
                    if not definition.attributes[name].many:
                        for value in self._shown(number, name):
                            yield f"{number}/{constraint.id}/{value}", Comparison("=", Ref(name), Const(value))
            for group in definition.one_per:
                if group.keys.is_open:
                    for key in self._keys_shown(number, group):
                        rule = joined(key_tests(definition, group, key))
                        yield f"{number}/{group.id}/{key_address(key)}", rule

    def _keys_shown(self, number: int, group: OnePer) -> list[Key]:
        """Some of the keys of an open group that coins of the set show."""
        shown = ([key for value in self._shown(number, p.attribute) for key in p.keys_of(value)] for p in group.parts)
        return list(islice(product(*(dict.fromkeys(keys) for keys in shown)), MOST_OTHER_KEYS))

    def _shown(self, number: int, name: str) -> list[Value]:
        """Some of the values that coins of the set show, those that fit some place first."""
        instance = self.sets[number].instance
        fitting = {coin for fits in instance.fits for coin in fits}
        found: dict[Value, None] = {}
        for coin in sorted(fitting):
            for view in instance.views[coin]:
                known = view.facts.get(name)
                if isinstance(known, Among):
                    found.update(dict.fromkeys(known.values))
                elif isinstance(known, Subsets):
                    found.update({frozenset((term,)): None for term in sorted(known.every)})
        return list(found)[:MOST_OTHER_KEYS]

    def features(self) -> Iterator[IssueFeatures]:
        """The distinguishing features of the candidate issues of each coin, named or identified."""
        seen: set[str] = set()
        for one, names in zip(self.sets, self.names, strict=True):
            attributes, issues = one.request.definition.attributes, one.request.issues
            for coin, holding in enumerate(one.instance.holdings):
                views = one.instance.views[coin]
                candidates = holding.issues or tuple(dict.fromkeys(view.issue for view in views if view.issue))
                if len(candidates) > 1 and holding.id not in seen:
                    seen.add(holding.id)
                    named = NamedCoin(holding, names.coin(coin))
                    yield features_of(named, {name: issues[name] for name in candidates}, attributes, names.fact)


class WorkSpent(Exception):
    """The work that one answer may cost is used up."""


class _Work:
    """What one answer may still cost. It is counted in edges and in deterministic seconds of the solver, never by the clock,
    so the answer is the same on a busy machine."""

    def __init__(self) -> None:
        self.edges, self.seconds = MOST_EDGES, MOST_SOLVER_SECONDS

    def spend(self, edges: int) -> None:
        """Take these off. Raises WorkSpent where not so many are left."""
        if edges > self.edges:
            raise WorkSpent
        self.edges -= edges

    def solver(self, one: Evaluated, touched: frozenset[int], ask: Callable[[SolverBudget], Answer]) -> Answer:
        """The answer about these parts. Raises WorkSpent before it is asked."""
        is_searched = one.is_under_rules(touched)
        self.spend(one.weight_of(touched) * (_SEARCHED if is_searched else 1))
        if is_searched and self.seconds <= 0:
            raise WorkSpent
        budget = SolverBudget(min(one.seconds, self.seconds))
        granted = budget.left
        found = ask(budget)
        self.seconds -= granted - budget.left
        return found


class _TriedCoin:
    """One coin of one set, known this way and that."""

    def __init__(self, weighing: _Weighing, number: int, holding: Holding) -> None:
        self.number, self.holding = number, holding
        self._weighing, self._set = weighing, weighing.sets[number]
        self._at = weighing.coins[number][holding.id]
        fits = self._set.instance.fits
        self._touched = self._set.touched(at for at, here in enumerate(fits) if self._at in here)
        self._reading = self._set.reading(self._touched, holding)
        # What is counted is the same of every coin that reads alike, unless the owner decided about it.
        self._is_decided = self._set.is_decided(holding.id)
        self._alike: Hashable = holding.id if self._is_decided else (self._reading, holding.quantity)

    def counts(self, known: Holding) -> tuple[int, int]:
        """What is gained for certain and at most when the coin is known like this. Raises WorkSpent."""
        if self._is_laid_out_otherwise(known):
            gain, _ = self.gain(known)
            return gain.certain_gain, gain.possible_gain
        reading = self._set.reading(self._touched, known)
        if reading == self._reading:
            return 0, 0
        remembered, name = self._weighing.counted, self._name(reading)
        if name not in remembered:
            remembered[name] = self._counted(reading, known)
        return remembered[name]

    def _counted(self, reading: Reading, known: Holding) -> tuple[int, int]:
        one, touched, work = self._set, self._touched, self._weighing.work
        before = one.as_is(touched)
        certain, possible, proven = before.certain, before.possible, before.proven
        if not self._keeps_what_is_possible(reading, before):
            possible, is_proven = work.solver(one, touched, lambda left: one.possible_with_facts(touched, known, left))
            proven = proven and is_proven
        if not self._keeps_what_is_certain(reading, before):
            certain, is_proven = work.solver(one, touched, lambda left: one.certain_with_facts(touched, known, left))
            proven = proven and is_proven
        if not proven:
            gain, _ = self.gain(known)
            return gain.certain_gain, gain.possible_gain
        self._weighing.proven[self._name(reading)] = certain, possible
        return certain - before.certain, possible - before.possible

    def _keeps_what_is_possible(self, reading: Reading, before: Part) -> bool:
        """Whether as many places can be filled as before: the coin sits in none of them."""
        seats = before.seats()
        return (
            before.proven
            and not self._is_decided
            and len(seats) == before.possible
            and all(seat.holding != self.holding.id for seat in seats.values())
            and reading.narrows(self._reading)
        )

    def _keeps_what_is_certain(self, reading: Reading, before: Part) -> bool:
        """Whether as many places are certain as before: the coin is certain of none, before and after, or would at its best
        be one too many."""
        one, touched = self._set, self._touched
        if not before.proven or self._is_decided or one.binds(touched):
            return False
        if not reading.is_sure and not self._reading.is_sure:
            return True
        if not reading.narrows(self._reading):
            return False
        if before.certain == before.possible:
            return True
        remembered, name = self._weighing.best, (self.number, touched, self._alike)
        if name not in remembered:
            most, is_proven = self._weighing.work.solver(
                one, touched, lambda budget: one.certain_at_best(touched, self.holding, budget)
            )
            remembered[name] = most if is_proven else before.possible
        return remembered[name] <= before.certain

    def gain(self, known: Holding) -> tuple[GainOfSet, bool]:
        """The same with the places that are filled then, and whether it is proven. Raises WorkSpent."""
        one, touched = self._set, self._touched
        if self._is_laid_out_otherwise(known):
            name: Hashable = (self.number, self.holding.id, known.issues, tuple(sorted(known.facts.items())))
        else:
            name = (self.number, self.holding.id, one.reading(touched, known))
        solved = self._weighing.solved
        if name not in solved:
            solved[name] = self._solved(known)
        return solved[name]

    def _solved(self, known: Holding) -> tuple[GainOfSet, bool]:
        one, touched = self._set, self._touched
        if self._is_laid_out_otherwise(known):
            self._weighing.work.spend(one.weight_of(one.everything) * _ANEW)
            before, after = one.whole, one.anew([known]).whole
        else:
            before = after = one.as_is(touched)
            reading = one.reading(touched, known)
            if reading != self._reading:
                counts = self._weighing.proven.get(self._name(reading))
                after = self._weighing.work.solver(
                    one, touched, lambda budget: one.with_facts(touched, known, budget, counts)
                )
        old = before.seats()
        gain = GainOfSet(
            set=self.number,
            certain_gain=after.certain - before.certain,
            possible_gain=after.possible - before.possible,
            opens=[address for address in after.seats() if address not in old],
        )
        return gain, before.proven and after.proven

    def _name(self, reading: Reading) -> Hashable:
        return self.number, self._touched, self._alike, reading

    def _is_laid_out_otherwise(self, known: Holding) -> bool:
        """Whether the set has other places then."""
        return self._set.opens_places(known) or self._set.closes_places(self._at, known)


def _pairs(gains: Iterable[GainOfSet]) -> list[tuple[int, int]]:
    return [(gain.certain_gain, gain.possible_gain) for gain in gains]


def _total(gains: Sequence[tuple[int, int]]) -> tuple[int, int]:
    return sum(certain for certain, _ in gains), sum(possible for _, possible in gains)


def _doubt(found: dict[str, DoubtfulFact], holding: str) -> DoubtfulFact:
    return found.setdefault(holding, DoubtfulFact(holding, {}))


@dataclass(frozen=True, slots=True)
class _Try:
    """One way that the facts may turn out: in words, as recorded, and what the holding is then."""

    words: dict[str, str]
    recorded: dict[str, Any]
    known_as: Callable[[Holding], Holding]


def _with_facts(knowledge: Mapping[str, Knowledge]) -> Callable[[Holding], Holding]:
    return lambda held: replace(held, facts={**held.facts, **knowledge})


def _with_issue(issue: str) -> Callable[[Holding], Holding]:
    return lambda held: replace(held, issues=(issue,))


def _options(split: Split, case: Case, attribute: Attribute) -> dict[Value, str]:
    """One value to record for each way that the fact may turn out and the rules distinguish, with the way in words. A broader
    term (a bird) may turn out to be any narrower one. A way of which no value can be recorded is left out."""
    if len(split.tellable) > _MOST_CHOICES:
        return dict.fromkeys((choice.value for choice in split.tellable if choice.value is not None), "")
    is_joint = any(attribute.name in leaf.reads for leaf in case.joint)
    keys = [(tuple(choice.truths.values()), choice.value if is_joint else None) for choice in split.tellable]
    return {way.example: way.when for way in ways_of(case, attribute, split.tellable, keys) if way.example is not None}

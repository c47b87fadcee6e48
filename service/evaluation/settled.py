"""What settles the doubts of coins that are asked for together: like doubts are looked at once, and what was found for an
evaluation before is taken from there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.evaluation.known_rules import KnownRules, ToldBefore
from service.evaluation.settling import TRIALS_PER_COIN, SettlingFacts, TrialBudget, settle_places
from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.truth import UNDECIDED, Verdict
from service.rules.partitions import plain_values
from service.rules.predicates import EvaluationContext, Leaf, Predicate, leaves, reads

_Rules = Mapping[str, Predicate]


class Settled:
    """What `settle_places` tells of coins, one after the other. Of two coins that are the same in all that the rules read the
    first answer is given for both; of two coins of one view, the same is told where the clauses that plain values decide are
    decided alike and the other clauses read the same. `known`: what was found before, under these attributes and in this
    context."""

    def __init__(
        self,
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
        budget: TrialBudget,
        known: KnownRules | None = None,
    ) -> None:
        self._attributes, self._context, self._budget, self._known = attributes, context, budget, known
        self._told: dict[object, SettlingFacts] = {}
        self._alike: dict[object, ToldBefore] = {}
        self._leaves: dict[tuple[int, ...], list[Leaf]] = {}
        # Of a rule, by its identity, its number among the known ones.
        self._numbers: dict[int, int] = {}

    def places(self, rules: _Rules, views: Sequence[View]) -> SettlingFacts:
        """As `settle_places` tells it, and as much taken off the budget where it is not known from a coin before. The rules of
        all calls are kept elsewhere."""
        key = (tuple(rules), self._seen(rules, views))
        told = self._told.get(key)
        if told is None:
            told = self._told[key] = self._found(key, rules, views)
        return told

    def _seen(self, rules: _Rules, views: Sequence[View]) -> object:
        """All of the views that what is told follows from."""
        names = frozenset[str]().union(*map(reads, rules.values()))
        if len(views) > 1:
            # On what else is recorded it may depend what is presumed, or which candidate it is.
            names = names.union(*(view.own for view in views))
        facts = sorted(names)
        return tuple((view.issue, *(view.facts.get(name) for name in facts)) for view in views), tuple(facts)

    def _found(self, key: tuple[object, ...], rules: _Rules, views: Sequence[View]) -> SettlingFacts:
        left = self._budget.left
        # With less than that left something else may be told. Coins of several views take none.
        if len(views) == 1 and left < TRIALS_PER_COIN:
            return self._tried(rules, views)
        if self._known is None:
            found = self._told_once(rules, views)
        else:
            numbers = tuple(self._number_of(rule) for rule in rules.values())
            kept = self._known.doubts.find((numbers, *key))
            found = kept or self._told_once(rules, views)
            if kept is None:
                self._known.doubts.keep((numbers, *key), found, list(rules))
        # The coins behind are answered alike, however it was found.
        self._budget.left = left - found.trials
        return found.told

    def _told_once(self, rules: _Rules, views: Sequence[View]) -> ToldBefore:
        if len(views) > 1:
            return ToldBefore(self._tried(rules, views), 0)
        key = self._doubt(rules, views[0].facts)
        found = self._alike.get(key)
        if found is None:
            left = self._budget.left
            told = self._tried(rules, views)
            found = self._alike[key] = ToldBefore(told, left - self._budget.left)
        return found

    def _tried(self, rules: _Rules, views: Sequence[View]) -> SettlingFacts:
        return settle_places(rules, views, self._attributes, self._context, self._budget)

    def _number_of(self, rule: Predicate) -> int:
        assert self._known is not None
        number = self._numbers.get(id(rule))
        if number is None:
            number = self._numbers[id(rule)] = self._known.number_of(rule)
        return number

    def _doubt(self, rules: _Rules, facts: Facts) -> object:
        same = tuple(map(id, rules.values()))
        every = self._leaves.get(same)
        if every is None:
            every = self._leaves[same] = list(dict.fromkeys(leaf for rule in rules.values() for leaf in leaves(rule)))
        plain, read = plain_values(facts), set[str]()
        verdicts: list[Verdict] = []
        for leaf in every:
            verdict = leaf.holds(plain, self._context) if leaf.reads <= plain.keys() else UNDECIDED
            verdicts.append(verdict)
            if verdict is UNDECIDED:
                read |= leaf.reads
        return tuple(rules), same, tuple(verdicts), tuple((name, facts.get(name)) for name in sorted(read))

"""Which coins fit which rules, judged one by one and remembered.

A rule is judged once for each distinct combination of the facts that it reads, so the cost grows with distinct facts, not
with holdings times places.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.evaluation.settling import TrialBudget, settling_length
from service.evaluation.verdicts import REFERENCE, Doubt, doubt_of, judge_views
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.truth import UNDECIDED, Verdict
from service.rules.predicates import EvaluationContext, Predicate, reads

# For the facts to look up of all coins together: some seconds.
_MOST_TRIALS = 300_000


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether one coin fits one rule. For an undecided verdict `doubt` says what the doubt rests on (`verdicts.doubt_of`),
    and `limit` names what prevented an exact answer, if anything did; `to_check` is the length of the shortest list of
    facts that would settle it. `presumed`: it fits for certain, and would not without presumptions."""

    verdict: Verdict
    doubt: Doubt | None = None
    limit: str | None = None
    to_check: int = 0
    presumed: bool = False


class Table:
    """Judges rules for coins and remembers the answers. Rules are recognised by identity, and equal ones share
    answers."""

    def __init__(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> None:
        self.attributes, self.context = attributes, context
        self._reads: dict[int, tuple[Predicate, tuple[str, ...]]] = {}
        self._answers: dict[int, dict[object, Fit]] = {}
        self._equal_rules: dict[Predicate, dict[object, Fit]] = {}
        self._lengths: dict[Predicate, dict[object, int]] = {}
        self._trials = TrialBudget(_MOST_TRIALS)

    def fit(self, predicate: Predicate, views: tuple[View, ...]) -> Fit:
        """Whether the coin with these views (at least one) fits the rule."""
        known = self._reads.get(id(predicate))
        if known is None:
            known = self._reads[id(predicate)] = (predicate, tuple(sorted(reads(predicate))))
            # Places with equal rules are judged once, however the rules are written.
            self._answers[id(predicate)] = self._equal_rules.setdefault(predicate, {})
        names = known[1]
        key = tuple(tuple(view.facts.get(name) for name in names) for view in views)
        answers = self._answers[id(predicate)]
        fit = answers.get(key)
        if fit is None:
            fit = answers[key] = self._judge(predicate, views)
        return fit

    def to_check(self, predicate: Predicate, views: tuple[View, ...]) -> int:
        """How many facts would settle whether the coin with these views, which may fit the rule, does: the length of the
        shortest list (`settling`), 0 where nothing would, and past the budget, which all coins share, that of the list that
        is told."""
        if self.fit(predicate, views).doubt == REFERENCE:
            return 0
        names = tuple(sorted(reads(predicate)))
        key = tuple(tuple(view.facts.get(name) for name in names) for view in views)
        known = self._lengths.setdefault(predicate, {})
        if key not in known:
            known[key] = settling_length(predicate, views, self.attributes, self.context, self._trials)
        return known[key]

    def _judge(self, predicate: Predicate, views: tuple[View, ...]) -> Fit:
        judgement = judge_views(predicate, views, self.attributes, self.context)
        if judgement.verdict is not UNDECIDED:
            return Fit(judgement.verdict)
        return Fit(UNDECIDED, doubt_of(predicate, views, self.attributes, self.context), judgement.limit)

    def verdict(self, predicate: Predicate, views: tuple[View, ...]) -> Verdict:
        """The verdict alone."""
        return self.fit(predicate, views).verdict

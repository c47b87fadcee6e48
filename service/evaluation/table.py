"""Which coins fit which rules, judged one by one and remembered.

A rule is judged once for each distinct combination of the facts that it reads, so the cost grows with distinct facts, not
with holdings times places.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.evaluation.known_rules import KnownRules
from service.evaluation.settling import TRIALS_PER_COIN, TrialBudget, settling_length
from service.evaluation.verdicts import Doubt, judged_with_doubt
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.truth import Verdict
from service.rules.predicates import EvaluationContext, Predicate, reads

# For the facts to look up of all coins together: some seconds.
_MOST_TRIALS = 300_000


@dataclass(frozen=True, slots=True)
class Fit:
    """Whether one coin fits one rule. For an undecided verdict `doubt` says what the doubt rests on (`verdicts.doubt_in`),
    and `limit` names what prevented an exact answer, if anything did; `to_check` is the length of the shortest list of
    facts that would settle it. `presumed`: it fits for certain, and would not without presumptions."""

    verdict: Verdict
    doubt: Doubt | None = None
    limit: str | None = None
    to_check: int = 0
    presumed: bool = False


@dataclass(frozen=True, slots=True)
class _Answers:
    """What equal rules were asked so far, by what is known of the attributes that they read."""

    reads: tuple[str, ...]
    fits: dict[object, Fit] = field(default_factory=dict)
    lengths: dict[object, int] = field(default_factory=dict)

    def copy(self) -> _Answers:
        return _Answers(self.reads, dict(self.fits), dict(self.lengths))

    def key(self, views: tuple[View, ...]) -> object:
        return tuple(tuple(view.facts.get(name) for name in self.reads) for view in views)


class Table:
    """Judges rules for coins and remembers the answers. Rules are recognised by identity, and equal ones share
    answers. `known`: what was found before, under these attributes and in this context."""

    def __init__(
        self, attributes: Mapping[str, Attribute], context: EvaluationContext, known: KnownRules | None = None
    ) -> None:
        self.attributes, self.context, self.known = attributes, context, known
        # With the rule, so that no other one comes to have its identity.
        self._answers: dict[int, tuple[Predicate, _Answers]] = {}
        self._equal_rules: dict[Predicate, _Answers] = {}
        self._trials = TrialBudget(_MOST_TRIALS)
        self._before: Table | None = None

    def branch(self) -> Table:
        """A table that goes on from here, with the trials that are left, and leaves this one as it is: so several may go on
        from one, each as if it were alone. Nothing more is to be asked of this one."""
        branch = Table(self.attributes, self.context, self.known)
        branch._before, branch._trials = self, TrialBudget(self._trials.left)
        return branch

    def fit(self, predicate: Predicate, views: tuple[View, ...]) -> Fit:
        """Whether the coin with these views (at least one) fits the rule."""
        answers = self._answers_of(predicate)
        key = answers.key(views)
        fit = answers.fits.get(key)
        if fit is None:
            judgement, doubt = judged_with_doubt(predicate, views, self.attributes, self.context)
            fit = answers.fits[key] = Fit(judgement.verdict, doubt, judgement.limit)
        return fit

    def to_check(self, predicate: Predicate, views: tuple[View, ...]) -> int:
        """How many facts would settle whether the coin with these views fits the rule, where it may and the doubt is not of
        the vocabularies (REFERENCE): the length of the shortest list (`settling`), 0 where nothing would, and past the
        budget, which all coins share, that of the list that is told."""
        answers = self._answers_of(predicate)
        key = answers.key(views)
        length = answers.lengths.get(key)
        if length is None:
            length = answers.lengths[key] = self._length(predicate, views, key)
        return length

    def _length(self, predicate: Predicate, views: tuple[View, ...], key: object) -> int:
        left, trials = self._trials.left, self._trials
        # With less than that left the length may be another one. What was known already takes as much off as finding it did, so
        # that the coins behind it are answered as if it had not been.
        shared = None
        if self.known is not None and len(views) == 1 and left >= TRIALS_PER_COIN:
            shared = self.known.lengths(predicate)
        if shared is not None and (found := shared.get(key)) is not None:
            trials.left -= found[1]
            return found[0]
        length = settling_length(predicate, views, self.attributes, self.context, trials)
        if shared is not None:
            shared[key] = (length, left - trials.left)
        return length

    def _answers_of(self, predicate: Predicate) -> _Answers:
        known = self._answers.get(id(predicate))
        if known is None:
            # Places with equal rules are judged once, however the rules are written.
            answers = self._equal_rules.get(predicate)
            if answers is None:
                before = None if self._before is None else self._before._equal_rules.get(predicate)
                answers = _Answers(tuple(sorted(reads(predicate)))) if before is None else before.copy()
                self._equal_rules[predicate] = answers
            known = self._answers[id(predicate)] = (predicate, answers)
        return known[1]

    def verdict(self, predicate: Predicate, views: tuple[View, ...]) -> Verdict:
        """The verdict alone."""
        return self.fit(predicate, views).verdict

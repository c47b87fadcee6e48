"""What the clauses that read one attribute say of every entry of its column: three bits, the marks of an entry.

    CERTAIN    it holds in every world (Kleene's yes)
    DECLARED   for some choice of the declared alternatives it holds whatever the unrecorded facts are
    POSSIBLE   it holds in some world

CERTAIN implies DECLARED, and DECLARED implies POSSIBLE. A clause of a common shape is looked up in an index of the entries
(`service.evaluation.column_index`), any other one is judged by the exact evaluator once for each entry.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from service.evaluation.column_index import (
    CERTAIN,
    DECLARED,
    POSSIBLE,
    Dictionary,
    Marks,
    can_be_ranked,
    interval_of,
    texts_of,
)
from service.evaluation.verdicts import UNKNOWN, Case, doubt_in
from service.facts.attributes import Attribute
from service.facts.knowledge import Among, Knowledge
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.predicates import EvaluationContext, Predicate, verdict_in

_MOST_REMEMBERED = 1 << 25
"""Bytes of marks that are kept for one attribute."""


class ClauseMarks:
    """The marks of clauses for the entries of the column of one attribute, remembered."""

    def __init__(
        self,
        name: str,
        dictionary: Dictionary,
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
    ) -> None:
        self.name, self.dictionary, self.attributes, self.context = name, dictionary, attributes, context
        self._known: dict[int, int] = {}
        self._marks: Marks = np.empty((0, len(dictionary)), np.uint8)

    def of(self, clauses: Mapping[int, Predicate]) -> Marks:
        """The marks of these clauses, each with the number under which it is remembered; shape (clauses, entries)."""
        known = self._known
        missing = {number: clause for number, clause in clauses.items() if number not in known}
        if missing:
            if (len(known) + len(missing)) * len(self.dictionary) > _MOST_REMEMBERED:
                known.clear()
                self._marks, missing = self._marks[:0], dict(clauses)
            found = self._found(missing)
            known |= {number: at for at, number in enumerate(found, len(known))}
            self._marks = np.concatenate((self._marks, list(found.values())))
        return self._marks.take([known[number] for number in clauses], axis=0)

    def _found(self, clauses: Mapping[int, Predicate]) -> dict[int, Marks]:
        attribute = self.attributes[self.name]
        found: dict[int, Marks] = {}
        if can_be_ranked(attribute):
            intervals = {number: interval_of(clause) for number, clause in clauses.items()}
            ranked = {number: interval for number, interval in intervals.items() if interval is not None}
            if ranked:
                index = self.dictionary.intervals(attribute)
                found = dict(zip(ranked, index.marks(list(ranked.values()), attribute), strict=True))
        elif attribute.type == "text" and not attribute.many and not attribute.values:
            for number, clause in clauses.items():
                texts = texts_of(clause)
                if texts is not None:
                    found[number] = self.dictionary.texts().marks(texts)
        for number, clause in clauses.items():
            if number not in found:
                marks = (
                    judged_marks(clause, {self.name: entry}, self.attributes, self.context)
                    for entry in self.dictionary.entries
                )
                found[number] = np.fromiter(marks, np.uint8, len(self.dictionary))
        return found


def judged_marks(
    clause: Predicate,
    known: Mapping[str, Knowledge | None],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> int:
    """The marks of a clause for what is known of the attributes that it reads, by the exact evaluator."""
    facts = {name: knowledge for name, knowledge in known.items() if knowledge is not None}
    recorded = len(facts) == len(known)
    if recorded and len(facts) == 1:
        marks = _by_values(clause, *next(iter(facts.items())), context)
        if marks is not None:
            return marks
    case = Case(clause, facts, attributes, context)
    verdict = case.judge().verdict
    if verdict is UNDECIDED and not recorded and facts:
        # Some of its facts are recorded: whether a choice among these alone makes it fit needs the exact evaluator.
        recorded = doubt_in([case]) != UNKNOWN
    return marks_of(verdict, recorded=recorded)


def _by_values(clause: Predicate, name: str, knowledge: Knowledge, context: EvaluationContext) -> int | None:
    """The marks from the values that the attribute may have; None where a value itself leaves the clause undecided."""
    if not isinstance(knowledge, Among):
        return None
    seen = {verdict_in(clause, {name: value}, context) for value in knowledge.values}
    if UNDECIDED in seen:
        return None
    return marks_of(UNDECIDED if len(seen) > 1 else seen.pop(), recorded=True)


def marks_of(verdict: Verdict, *, recorded: bool) -> int:
    """The marks of a verdict; of a doubtful one, whether it rests on something `recorded`."""
    if verdict is NO:
        return 0
    if verdict is YES:
        return CERTAIN | DECLARED | POSSIBLE
    return POSSIBLE | (DECLARED if recorded else 0)

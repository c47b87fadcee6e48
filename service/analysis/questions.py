"""Questions about the coins that a definition accepts, asked by its check within one budget of work."""

from __future__ import annotations

from datetime import date

from service.analysis.remembered_splits import RememberedSplits
from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.facts.truth import NO, UNDECIDED
from service.rules.definition import Definition
from service.rules.predicates import EvaluationContext, Predicate
from service.rules.wording import RuleWording

_MOST_WORK = 5_000_000


class Questions:
    """A definition, and what the questions about it cost so far: `work`, about in microseconds and the same on every machine.
    Once 5,000,000 are used up every further question stays undecided."""

    def __init__(self, definition: Definition, today: date) -> None:
        self.attributes = definition.attributes
        self.context = EvaluationContext(today, definition.vocabularies)
        self.wording = RuleWording(definition.attributes, definition.vocabularies)
        self.scope = definition.scope.predicate if definition.scope is not None else None
        self.in_scope = () if self.scope is None else (WantedVerdict(self.scope),)
        self.one_per_groups = {one_per.id: (at, one_per) for at, one_per in enumerate(definition.one_per)}
        self.work = 0
        self._remembered = RememberedSplits(self.attributes, self.context)

    @property
    def is_spent(self) -> bool:
        """Whether the work is used up."""
        return self.work > _MOST_WORK

    def ask(self, *wanted: WantedVerdict) -> Witness:
        """Whether a coin as wanted can exist, in the scope or not."""
        if self.is_spent:
            return Witness(UNDECIDED)
        found = find_witness(wanted, self.attributes, self.context, remembered=self._remembered)
        self.work += found.work
        return found

    def ask_in_scope(self, *wanted: WantedVerdict) -> Witness:
        """Whether a coin as wanted can exist in the scope."""
        return self.ask(*wanted, *self.in_scope)

    def is_within(self, inner: Predicate, outer: Predicate) -> bool:
        """Whether every coin in the scope that fits `inner` certainly fits `outer`."""
        return self.ask_in_scope(WantedVerdict(inner), WantedVerdict(outer, fits=False)).possible is NO

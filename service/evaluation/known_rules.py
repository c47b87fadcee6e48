"""What was found out about the rules of a definition, kept for the evaluations to come: the same rule has the same plan whoever's
coins they are, and of the same facts the same is told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import count
from typing import Any, Protocol, TypeVar

from service.evaluation.clauses import Plans
from service.evaluation.settling import SettlingFacts
from service.rules.definition import Definition
from service.rules.predicates import EvaluationContext, Predicate


class Sized(Protocol):
    """`nbytes` is about what it takes; it may grow with use."""

    @property
    def nbytes(self) -> int: ...


Made = TypeVar("Made", bound=Sized)
MOST_DOUBT_BYTES = 4 * 1024 * 1024
"""Of what settles doubts, for one definition."""
# Of one rule, and rules.
_MOST_LENGTHS, _MOST_RULES = 500, 10_000
# What a rule and the number of facts that settle it take, roughly.
_RULE_BYTES, _LENGTH_BYTES = 2_000, 300
# What settles a doubt beside its texts: the key with its parts; a fact, one of its outcomes, a place in either.
_ENTRY_BYTES, _FACT_BYTES, _OUTCOME_BYTES, _PLACE_BYTES = 500, 200, 350, 16


@dataclass(slots=True)
class KeptCounts:
    """How often what was asked for was kept, or had to be made, since the start; how often something was let go of."""

    hits: int = 0
    misses: int = 0
    evictions: int = 0


@dataclass(frozen=True, slots=True)
class ToldBefore:
    """What settles a doubt, and the trials that it took to find out."""

    told: SettlingFacts
    trials: int


class KnownDoubts:
    """What settles doubts, by all that it follows from; from too many bytes on it begins anew. For many threads."""

    def __init__(self) -> None:
        self._told: dict[object, ToldBefore] = {}
        self.nbytes = 0

    def find(self, key: object) -> ToldBefore | None:
        return self._told.get(key)

    def keep(self, key: object, found: ToldBefore, places: Sequence[str]) -> None:
        """`places` are those that the key names."""
        size = _ENTRY_BYTES + _PLACE_BYTES * len(places) + _size(found.told)
        if self.nbytes + size > MOST_DOUBT_BYTES:
            # Who looks something up meanwhile does so in the old table.
            self._told, self.nbytes = {}, 0
        # Threads that keep something in the same moment may count one entry less.
        if self._told.setdefault(key, found) is found:
            self.nbytes += size


def _size(told: SettlingFacts) -> int:
    outcomes = [outcome for fact in told.facts for outcome in fact.outcomes]
    words = sum(2 * len(outcome.when) + _PLACE_BYTES * len(outcome.places) for outcome in outcomes)
    return _FACT_BYTES * (len(told.facts) + len(told.gaps)) + _OUTCOME_BYTES * len(outcomes) + words


@dataclass(slots=True)
class KnownRules:
    """What was found out about the rules of a definition, for evaluations with its own vocabularies on this day, which whoever
    asks makes sure of (`is_for`)."""

    definition: Definition
    day: date
    doubts: KnownDoubts = field(default_factory=KnownDoubts)
    _plans: Plans = field(default_factory=Plans)
    _lengths: dict[Predicate, dict[object, tuple[int, int]]] = field(default_factory=dict)
    _numbers: dict[Predicate, int] = field(default_factory=dict)
    _next: count[int] = field(default_factory=count)
    _once: dict[str, Any] = field(default_factory=dict)

    def is_for(self, definition: Definition, context: EvaluationContext) -> bool:
        """Whether what is known holds of this definition in this context."""
        return (
            definition is self.definition
            and context.vocabularies is definition.vocabularies
            and context.today == self.day
            and not context.none_as_null
        )

    @property
    def nbytes(self) -> int:
        """About what it takes."""
        lengths = sum(map(len, list(self._lengths.values())))
        made: int = sum(one.nbytes for one in list(self._once.values()))
        rules = len(self._plans) + len(self._numbers)
        return self.doubts.nbytes + _RULE_BYTES * rules + _LENGTH_BYTES * lengths + made

    @property
    def plans(self) -> Plans:
        """Those for columns: the same ones until they are of too many rules."""
        if len(self._plans) > _MOST_RULES:
            self._plans = Plans()
        return self._plans

    def lengths(self, predicate: Predicate) -> dict[object, tuple[int, int]]:
        """By what is known of the attributes that the rule reads, how many facts settle it and the trials that it took to find
        out."""
        if len(self._lengths) > _MOST_RULES:
            self._lengths.clear()
        lengths = self._lengths.setdefault(predicate, {})
        if len(lengths) > _MOST_LENGTHS:
            lengths.clear()
        return lengths

    def once(self, name: str, make: Callable[[], Made]) -> Made:
        """What follows from the definition alone, with its `nbytes`; made once for each name."""
        if name not in self._once:
            self._once[name] = make()
        made: Made = self._once[name]
        return made

    def number_of(self, predicate: Predicate) -> int:
        """A number that no other rule has or had."""
        if len(self._numbers) > _MOST_RULES:
            self._numbers.clear()
        return self._numbers.setdefault(predicate, next(self._next))

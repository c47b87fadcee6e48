"""How the coins that one rule accepts relate to those that another accepts: exact within a budget, with example coins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.evaluation.verdicts import BUDGET
from service.facts.attributes import Attribute, Attributes
from service.facts.own_vocabularies import united
from service.facts.truth import NO, UNDECIDED, YES, Verdict, negation
from service.rules.cuts import Below
from service.rules.definition import Definition
from service.rules.predicates import (
    Always,
    EvaluationContext,
    Or,
    Predicate,
    leaves,
    reads,
)

EQUAL, WIDENED, NARROWED, CHANGED = "equal", "widened", "narrowed", "changed"
COMPARISON_WORK = 8_000_000
# The work counted for a question whose regions could not be listed because the search for them met its own limit.
_WORK_OF_A_LIMIT = 800_000
_ATTRIBUTE_LIMIT = "attribute"


@dataclass(frozen=True, slots=True)
class Relation:
    """`word`: the later rule accepts the same coins (equal), these and more (widened), only some of them (narrowed), or
    each accepts coins that the other does not (changed). It is undecided where a `limit` was met: `budget`, `arithmetic`,
    or `attribute`, where an attribute of the two means different things. `gained` and `lost` are facts of a coin that
    only the later, only the earlier rule accepts; None where there is none, or none that plain facts can describe."""

    word: str
    gained: dict[str, Any] | None = None
    lost: dict[str, Any] | None = None
    limit: str | None = None


SAME_COINS = Relation(EQUAL)


class RuleComparison:
    """Rules of two definitions compared with each other, within a budget of work over all questions (`most_work`, about
    in microseconds, the same on every machine). Answers are remembered."""

    def __init__(self, old: Definition, new: Definition, today: date, *, most_work: int = COMPARISON_WORK) -> None:
        self.attributes, self._incompatible = _common(old.attributes, new.attributes)
        self.context = EvaluationContext(today, united(new.vocabularies, old.vocabularies))
        self._left = most_work
        self._known: dict[tuple[Predicate, Predicate], Relation] = {}

    def relation(self, old: Predicate, new: Predicate) -> Relation:
        """How the coins that the new rule accepts relate to those that the old one accepts."""
        if old == new:
            return SAME_COINS
        known = self._known.get((old, new))
        if known is None:
            known = self._known[old, new] = self._relation(old, new)
        return known

    def within(self, inner: Predicate, outer: Sequence[Predicate]) -> Verdict:
        """Whether every coin that fits `inner` fits one of `outer`; undecided past a limit."""
        if inner in outer:
            return YES
        return negation(self._ask(*_uncovered(inner, outer)).possible)

    def covered(self, whole: Predicate, parts: Sequence[Predicate]) -> Witness | None:
        """Whether the parts together accept every coin that the whole accepts: None where they do not, or that was not
        decided. A coin of which something is known to be none may be left over, as an undated one by the parts `up to
        1900` and `after 1900`; the result then has such a coin as its example."""
        wanted = _uncovered(whole, parts)
        if self._ask(*wanted, with_none=False).possible is not NO:
            return None
        return self._ask(*wanted)

    def possible(self, rule: Predicate) -> Verdict:
        """Whether any coin can fit the rule; undecided past a limit."""
        return self._ask(WantedVerdict(rule)).possible

    def _relation(self, old: Predicate, new: Predicate) -> Relation:
        gained = self._ask(WantedVerdict(new), WantedVerdict(old, fits=False))
        lost = self._ask(WantedVerdict(old), WantedVerdict(new, fits=False))
        found = {(NO, NO): EQUAL, (YES, NO): WIDENED, (NO, YES): NARROWED, (YES, YES): CHANGED}
        word = found.get((gained.possible, lost.possible), UNDECIDED.value)
        return Relation(word, gained.example, lost.example, gained.limit or lost.limit)

    def _ask(self, *wanted: WantedVerdict, with_none: bool = True) -> Witness:
        """Once the work is used up every further question stays undecided."""
        limit = self._incomparable(wanted) or (BUDGET if self._left <= 0 else None)
        if limit is not None:
            return Witness(UNDECIDED, limit=limit)
        found = find_witness(wanted, self.attributes, self.context, with_none=with_none)
        self._left -= found.work + (_WORK_OF_A_LIMIT if found.limit == BUDGET else 0)
        return found

    def _incomparable(self, wanted: Sequence[WantedVerdict]) -> str | None:
        """The limit that makes the rules incomparable, if there is one: an attribute or a vocabulary that differs."""
        schemes: dict[str, str] = {}
        for one in wanted:
            if not self._incompatible.isdisjoint(reads(one.rule)):
                return _ATTRIBUTE_LIMIT
            for leaf in leaves(one.rule):
                below = (cut for cut in leaf.cuts() or () if isinstance(cut, Below))
                if any(schemes.setdefault(cut.name, cut.vocabulary) != cut.vocabulary for cut in below):
                    return _ATTRIBUTE_LIMIT
        return None


def _uncovered(inner: Predicate, outer: Sequence[Predicate]) -> tuple[WantedVerdict, WantedVerdict]:
    """A coin that fits `inner` and none of `outer`."""
    return WantedVerdict(inner), WantedVerdict(Or(tuple(outer)) if outer else Always(False), fits=False)


def _common(old: Attributes, new: Attributes) -> tuple[Mapping[str, Attribute], frozenset[str]]:
    """The attributes of both definitions, each allowing all that either allows, and the names that mean different
    things."""
    incompatible: set[str] = set()
    widened: list[Attribute] = []
    for name in old.keys() & new.keys():
        before, after = old[name], new[name]
        types = {before.type, after.type}
        is_alike = (before.many, before.vocabulary) == (after.many, after.vocabulary)
        if not is_alike or (len(types) > 1 and types != {"integer", "decimal"}):
            incompatible.add(name)
        elif types == {"integer", "decimal"} or set(before.values) != set(after.values):
            values = (*before.values, *(v for v in after.values if v not in before.values))
            closed = values if before.values and after.values else ()
            kind = before.type if len(types) == 1 else "decimal"
            widened.append(replace(before, type=kind, values=closed))
    return new.extended(old.values()).extended(widened), frozenset(incompatible)

"""How the coins that one rule takes stand to those that another takes: exact, over the regions of the check, with examples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.evaluation.verdicts import BUDGET
from service.facts.attributes import Attribute, Attributes
from service.facts.truth import NO, UNDECIDED, YES, Verdict, opposite
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
# What a question costs whose regions could not be listed: the search for them ended at its own limit.
_WORK_OF_A_LIMIT = 800_000
_ATTRIBUTE_LIMIT = "attribute"


@dataclass(frozen=True, slots=True)
class Relation:
    """`word`: the later rule takes the same coins (equal), these and more (widened), only some of them (narrowed), or each
    takes coins that the other does not (changed); undecided where `limit` kept the answer away: `budget`, `arithmetic`, or
    `attribute`, where the two read one name as different things. `gained` and `lost` are facts of a coin that only the later,
    only the earlier takes; None where there is none, or none that plain facts can describe."""

    word: str
    gained: dict[str, Any] | None = None
    lost: dict[str, Any] | None = None
    limit: str | None = None


SAME = Relation(EQUAL)


class RuleComparison:
    """Rules of two definitions held against each other, within a budget of work over all questions."""

    def __init__(self, old: Definition, new: Definition, today: date, *, most_work: int = COMPARISON_WORK) -> None:
        self.attributes, self._clashing = _common(old.attributes, new.attributes)
        self.context = EvaluationContext(today, {**old.vocabularies, **new.vocabularies})
        self._left = most_work
        self._known: dict[tuple[Predicate, Predicate], Relation] = {}

    def relation(self, old: Predicate, new: Predicate) -> Relation:
        """How what the new rule takes stands to what the old one took."""
        if old == new:
            return SAME
        known = self._known.get((old, new))
        if known is None:
            known = self._known[old, new] = self._relation(old, new)
        return known

    def within(self, inner: Predicate, outer: Sequence[Predicate]) -> Verdict:
        """Whether every coin that fits `inner` fits one of `outer`."""
        if inner in outer:
            return YES
        return opposite(self._ask(*_uncovered(inner, outer)).possible)

    def covered(self, whole: Predicate, parts: Sequence[Predicate]) -> Witness | None:
        """Whether the parts together take every coin that the whole took: None where they do not, or that was not decided.
        A coin of which something is known to be none, as an undated one, may be left over (parts `up to 1900` and `after
        1900`): what is found says so, with such a coin as its example."""
        wanted = _uncovered(whole, parts)
        if self._ask(*wanted, with_none=False).possible is not NO:
            return None
        return self._ask(*wanted)

    def possible(self, rule: Predicate) -> Verdict:
        """Whether any coin can fit the rule."""
        return self._ask(WantedVerdict(rule)).possible

    def _relation(self, old: Predicate, new: Predicate) -> Relation:
        gained = self._ask(WantedVerdict(new), WantedVerdict(old, fits=False))
        lost = self._ask(WantedVerdict(old), WantedVerdict(new, fits=False))
        found = {(NO, NO): EQUAL, (YES, NO): WIDENED, (NO, YES): NARROWED, (YES, YES): CHANGED}
        word = found.get((gained.possible, lost.possible), UNDECIDED.value)
        return Relation(word, gained.example, lost.example, gained.limit or lost.limit)

    def _ask(self, *wanted: WantedVerdict, with_none: bool = True) -> Witness:
        """Past the work that one comparison may cost every further question stays undecided."""
        limit = self._incomparable(wanted) or (BUDGET if self._left <= 0 else None)
        if limit is not None:
            return Witness(UNDECIDED, limit=limit)
        found = find_witness(wanted, self.attributes, self.context, with_none=with_none)
        self._left -= found.work + (_WORK_OF_A_LIMIT if found.limit == BUDGET else 0)
        return found

    def _incomparable(self, wanted: Sequence[WantedVerdict]) -> str | None:
        """Why the rules cannot be held against each other, if they cannot."""
        schemes: dict[str, str] = {}
        for one in wanted:
            if not self._clashing.isdisjoint(reads(one.rule)):
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
    """The attributes of both, each open to all that either allows, and the names that mean different things to them."""
    clashing: set[str] = set()
    widened: list[Attribute] = []
    for name in old.keys() & new.keys():
        before, after = old[name], new[name]
        types = {before.type, after.type}
        is_alike = (before.many, before.vocabulary) == (after.many, after.vocabulary)
        if not is_alike or (len(types) > 1 and types != {"integer", "decimal"}):
            clashing.add(name)
        elif types == {"integer", "decimal"} or set(before.values) != set(after.values):
            values = (*before.values, *(v for v in after.values if v not in before.values))
            closed = values if before.values and after.values else ()
            kind = before.type if len(types) == 1 else "decimal"
            widened.append(replace(before, type=kind, values=closed))
    return new.extended(old.values()).extended(widened), frozenset(clashing)

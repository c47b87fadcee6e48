"""Rules taken apart into clauses that can be judged separately and joined with Kleene's logic.

A rule is brought into negation normal form, and the operands of an `and` (or an `or`) that read the same single attribute
are joined into one *clause*. Where no attribute is read by two clauses (the rule is *read once*), joining the verdicts of
its clauses is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import count

from service.rules.predicates import And, Not, Or, Predicate, leaves, reads

_JOINED = (And, Or)

Plan = int | tuple[bool, tuple["Plan", ...]]
"""A rule over numbered clauses: the number of a clause, or (whether it is an `and`, its operands)."""


def negation_normal_form(predicate: Predicate, *, negated: bool = False) -> Predicate:
    """The rule with negations at the leaves only and nested ands and ors flattened (De Morgan)."""
    if isinstance(predicate, Not):
        return negation_normal_form(predicate.item, negated=not negated)
    if not isinstance(predicate, _JOINED):
        return Not(predicate) if negated else predicate
    kind: type[And | Or] = (Or if isinstance(predicate, And) else And) if negated else type(predicate)
    items: list[Predicate] = []
    for item in predicate.items:
        inner = negation_normal_form(item, negated=negated)
        items.extend(inner.items if isinstance(inner, kind) else (inner,))
    return kind(tuple(items))


def grouped_by_attribute(predicate: Predicate) -> Predicate:
    """The rule with the operands of an and (or an or) that read the same single attribute joined into one clause."""
    if not isinstance(predicate, _JOINED):
        return predicate
    kind = type(predicate)
    groups: dict[frozenset[str] | int, list[Predicate]] = {}
    for place, item in enumerate(map(grouped_by_attribute, predicate.items)):
        names = reads(item)
        groups.setdefault(names if len(names) == 1 else place, []).append(item)
    items = tuple(group[0] if len(group) == 1 else kind(tuple(group)) for group in groups.values())
    return items[0] if len(items) == 1 else kind(items)


def clauses_of(predicate: Predicate) -> list[Predicate]:
    """The clauses of a grouped rule, once for each occurrence."""
    if _is_clause(predicate):
        return [predicate]
    assert isinstance(predicate, _JOINED)
    return [clause for item in predicate.items for clause in clauses_of(item)]


class Plans:
    """Rules prepared for any collection: each distinct clause has a number, a rule is a tree of numbers. `attributes` has the
    one attribute that each clause reads, None where it reads several, or none."""

    def __init__(self) -> None:
        self.clauses: dict[int, Predicate] = {}
        self.attributes: dict[int, str | None] = {}
        self._next = count()
        self._numbers: dict[Predicate, int] = {}
        self._known: dict[Predicate, tuple[Plan | None, bool]] = {}

    def __len__(self) -> int:
        """How many rules have plans."""
        return len(self._known)

    def of(self, predicate: Predicate) -> tuple[Plan | None, bool]:
        """The plan of a rule, and whether it is read once. No plan where its clauses cannot be judged separately."""
        found = self._known.get(predicate)
        if found is None:
            rule = grouped_by_attribute(negation_normal_form(predicate))
            names = [name for clause in clauses_of(rule) for name in reads(clause)]
            is_read_once = len(names) == len(set(names))
            plan = self._plan(rule) if is_read_once or not _asks_for_none_elsewhere(rule, names) else None
            found = self._known[predicate] = plan, is_read_once
        return found

    def _plan(self, rule: Predicate) -> Plan:
        if _is_clause(rule):
            number = self._numbers.get(rule)
            if number is None:
                # Whoever is first gives the number: the same plans may be made at the same time for several requests.
                number = self._numbers.setdefault(rule, next(self._next))
                names = reads(rule)
                self.attributes[number] = next(iter(names)) if len(names) == 1 else None
                self.clauses[number] = rule
            return number
        assert isinstance(rule, _JOINED)
        return isinstance(rule, And), tuple(self._plan(item) for item in rule.items)


def _is_clause(predicate: Predicate) -> bool:
    """Whether it is judged as a whole: it reads at most one attribute, or is a leaf."""
    return not isinstance(predicate, _JOINED) or len(reads(predicate)) <= 1


def _asks_for_none_elsewhere(rule: Predicate, names: Sequence[str]) -> bool:
    """Whether IS NULL is asked of an attribute that another clause reads too; `names` are what the clauses read. It makes
    "known to be none" a world of the whole rule, which the other clause does not see, so such a rule cannot be judged
    clause by clause."""
    asked = {name for leaf in leaves(rule) if leaf.asks_for_none for name in leaf.reads}
    return any(names.count(name) > 1 for name in asked)


def conjunctions_of(plan: Plan) -> list[tuple[Plan, ...]]:
    """The operands of the conjunctions that the plan is an or of; one conjunction where it is none."""
    if isinstance(plan, int):
        return [(plan,)]
    is_and, parts = plan
    return [parts] if is_and else [part[1] if not isinstance(part, int) else (part,) for part in parts]

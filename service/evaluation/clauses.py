"""Rules taken apart into clauses that can be judged separately and joined with Kleene's logic.

A rule is brought into negation normal form, and the operands of an `and` (or an `or`) that read the same single attribute
are joined into one *clause*. Where no attribute is read by two clauses (the rule is *read once*), joining the verdicts of
its clauses is exact.
"""

from __future__ import annotations

from service.rules.predicates import And, Not, Or, Predicate, leaves, reads

Plan = int | tuple[bool, tuple["Plan", ...]]
"""A rule over numbered clauses: the number of a clause, or (whether it is an `and`, its operands)."""


def negation_normal_form(predicate: Predicate, *, negated: bool = False) -> Predicate:
    """The rule with negations at the leaves only and nested ands and ors flattened (De Morgan)."""
    if isinstance(predicate, Not):
        return negation_normal_form(predicate.item, negated=not negated)
    if not isinstance(predicate, And | Or):
        return Not(predicate) if negated else predicate
    kind: type[And | Or] = (Or if isinstance(predicate, And) else And) if negated else type(predicate)
    items: list[Predicate] = []
    for item in predicate.items:
        inner = negation_normal_form(item, negated=negated)
        items.extend(inner.items if isinstance(inner, kind) else (inner,))
    return kind(tuple(items))


def grouped_by_attribute(predicate: Predicate) -> Predicate:
    """The rule with the operands of an and (or an or) that read the same single attribute joined into one clause."""
    if not isinstance(predicate, And | Or):
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
    assert isinstance(predicate, And | Or)
    return [clause for item in predicate.items for clause in clauses_of(item)]


class Plans:
    """Rules prepared for any collection: each distinct clause has a number, a rule is a tree of numbers."""

    def __init__(self) -> None:
        self.clauses: list[Predicate] = []
        self._numbers: dict[Predicate, int] = {}
        self._known: dict[int, tuple[Predicate, Plan | None, bool]] = {}

    def of(self, predicate: Predicate) -> tuple[Plan | None, bool]:
        """The plan of a rule, and whether it is read once. No plan where its clauses cannot be judged separately."""
        found = self._known.get(id(predicate))
        if found is None:
            rule = grouped_by_attribute(negation_normal_form(predicate))
            # The rule is kept, so that its id is not reused.
            plan = None if _asks_for_none_elsewhere(rule) else self._plan(rule)
            found = self._known[id(predicate)] = (predicate, plan, _is_read_once(rule))
        return found[1], found[2]

    def _plan(self, rule: Predicate) -> Plan:
        if _is_clause(rule):
            number = self._numbers.setdefault(rule, len(self.clauses))
            if number == len(self.clauses):
                self.clauses.append(rule)
            return number
        assert isinstance(rule, And | Or)
        return isinstance(rule, And), tuple(self._plan(item) for item in rule.items)


def _is_clause(predicate: Predicate) -> bool:
    """Whether it is judged as a whole: it reads at most one attribute, or is a leaf."""
    return not isinstance(predicate, And | Or) or len(reads(predicate)) <= 1


def _is_read_once(predicate: Predicate) -> bool:
    names = [name for clause in clauses_of(predicate) for name in reads(clause)]
    return len(names) == len(set(names))


def _asks_for_none_elsewhere(predicate: Predicate) -> bool:
    """Whether IS NULL is asked of an attribute that another clause reads too. It makes "known to be none" a world of the
    whole rule, which the other clause does not see, so such a rule cannot be judged clause by clause."""
    asked = {name for leaf in leaves(predicate) if leaf.asks_for_none for name in leaf.reads}
    names = [name for clause in clauses_of(predicate) for name in reads(clause)]
    return any(names.count(name) > 1 for name in asked)

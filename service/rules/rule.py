"""A rule as a definition carries it: the author's text, the canonical JSON, and the checked tree."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.rules.cql2.expression import Expression
from service.rules.predicates import Predicate, all_of


@dataclass(frozen=True, slots=True)
class Rule:
    """`at` is the JSON pointer of the rule in its document."""

    expression: Expression
    predicate: Predicate
    at: str = ""

    @property
    def text(self) -> str:
        return self.expression.text


RulePart = tuple[Rule | str, Predicate]
"""A rule of the definition, or the words for one that the service makes, with its predicate."""


def rule_parts(rule: Rule | None) -> tuple[RulePart, ...]:
    """The one part that a rule is, or none."""
    return () if rule is None else ((rule, rule.predicate),)


def joined(parts: Iterable[RulePart]) -> Predicate:
    """All parts together."""
    return all_of(*(predicate for _, predicate in parts))

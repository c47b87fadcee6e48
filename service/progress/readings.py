"""What solving a part of a set reads of one coin, and what follows from it without solving anything. Pure.

To learn a value never reverses a yes or a no. So whoever is sure of a place stays so, and what cannot be stays impossible:
what is certain never falls, what is possible never rises. A coin that is as good as it may turn out to be, in every place
and under every rule at once, bounds what is certain from above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.assignment.problem import AssignmentProblem, Basis, EdgeKeys, SetRule
from service.evaluation.table import Fit
from service.facts.knowledge import Among, Knowledge, Number, is_possible
from service.facts.truth import UNDECIDED, YES

KeyFacts = tuple[tuple[Knowledge | None, ...], ...]
"""The facts of a key, as each of the coin's views has them."""


@dataclass(frozen=True, slots=True)
class Reading:
    """`fits` has one entry for each place, `worth` one for each preference of the places that the coin may fit. `keys` are
    what the set-level rules over these places read of it, by the id of the rule: the facts of its key, or whether it fits."""

    fits: tuple[Fit, ...]
    worth: tuple[Number | None, ...]
    keys: tuple[tuple[str, Fit | KeyFacts], ...]

    @property
    def is_sure(self) -> bool:
        """Whether the coin fits one of the places for certain."""
        return any(fit.verdict is YES for fit in self.fits)

    def narrows(self, other: Reading) -> bool:
        """Whether it is what the other one may turn out to be: no yes or no is another one, no key is new."""
        if any(not _follows(new, old) for new, old in zip(self.fits, other.fits, strict=True)):
            return False
        known = dict(other.keys)
        return all(name in known and _narrows(new, known[name]) for name, new in self.keys)


def _follows(new: Fit, old: Fit) -> bool:
    return old.verdict is UNDECIDED or new.verdict is old.verdict


def _narrows(new: Fit | KeyFacts, old: Fit | KeyFacts) -> bool:
    if isinstance(new, Fit) or isinstance(old, Fit):
        return isinstance(new, Fit) and isinstance(old, Fit) and _follows(new, old)
    return all(any(_is_one_of(mine, its) for its in old) for mine in new)


def _is_one_of(new: Sequence[Knowledge | None], old: Sequence[Knowledge | None]) -> bool:
    return all(
        was is None or now == was or (isinstance(now, Among) and all(is_possible(value, was) for value in now.values))
        for now, was in zip(new, old, strict=True)
    )


def at_its_best(problem: AssignmentProblem, coin: int) -> AssignmentProblem:
    """A problem that allows whatever the coin may turn out to be, and more: it fits for certain where it may fit, no rule
    counts it by a key that is not settled, and a rule that asks for such a key is left out."""
    edges = (replace(edge, basis=Basis.FIRM) if edge.holding == coin else edge for edge in problem.edges)
    rules = (_without_doubt(rule, coin) for rule in problem.rules)
    return replace(problem, edges=tuple(edges), rules=tuple(rule for rule in rules if rule is not None))


def _without_doubt(rule: SetRule, coin: int) -> SetRule | None:
    keys = rule.keys.get(coin)
    if keys is None or keys.possible == keys.settled:
        return rule
    if rule.kind.binds_one or not (rule.kind.counts_fitting or rule.kind.bounds_equal_keys):
        return None
    if keys.possible is not None and len(keys.possible) == 1:
        # Whether it fits is not settled: say that it does not count.
        return replace(rule, keys={**rule.keys, coin: EdgeKeys(frozenset(), frozenset())})
    own = frozenset((1 + max((key for one in rule.keys.values() for key in one.possible or ()), default=0),))
    return replace(rule, keys={**rule.keys, coin: EdgeKeys(own, own)})

"""Which values coins that fit a rule can have, and whether places can all be filled under a rule about their keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

from service.analysis.place_groups import Reach
from service.analysis.satisfiability import WantedVerdict, Witness, find_witness
from service.evaluation.column_index import Interval
from service.evaluation.verdicts import Case
from service.facts.attributes import Attribute
from service.facts.holding import Facts
from service.facts.knowledge import NONE, Among, Value
from service.facts.truth import NO, UNDECIDED
from service.rules.predicates import EvaluationContext, Or, Predicate

_MOST_VALUES = 200
_MOST_KEYS = 200
_MOST_PLACES = 200


def possible_values(
    name: str,
    wanted: Sequence[WantedVerdict],
    reach: Reach,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> tuple[frozenset[Value] | None, int]:
    """Every value of the attribute that coins as wanted can have ("none" is one of them), and the work that it cost; None
    where these cannot be listed, or are more than 200. A superset where a value was not decided. `reach` are limits that
    the wanted rules imply."""
    listed = _listed(attributes[name], reach.get(name))
    if listed is None or len(listed) > _MOST_VALUES:
        return None, 0
    found = {value: find_witness(wanted, attributes, context, {name: Among((value,))}) for value in listed}
    values = frozenset(value for value, one in found.items() if one.possible is not NO)
    return values, sum(one.work for one in found.values())


def _listed(attribute: Attribute, allowed: frozenset[str] | Interval | None) -> Sequence[Value] | None:
    if isinstance(allowed, frozenset):
        return sorted(allowed)
    if attribute.type == "integer":
        inside = Interval(attribute.low, False, attribute.high, False)
        whole = (inside.meet(allowed) if isinstance(allowed, Interval) else inside).whole()
        if whole.low is None or whole.high is None or whole.high - whole.low > _MOST_VALUES:
            return None
        numbers = range(whole.low, whole.high + 1)
        return numbers if isinstance(allowed, Interval) else (*numbers, NONE)
    if attribute.many:
        return None
    if attribute.type == "boolean":
        return (True, False, NONE)
    return (*attribute.values, NONE) if attribute.values else None


def can_agree(
    name: str, first: Predicate, second: Predicate, attributes: Mapping[str, Attribute], context: EvaluationContext
) -> Witness:
    """Whether a coin that fits the first rule and a coin that fits the second can have the same value. No is exact, since
    within a region of both rules together neither rule distinguishes values; everything else is undecided."""
    case = Case(Or((first, second)), {}, attributes, context, with_none=True)
    split = next((split for split in case.splits if split.name == name), None)
    if case.limit is not None or split is None or any(name in leaf.reads for leaf in case.joint):
        return Witness(UNDECIDED)
    values = [choice.value for choice in split.choices if choice.value is not None]
    if len(values) > _MOST_VALUES:
        return Witness(UNDECIDED)
    work = 0
    for value in values:
        facts: Facts = {name: Among((value,))}
        both = [find_witness([WantedVerdict(rule)], attributes, context, facts) for rule in (first, second)]
        work += sum(one.work for one in both)
        if all(one.possible is not NO for one in both):
            return Witness(UNDECIDED, work=work)
    return Witness(NO, work=work)


KeyValues = tuple[Value, ...]


def key_combinations(by: Sequence[frozenset[Value] | None]) -> frozenset[KeyValues] | None:
    """All keys over several attributes, from the values of each; None where the values of one are not listed, or there
    are more than 200 keys."""
    keys: list[KeyValues] = [()]
    for values in by:
        if values is None or len(keys) * len(values) > _MOST_KEYS:
            return None
        keys = [(*key, value) for key, value in product(keys, values)]
    return frozenset(keys)


def most_places_filled(places: Sequence[frozenset[KeyValues]], most: int) -> int:
    """The largest number of places that can be filled when each takes a coin with one of its keys and each key occurs at
    most `most` times: a bipartite matching by augmenting paths (H. Kuhn, 1955). Only the first 200 places are matched,
    the others count as filled, so the number is an upper bound."""
    matched = places[:_MOST_PLACES]
    matching = _Matching(matched, most)
    return sum(matching.augment(place, set()) for place in range(len(matched))) + len(places) - len(matched)


@dataclass(frozen=True, slots=True)
class _Matching:
    """Places by their keys, and which have taken a coin of each key: at most so many."""

    places: Sequence[frozenset[KeyValues]]
    most: int
    holders: dict[KeyValues, list[int]] = field(default_factory=dict)

    def augment(self, place: int, tried: set[KeyValues]) -> bool:
        """Whether the place gets one, for which others may take another."""
        # Each key is tried once, so breadth and depth are bounded by the number of keys.
        for key in self.places[place]:
            if key in tried:
                continue
            tried.add(key)
            there = self.holders.setdefault(key, [])
            if len(there) < self.most:
                there.append(place)
                return True
            for at, holder in enumerate(there):
                if self.augment(holder, tried):
                    there[at] = place
                    return True
        return False

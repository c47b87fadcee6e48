"""Which features tell candidate issues apart: the smallest set of attributes in which every two of them certainly differ.

Two issues certainly differ in an attribute when both record it and no value is possible for both: a range of years that
overlaps another distinguishes nothing. What cannot be seen on a coin (the mintage) is never asked for.

The smallest set with a member for every pair is a minimum hitting set (R. Karp, "Reducibility among combinatorial
problems", 1972, problem 15; NP-hard in general). A branch and bound over the pairs is exact, and quick for the 50 issues
that a holding may name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from service.facts.attributes import Attribute
from service.facts.holding import Facts
from service.facts.knowledge import Among, Between, Knowledge, Subsets, is_possible

# How the look-at hints of attributes begin that are looked up, not seen on the coin.
_OFF_THE_COIN = ("not on the coin", "not to be seen")
_MOST_STEPS = 200_000


@dataclass(frozen=True, slots=True)
class Features:
    """`attributes` is the smallest set that tells every two issues apart, except the pairs in `alike`, which differ in no
    attribute. `ruled_out` maps an issue to the attribute in which it contradicts the coin. `is_smallest` is False past
    200,000 steps of the search; then the set still distinguishes, and a smaller one may exist."""

    attributes: tuple[str, ...]
    alike: tuple[tuple[str, str], ...]
    ruled_out: Mapping[str, str]
    is_smallest: bool = True


def distinguishing_features(issues: Mapping[str, Facts], known: Facts, attributes: Mapping[str, Attribute]) -> Features:
    """The features to look at for a coin of which `known` is recorded, and which is one of these issues, by id.

    Ties: the set whose attributes come first in the table. Time: pairs of issues times attributes, then branch and
    bound."""
    ruled_out: dict[str, str] = {}
    for issue, facts in issues.items():
        contradicted = next(
            (name for name in known if name in facts and differ(known[name], facts[name], attributes[name])), None
        )
        if contradicted is not None:
            ruled_out[issue] = contradicted
    left = {issue: facts for issue, facts in issues.items() if issue not in ruled_out}
    seen = [attribute for attribute in attributes.values() if not attribute.look_at.startswith(_OFF_THE_COIN)]
    pairs, alike = [], []
    for one, other in combinations(left, 2):
        mask = 0
        for at, attribute in enumerate(seen):
            mine, its = left[one].get(attribute.name), left[other].get(attribute.name)
            if mine is not None and its is not None and differ(mine, its, attribute):
                mask |= 1 << at
        if mask:
            pairs.append(mask)
        else:
            alike.append((one, other))
    found, is_smallest = _smallest(_without_supersets(pairs))
    names = tuple(seen[at].name for at in found)
    return Features(names, tuple(alike), ruled_out, is_smallest)


def differ(one: Knowledge, other: Knowledge, attribute: Attribute) -> bool:
    """Whether no value is possible for both. Many-valued attributes are compared as whole lists."""
    if isinstance(one, Among) and isinstance(other, Among):
        return not set(one.values) & set(other.values)
    if isinstance(one, Between) and isinstance(other, Between):
        return _below(one.high, other.low) or _below(other.high, one.low)
    if isinstance(one, Subsets) and isinstance(other, Subsets):
        return not (one.has <= other.every and other.has <= one.every)
    listed, open_one = (one, other) if isinstance(one, Among) else (other, one)
    if not isinstance(listed, Among) or not (attribute.is_ordered or attribute.many):
        return False
    return not any(is_possible(value, open_one) for value in listed.values)


def _below(high: object, low: object) -> bool:
    return high is not None and low is not None and high < low  # type: ignore[operator]


def _without_supersets(masks: Sequence[int]) -> list[int]:
    """The masks without those that contain another: a set that meets the smaller mask meets them too."""
    kept: list[int] = []
    for mask in sorted(set(masks), key=lambda m: (m.bit_count(), m)):
        if not any(mask & other == other for other in kept):
            kept.append(mask)
    return kept


def _smallest(masks: Sequence[int]) -> tuple[tuple[int, ...], bool]:
    """The smallest set of bits that meets every mask, the first in order among equals."""
    search = _Search(_greedy(masks))
    search.reach(masks, ())
    return search.best, search.steps <= _MOST_STEPS


@dataclass(slots=True)
class _Search:
    """For a smaller set than `best`."""

    best: tuple[int, ...]
    steps: int = 0

    def reach(self, left: Sequence[int], chosen: tuple[int, ...]) -> None:
        """Goes on from `chosen`, which leaves these masks."""
        self.steps += 1
        if self.steps > _MOST_STEPS:
            return
        if not left:
            self.best = min(self.best, tuple(sorted(chosen)), key=lambda found: (len(found), found))
            return
        # Each of several disjoint masks needs an attribute of its own: a lower bound.
        if len(chosen) + _count_disjoint(left) > len(self.best):
            return
        smallest = min(left, key=lambda mask: (mask.bit_count(), mask))
        for bit in _bits(smallest):
            self.reach([mask for mask in left if not mask >> bit & 1], (*chosen, bit))


def _greedy(masks: Sequence[int]) -> tuple[int, ...]:
    left, chosen = list(masks), []
    while left:
        bits = {bit for mask in left for bit in _bits(mask)}
        bit = max(sorted(bits), key=lambda b: sum(mask >> b & 1 for mask in left))
        chosen.append(bit)
        left = [mask for mask in left if not mask >> bit & 1]
    return tuple(sorted(chosen))


def _count_disjoint(masks: Sequence[int]) -> int:
    taken = count = 0
    for mask in masks:
        if not mask & taken:
            taken |= mask
            count += 1
    return count


def _bits(mask: int) -> list[int]:
    return [at for at in range(mask.bit_length()) if mask >> at & 1]

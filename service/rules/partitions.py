"""The finite regions into which a rule's own constants cut each attribute.

For an attribute that is not plainly known, `candidates` gives values that together show every combination of answers
that the rule's leaves can give on it: each constant, and points of every gap between constants. Whoever tries them all
has tried all worlds. None means that the regions cannot be listed (arithmetic over several unknown facts, or past the
budget); such leaves then stay undecided, which is never wrong.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from itertools import chain, combinations, pairwise
from typing import Any

from service.facts.attributes import Attribute
from service.facts.holding import Facts
from service.facts.kinds import MOST_TERMS
from service.facts.knowledge import NONE, Among, Between, Knowledge, Number, Value, exact
from service.facts.vocabulary import Vocabulary
from service.rules.predicates import (
    AnyLeaf,
    Arithmetic,
    Comparison,
    Const,
    Count,
    Defunct,
    Folded,
    IsNull,
    Like,
    Narrower,
    OneOf,
    Ref,
    SetComparison,
    Term,
    Within,
)
from service.rules.text_samples import text_witnesses

MOST_WHOLE_VALUES = 400
MOST_SETS = 4_096

Linear = tuple[dict[str, Fraction], Fraction]


def plainly_known(facts: Facts, name: str) -> bool:
    knowledge = facts.get(name)
    return isinstance(knowledge, Among) and knowledge.is_plain


def _plain(facts: Facts, name: str) -> Value | None:
    knowledge = facts.get(name)
    return knowledge.values[0] if isinstance(knowledge, Among) and knowledge.is_plain else None


def compared_terms(leaf: AnyLeaf) -> list[tuple[Term, Term]]:
    """The pairs of terms that a leaf compares."""
    if isinstance(leaf, Comparison):
        return [(leaf.left, leaf.right)]
    if isinstance(leaf, Within):
        return [(leaf.term, leaf.low), (leaf.term, leaf.high)]
    if isinstance(leaf, OneOf):
        return [(leaf.term, item) for item in leaf.items]
    return []


def linear(term: Term, facts: Facts) -> Linear | None:
    """The term as a sum of unknown attributes times numbers plus a number; None when it is no such sum, or has no value."""
    if isinstance(term, Const):
        value = term.constant
        return ({}, Fraction(value)) if isinstance(value, int | Fraction) else None
    if isinstance(term, Ref):
        if plainly_known(facts, term.name):
            known = _plain(facts, term.name)
            return ({}, Fraction(known)) if isinstance(known, int | Fraction) else None
        return ({term.name: Fraction(1)}, Fraction(0))
    if isinstance(term, Count):
        counted = _plain(facts, term.name)
        return ({}, Fraction(len(counted))) if isinstance(counted, frozenset) else None
    if not isinstance(term, Arithmetic):
        return None
    left, right = linear(term.left, facts), linear(term.right, facts)
    if left is None or right is None:
        return None
    if term.op in ("+", "-"):
        return _added(left, right, 1 if term.op == "+" else -1)
    if term.op == "*" and (not left[0] or not right[0]):
        return _scaled(right, left[1]) if not left[0] else _scaled(left, right[1])
    if term.op == "/" and not right[0] and right[1] != 0:
        return _scaled(left, 1 / right[1])
    if not left[0] and not right[0]:
        value = term.value({name: _plain(facts, name) or 0 for name in term.reads})
        return ({}, Fraction(value)) if isinstance(value, int | Fraction) else None
    return None


def _added(left: Linear, right: Linear, sign: int) -> Linear:
    names = left[0].keys() | right[0].keys()
    summed = {name: left[0].get(name, Fraction(0)) + sign * right[0].get(name, Fraction(0)) for name in names}
    return {name: factor for name, factor in summed.items() if factor}, left[1] + sign * right[1]


def _scaled(form: Linear, factor: Fraction) -> Linear:
    return {name: number * factor for name, number in form[0].items() if factor}, form[1] * factor


def has_arithmetic(term: Term) -> bool:
    return isinstance(term, Arithmetic) or (isinstance(term, Folded) and has_arithmetic(term.inner))


def has_no_value(term: Term, facts: Facts) -> bool:
    """Whether the term is none in every world: it reads what is known to be none, or divides by nought."""
    if isinstance(term, Const):
        return term.constant is NONE
    if isinstance(term, Ref | Count):
        return _plain(facts, term.name) is NONE
    if isinstance(term, Folded):
        return has_no_value(term.inner, facts)
    assert isinstance(term, Arithmetic)
    if has_no_value(term.left, facts) or has_no_value(term.right, facts):
        return True
    nought: Linear = ({}, Fraction(0))
    return term.op in ("/", "%", "div") and linear(term.right, facts) == nought


def linked(leaf: AnyLeaf, facts: Facts) -> frozenset[str]:
    """The attributes of the leaf that are not plainly known: two or more are linked by it."""
    return frozenset(name for name in leaf.reads if not plainly_known(facts, name))


class Regions:
    """The regions of one rule for one view of a coin. `leaves` are the rule's distinct leaves."""

    def __init__(
        self,
        leaves: Sequence[AnyLeaf],
        facts: Facts,
        attributes: Mapping[str, Attribute],
        vocabularies: Mapping[str, Vocabulary],
        *,
        with_none: bool = False,
    ) -> None:
        """`with_none`: what nobody recorded may also be known to be none, whether or not a leaf asks."""
        self.with_none = with_none
        self.leaves, self.facts, self.attributes, self.vocabularies = leaves, facts, attributes, vocabularies
        self.open = {leaf: linked(leaf, facts) for leaf in leaves}
        self.cuts: dict[str, frozenset[Value]] = {}
        """Where the answers may change, for every number or date that candidates were asked of."""

    def _of(self, name: str) -> list[AnyLeaf]:
        return [leaf for leaf in self.leaves if name in self.open[leaf]]

    def _group(self, name: str) -> frozenset[str]:
        """The attributes that leaves link with this one."""
        group = {name}
        while True:
            grown = group.union(*(names for names in self.open.values() if not group.isdisjoint(names)))
            if grown == group:
                return frozenset(group)
            group = grown

    def candidates(self, name: str) -> list[Value] | None:
        """Values that show every combination of answers that the leaves can give on this attribute."""
        knowledge = self.facts.get(name)
        if isinstance(knowledge, Among):
            return list(knowledge.values)
        attribute = self.attributes[name]
        own = self._of(name)
        found = self._values(name, attribute, knowledge, own)
        if (
            found is not None
            and knowledge is None
            and (self.with_none or any(isinstance(leaf, IsNull) for leaf in own))
        ):
            found = [*found, NONE]
        return found

    def _values(
        self, name: str, attribute: Attribute, knowledge: Between | None, own: list[AnyLeaf]
    ) -> list[Value] | None:
        if attribute.many:
            return self._sets(name, attribute, own)
        if attribute.type == "boolean":
            return [True, False]
        if attribute.type == "text":
            return self._texts(name, attribute, own)
        return self._ordered(name, attribute, knowledge)

    # -- numbers, dates, instants: cut points, and points in every gap

    def _ordered(self, name: str, attribute: Attribute, knowledge: Between | None) -> list[Value] | None:
        group = self._group(name)
        low, high = _ends(attribute, knowledge)
        cuts: set[Number] = set()
        for leaf in self.leaves:
            if group.isdisjoint(self.open[leaf]):
                continue
            found = self._cuts(leaf)
            if found is None:
                return self._every_whole(attribute, low, high)
            cuts |= found
        for member in group:
            cuts |= self._known_points(member)
        whole = attribute.type in ("integer", "date")
        near_whole = any(self.attributes[member].type not in ("decimal", "timestamp") for member in group)
        points = _points(cuts, len(group), whole, near_whole, low, high)
        reach = (cut for cut in cuts if not whole or isinstance(cut, int))
        self.cuts[name] = frozenset(_from_line(attribute, cut) for cut in reach)
        return [_from_line(attribute, point) for point in points]

    def _cuts(self, leaf: AnyLeaf) -> set[Number] | None:
        """Where the answer of the leaf may change along its one open attribute; nothing for a bare comparison of two."""
        cuts: set[Number] = set()
        if isinstance(leaf, IsNull) and has_arithmetic(leaf.term) and not has_no_value(leaf.term, self.facts):
            return None if linear(leaf.term, self.facts) is None else cuts
        for left, right in compared_terms(leaf):
            if has_no_value(left, self.facts) or has_no_value(right, self.facts):
                continue
            if not has_arithmetic(left) and not has_arithmetic(right):
                cuts.update(_on_line(value) for value in map(self._value_of, (left, right)) if value is not None)
                continue
            first, second = linear(left, self.facts), linear(right, self.facts)
            if first is None or second is None:
                return None
            factors, constant = _added(first, second, -1)
            if len(factors) > 1:
                return None
            cuts.update(exact(-constant / factor) for factor in factors.values())
        return cuts

    def _value_of(self, term: Term) -> Value | None:
        """The value of a term that reads nothing open; None for one that does."""
        if not all(plainly_known(self.facts, name) for name in term.reads):
            return None
        return term.value({name: _plain(self.facts, name) for name in term.reads})  # type: ignore[misc]

    def _known_points(self, name: str) -> set[Number]:
        knowledge = self.facts.get(name)
        if isinstance(knowledge, Among):
            counted = (len(value) if isinstance(value, frozenset) else value for value in knowledge.values)
            return {_on_line(value) for value in counted if value is not NONE}
        return {end for end in _ends(self.attributes[name], knowledge) if end is not None}

    def _every_whole(self, attribute: Attribute, low: Number | None, high: Number | None) -> list[Value] | None:
        whole = attribute.type in ("integer", "date")
        if not whole or low is None or high is None or high - low >= MOST_WHOLE_VALUES:
            return None
        return [_from_line(attribute, point) for point in range(int(low), int(high) + 1)]

    # -- texts

    def _texts(self, name: str, attribute: Attribute, own: list[AnyLeaf]) -> list[Value] | None:
        if attribute.values:
            return list(attribute.values)
        group = self._group(name)
        terms = [term for member in sorted(group) for term in self._terms_of(member)]
        if len(group) == 1:
            found = text_witnesses(self._text_tests(name, own))
            return None if found is None else list(dict.fromkeys([*terms, *found]))
        shared: set[str] = set()
        for leaf in self.leaves:
            if group.isdisjoint(self.open[leaf]):
                continue
            if isinstance(leaf, Like) or any(isinstance(term, Folded) for term in chain(*compared_terms(leaf))):
                return None
            shared |= {text for _, text in self._constants(leaf) if text is not None}
        for member in group:
            knowledge = self.facts.get(member)
            if isinstance(knowledge, Among):
                shared |= {value for value in knowledge.values if isinstance(value, str)}
        fresh = [f"{text}\x01{'x' * step}" for text in ["", *sorted(shared)] for step in range(len(group))]
        return list(dict.fromkeys([*terms, "", *sorted(shared), *fresh]))

    def _terms_of(self, name: str) -> Iterable[str]:
        """The texts of an attribute that a rule can tell apart by more than its own constants."""
        attribute = self.attributes[name]
        asks = any(isinstance(leaf, Narrower | Defunct) and leaf.name == name for leaf in self.leaves)
        scheme = self.vocabularies.get(attribute.vocabulary or "") if asks else None
        return (*attribute.values, *(scheme.concepts if scheme else ()))

    def _constants(self, leaf: AnyLeaf) -> Iterable[tuple[tuple[str, ...], str | None]]:
        for pair in compared_terms(leaf):
            for term, other in (pair, pair[::-1]):
                folds, name = _folds(other)
                value = self._text_of(term)
                if name is not None and not plainly_known(self.facts, name):
                    yield folds, value

    def _text_of(self, term: Term) -> str | None:
        value = self._value_of(term)
        return value if isinstance(value, str) else None

    def _text_tests(self, name: str, own: list[AnyLeaf]) -> list[tuple[str, tuple[str, ...], str]]:
        """(compare or like, folds from the inside out, constant) for every test that the leaves make of this text."""
        tests: list[tuple[str, tuple[str, ...], str]] = []
        for leaf in own:
            if isinstance(leaf, Like):
                tests.append(("like", _folds(leaf.term)[0], leaf.pattern))
            tests.extend(("compare", folds, text) for folds, text in self._constants(leaf) if text is not None)
        return tests

    # -- sets of terms

    def _sets(self, name: str, attribute: Attribute, own: list[AnyLeaf]) -> list[Value] | None:
        named: set[str] = set()
        most = 0
        for leaf in own:
            if len(self.open[leaf]) > 1:
                return None
            if isinstance(leaf, SetComparison):
                for term in (leaf.left, leaf.right):
                    value = self._set_of(term)
                    named |= value if value is not None else set()
            for pair in compared_terms(leaf):
                most = max([most, *(self._threshold(term) for term in pair)])
                if any(has_arithmetic(term) and _counts(term) for term in pair):
                    return None
        meanings = _Meanings(own, self.vocabularies)
        if attribute.values and meanings.asked:
            named |= set(attribute.values)
        named |= meanings.samples(named)
        if attribute.values:
            others = [value for value in attribute.values if value not in named]
        else:
            apart = (f"other {n + 1}" for n in range(most + 2 + len(named)))
            others = [other for other in apart if other not in named]
        fillers = others[: most + 2]
        terms = sorted(named)
        if len(terms) > 20 or (2 ** len(terms)) * (len(fillers) + 1) > MOST_SETS:
            return None
        picks = chain.from_iterable(combinations(terms, size) for size in range(len(terms) + 1))
        return [frozenset(pick) | frozenset(fillers[:more]) for pick in picks for more in range(len(fillers) + 1)]

    def _threshold(self, term: Term) -> int:
        """How many values a comparison of counts may ask for."""
        value = self._value_of(term)
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            return 0
        return min(max(int(value), 0), MOST_TERMS)

    def _set_of(self, term: Term) -> frozenset[str] | None:
        if isinstance(term, Const) and isinstance(term.constant, frozenset):
            return term.constant
        value = _plain(self.facts, term.name) if isinstance(term, Ref) else None
        return value if isinstance(value, frozenset) else None


class _Meanings:
    """What the terms of a vocabulary may mean to the leaves that ask whether something stands below a term."""

    def __init__(self, own: Iterable[AnyLeaf], vocabularies: Mapping[str, Vocabulary]) -> None:
        below = [leaf for leaf in own if isinstance(leaf, Narrower)]
        self.asked = list(dict.fromkeys(leaf.term for leaf in below))
        self.scheme = vocabularies[below[0].vocabulary] if below else None

    def of(self, term: str) -> frozenset[frozenset[str]]:
        """For every concept that the term may stand for, the asked terms that it is or stands below."""
        assert self.scheme is not None
        scheme = self.scheme
        lower = (term, *scheme.below.get(term, ()))
        return frozenset(frozenset(top for top in self.asked if scheme.is_at_or_below(one, top)) for one in lower)

    def samples(self, named: set[str]) -> set[str]:
        """Beside the named terms, one for each meaning; one that may mean several only where no other shows those."""
        if self.scheme is None:
            return set()
        found: dict[frozenset[frozenset[str]], str] = {}
        for term in self.scheme.concepts:
            if term not in named:
                found.setdefault(self.of(term), term)
        nothing = frozenset((frozenset[str](),))
        single = nothing.union(*(meanings for meanings in found if len(meanings) == 1))
        return {
            t for meanings, t in found.items() if meanings != nothing and (len(meanings) == 1 or not meanings <= single)
        }


def _counts(term: Term) -> bool:
    if isinstance(term, Arithmetic):
        return _counts(term.left) or _counts(term.right)
    return isinstance(term, Count)


def _folds(term: Term) -> tuple[tuple[str, ...], str | None]:
    """The folds around an attribute from the inside out, and its name."""
    folds: list[str] = []
    while isinstance(term, Folded):
        folds.append(term.fold)
        term = term.inner
    return tuple(reversed(folds)), term.name if isinstance(term, Ref) else None


# -- every ordered kind as points on one line of exact numbers

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _on_line(value: Any) -> Number:
    if isinstance(value, datetime):
        return exact(Fraction((value - _EPOCH) // timedelta(microseconds=1)))
    if isinstance(value, date):
        return value.toordinal()
    assert isinstance(value, int | Fraction)
    return value


def _from_line(attribute: Attribute, point: Number) -> Value:
    if attribute.type == "date":
        return date.fromordinal(int(point))
    if attribute.type == "timestamp":
        return _EPOCH + timedelta(microseconds=int(point))
    return point


def _ends(attribute: Attribute, knowledge: Knowledge | None) -> tuple[Number | None, Number | None]:
    low: Number | None = attribute.low
    high: Number | None = attribute.high
    if attribute.type == "date":
        low, high = 1, date.max.toordinal()
    if attribute.type == "timestamp":
        low, high = _on_line(datetime(1, 1, 2, tzinfo=UTC)), _on_line(datetime(9999, 12, 30, tzinfo=UTC))
    if isinstance(knowledge, Between):
        low = _on_line(knowledge.low) if knowledge.low is not None else low
        high = _on_line(knowledge.high) if knowledge.high is not None else high
    return low, high


def _points(
    cuts: set[Number], each: int, whole: bool, near_whole: bool, low: Number | None, high: Number | None
) -> list[Number]:
    """Every cut, and `each` points of every gap (all of them where a gap of whole numbers holds fewer). `near_whole` adds
    whole numbers near the cuts, for an attribute that is compared with one that has only those."""
    line = sorted(cuts | {end for end in (low, high) if end is not None}) or [0]
    points: set[Number] = set()
    for cut in line:
        near = int(cut // 1)
        if not whole or cut == near:
            points.add(cut)
        if near_whole:
            points.update(range(near - each, near + each + 2))
    if not whole:
        points.update(line[0] - step for step in range(1, each + 1))
        points.update(line[-1] + step for step in range(1, each + 1))
        dense = sorted(points)
        for before, after in pairwise(dense):
            points.update(before + Fraction(after - before) * step / (each + 1) for step in range(1, each + 1))
    inside = (p for p in points if (low is None or p >= low) and (high is None or p <= high))
    return sorted(exact(Fraction(point)) for point in inside)

"""The finite regions into which the clauses of a rule cut each attribute.

For an attribute that is not plainly known, `candidates` gives values that together show every combination of answers of
the rule's leaves: each constant, and points of every gap between constants. Trying them all tries all worlds. None means
that the regions cannot be listed (a leaf that gives no cuts, arithmetic over several unknown facts, or past the budget);
such leaves then stay undecided, which is never wrong.
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
from service.facts.knowledge import NONE, Among, Between, Knowledge, Number, Subsets, Value, exact
from service.facts.vocabulary import Vocabulary
from service.rules.cuts import AskedForNone, Below, Compared, Cut, EachConcept, Patterned, SetsCompared
from service.rules.predicates import Leaf
from service.rules.terms import Term, added
from service.rules.text_samples import sample_texts

_MOST_WHOLE_VALUES = 400
_MOST_SETS = 4_096


def has_plain_value(facts: Facts, name: str) -> bool:
    knowledge = facts.get(name)
    return isinstance(knowledge, Among) and knowledge.is_plain


def plain_values(facts: Facts) -> dict[str, Value]:
    """The attributes whose value is known."""
    return {name: known.values[0] for name, known in facts.items() if isinstance(known, Among) and known.is_plain}


def cuts_of(leaf: Leaf) -> tuple[Cut, ...] | None:
    """The cuts of a leaf; None where they leave out an attribute that it reads, which might change its answer unseen."""
    cuts = leaf.cuts()
    if cuts is None or not leaf.reads.issubset(chain.from_iterable(cut.reads for cut in cuts)):
        return None
    return cuts


class Regions:
    """The regions of one rule for one view of a coin. `leaves` are the rule's distinct leaves."""

    def __init__(
        self,
        leaves: Sequence[Leaf],
        facts: Facts,
        attributes: Mapping[str, Attribute],
        vocabularies: Mapping[str, Vocabulary],
        *,
        with_none: bool = False,
    ) -> None:
        """`with_none`: an attribute that is not recorded may also be known to be none, whether or not a leaf asks for it."""
        self.with_none = with_none
        self.leaves, self.facts, self.attributes, self.vocabularies = leaves, facts, attributes, vocabularies
        self.plain = plain_values(facts)
        self.open = {leaf: leaf.reads - self.plain.keys() for leaf in leaves}
        self.cuts: dict[str, frozenset[Value]] = {}
        """Where the answers may change, for every number or date whose candidates were asked for."""
        self.text_work = 0
        """What the searches for texts took so far, about in microseconds, counted the same on every machine."""
        self._cuts_of = {leaf: cuts_of(leaf) for leaf in leaves}

    def _of(self, name: str) -> list[Leaf]:
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
        """Values that show every combination of answers of the leaves on this attribute."""
        knowledge = self.facts.get(name)
        if isinstance(knowledge, Among):
            return list(knowledge.values)
        attribute = self.attributes[name]
        own = self._of(name)
        if isinstance(knowledge, Subsets):
            return self._subsets(name, knowledge, own)
        found = self._values(name, attribute, knowledge, own)
        if found is not None and knowledge is None and (self.with_none or any(leaf.asks_for_none for leaf in own)):
            found = [*found, NONE]
        return found

    def _values(
        self, name: str, attribute: Attribute, knowledge: Between | None, own: list[Leaf]
    ) -> list[Value] | None:
        if attribute.many:
            return self._sets(name, attribute, own)
        if attribute.type == "boolean":
            return [True, False]
        if attribute.type == "text":
            return list(attribute.values) if attribute.values else self._texts(name)
        return self._ordered(name, attribute, knowledge)

    def _linked_cuts(self, group: frozenset[str]) -> list[Cut] | None:
        """The cuts of every leaf about one of these attributes; None if some leaf gives none."""
        found: list[Cut] = []
        for leaf in self.leaves:
            if group.isdisjoint(self.open[leaf]):
                continue
            cuts = self._cuts_of[leaf]
            if cuts is None:
                return None
            found.extend(cuts)
        return found

    # -- numbers, dates, instants: cut points, and points in every gap

    def _ordered(self, name: str, attribute: Attribute, knowledge: Between | None) -> list[Value] | None:
        group = self._group(name)
        low, high = _ends(attribute, knowledge)
        linked = self._linked_cuts(group)
        found = [None] if linked is None else [self._cut_points(cut) for cut in linked]
        if None in found:
            return self._every_whole(attribute, low, high)
        cuts = set[Number]().union(*(points for points in found if points is not None))
        for member in group:
            cuts |= self._known_points(member)
        whole = attribute.type in ("integer", "date")
        near_whole = any(self.attributes[member].type not in ("decimal", "timestamp") for member in group)
        points = _points(cuts, len(group), whole, near_whole, low, high)
        reach = (cut for cut in cuts if not whole or isinstance(cut, int))
        self.cuts[name] = frozenset(_from_line(attribute, cut) for cut in reach)
        return [_from_line(attribute, point) for point in points]

    def _cut_points(self, cut: Cut) -> set[Number] | None:
        """The points of the line where the answer may change along the one open attribute of the cut; none for a comparison
        of two attributes, whose points come from what is known of each."""
        if isinstance(cut, AskedForNone):
            is_clear = self._is_simple(cut.term) or cut.term.is_none(self.plain)
            return set() if is_clear or cut.term.linear(self.plain) is not None else None
        if not isinstance(cut, Compared):
            return None
        left, right = cut.left, cut.right
        if left.is_none(self.plain) or right.is_none(self.plain):
            return set()
        if self._is_simple(left) and self._is_simple(right):
            return {_on_line(value) for value in map(self._value_of, (left, right)) if value is not None}
        first, second = left.linear(self.plain), right.linear(self.plain)
        if first is None or second is None:
            return None
        factors, constant = added(first, second, -1)
        return None if len(factors) > 1 else {exact(-constant / factor) for factor in factors.values()}

    def _is_simple(self, term: Term) -> bool:
        """Whether the term is an attribute, a count, or known."""
        return term.bare is not None or term.counts is not None or term.reads <= self.plain.keys()

    def _value_of(self, term: Term) -> Value | None:
        """The value of a term that reads nothing open, else None."""
        return term.value(self.plain) if term.reads <= self.plain.keys() else None

    def _known_points(self, name: str) -> set[Number]:
        knowledge = self.facts.get(name)
        if isinstance(knowledge, Among):
            counted = (len(value) if isinstance(value, frozenset) else value for value in knowledge.values)
            return {_on_line(value) for value in counted if value is not NONE}
        if isinstance(knowledge, Subsets):
            return set(range(len(knowledge.has), len(knowledge.every) + 1))
        return {end for end in _ends(self.attributes[name], knowledge) if end is not None}

    def _every_whole(self, attribute: Attribute, low: Number | None, high: Number | None) -> list[Value] | None:
        whole = attribute.type in ("integer", "date")
        if not whole or low is None or high is None or high - low >= _MOST_WHOLE_VALUES:
            return None
        return [_from_line(attribute, point) for point in range(int(low), int(high) + 1)]

    # -- texts

    def _texts(self, name: str) -> list[Value] | None:
        group = self._group(name)
        cuts = self._linked_cuts(group)
        if cuts is None or any(isinstance(cut, SetsCompared) for cut in cuts):
            return None
        terms = [term for member in sorted(group) for term in self._terms_of(member, cuts)]
        if len(group) == 1:
            tests = self._text_tests(cuts)
            if tests is None:
                return None
            found = sample_texts(tests)
            self.text_work += found.work
            return None if found.texts is None else list(dict.fromkeys([*terms, *found.texts]))
        shared = self._shared_texts(group, cuts)
        if shared is None:
            return None
        line = ["", *sorted(shared.union(terms))]
        between = [f"{text}\x01{'x' * step}" for text in line for step in range(len(group))]
        return list(dict.fromkeys([*terms, *line, *between]))

    def _terms_of(self, name: str, cuts: Iterable[Cut]) -> Iterable[str]:
        """The texts of an attribute that a rule can tell apart by more than its own constants."""
        attribute = self.attributes[name]
        asks = any(isinstance(cut, Below | EachConcept) and cut.name == name for cut in cuts)
        scheme = self.vocabularies.get(attribute.vocabulary or "") if asks else None
        return (*attribute.values, *(scheme.concepts if scheme else ()))

    def _text_tests(self, cuts: Iterable[Cut]) -> list[tuple[str, tuple[str, ...], str]] | None:
        """(compare or like, folds from the inside out, constant) for every test of this text; None if one is neither."""
        tests: list[tuple[str, tuple[str, ...], str]] = []
        for cut in cuts:
            if isinstance(cut, Patterned | AskedForNone) and cut.term.bare is None:
                return None
            if isinstance(cut, Patterned) and cut.term.bare is not None:
                tests.append(("like", cut.term.bare[0], cut.pattern))
            if not isinstance(cut, Compared) or cut.reads <= self.plain.keys():
                continue
            term, other = (cut.left, cut.right) if cut.right.reads <= self.plain.keys() else (cut.right, cut.left)
            if term.bare is None or (other.bare != term.bare and not other.reads <= self.plain.keys()):
                # Neither an attribute beside something known, nor the same on both sides.
                return None
            value = self._value_of(other)
            if isinstance(value, str):
                tests.append(("compare", term.bare[0], value))
        return tests

    def _shared_texts(self, group: frozenset[str], cuts: Iterable[Cut]) -> set[str] | None:
        """The constants of texts that are compared with each other, and what is recorded of them."""
        shared: set[str] = set()
        for cut in cuts:
            if isinstance(cut, Patterned) or (isinstance(cut, AskedForNone) and cut.term.bare is None):
                return None
            if isinstance(cut, Compared) and not cut.reads <= self.plain.keys():
                for term in (cut.left, cut.right):
                    if not self._is_simple(term) or (term.bare is not None and term.bare[0]):
                        return None
                    value = self._value_of(term)
                    shared |= {value} if isinstance(value, str) else set()
        for member in group:
            knowledge = self.facts.get(member)
            if isinstance(knowledge, Among):
                shared |= {value for value in knowledge.values if isinstance(value, str)}
        return shared

    # -- sets of terms

    def _sets(self, name: str, attribute: Attribute, own: list[Leaf]) -> list[Value] | None:
        cuts = self._linked_cuts(frozenset((name,)))
        if cuts is None or any(len(self.open[leaf]) > 1 for leaf in own):
            return None
        named: set[str] = set()
        most = 0
        for cut in cuts:
            if isinstance(cut, SetsCompared):
                for value in map(self._value_of, (cut.left, cut.right)):
                    named |= value if isinstance(value, frozenset) else set()
            elif isinstance(cut, Compared):
                if not all(term.counts or term.reads <= self.plain.keys() for term in (cut.left, cut.right)):
                    return None
                most = max(most, self._threshold(cut.left), self._threshold(cut.right))
            elif isinstance(cut, AskedForNone):
                if cut.term.bare is None and cut.term.counts is None:
                    return None
            elif isinstance(cut, Patterned | EachConcept):
                return None
        meanings = _Meanings([cut for cut in cuts if isinstance(cut, Below)], self.vocabularies)
        if attribute.values and meanings.asked:
            named |= set(attribute.values)
        named |= meanings.samples(named)
        if attribute.values:
            # The other list of a comparison may have terms that this attribute cannot have.
            named &= set(attribute.values)
            others = [value for value in attribute.values if value not in named]
        else:
            apart = (f"other {n + 1}" for n in range(most + 2 + len(named)))
            others = [other for other in apart if other not in named]
        fillers = others[: most + 2]
        terms = sorted(named)
        if len(terms) > 20 or (2 ** len(terms)) * (len(fillers) + 1) > _MOST_SETS:
            return None
        picks = chain.from_iterable(combinations(terms, size) for size in range(len(terms) + 1))
        return [frozenset(pick) | frozenset(fillers[:more]) for pick in picks for more in range(len(fillers) + 1)]

    def _subsets(self, name: str, knowledge: Subsets, own: list[Leaf]) -> list[Value] | None:
        """The lists that show every combination of answers: of the uncertain terms that no leaf tells apart only how many
        there are matters."""
        cuts = self._linked_cuts(frozenset((name,)))
        relevant = knowledge.perhaps
        if cuts is not None and all(len(self.open[leaf]) == 1 for leaf in own):
            meanings = _Meanings([cut for cut in cuts if isinstance(cut, Below)], self.vocabularies)
            named: set[str] = set()
            for cut in cuts:
                if isinstance(cut, SetsCompared):
                    for value in map(self._value_of, (cut.left, cut.right)):
                        named |= value if isinstance(value, frozenset) else set()
            relevant = frozenset(term for term in relevant if term in named or meanings.tells_apart(term))
        others = sorted(knowledge.perhaps - relevant)
        if 2 ** len(relevant) * (len(others) + 1) > _MOST_SETS:
            return None
        terms = sorted(relevant)
        picks = chain.from_iterable(combinations(terms, size) for size in range(len(terms) + 1))
        return [
            knowledge.has | frozenset(pick) | frozenset(others[:more])
            for pick in picks
            for more in range(len(others) + 1)
        ]

    def _threshold(self, term: Term) -> int:
        """The number of values that a comparison of counts may ask for."""
        value = self._value_of(term)
        if isinstance(value, bool) or not isinstance(value, int | Fraction):
            return 0
        return min(max(int(value), 0), MOST_TERMS)


class _Meanings:
    """What the terms of a vocabulary may mean to the cuts that ask whether a value is below a term."""

    def __init__(self, below: Sequence[Below], vocabularies: Mapping[str, Vocabulary]) -> None:
        self.asked = list(dict.fromkeys(cut.term for cut in below))
        self.scheme = vocabularies[below[0].vocabulary] if below else None

    def of(self, term: str) -> frozenset[frozenset[str]]:
        """For every concept that the term may stand for, the asked terms that it is or stands below."""
        assert self.scheme is not None
        scheme = self.scheme
        lower = (term, *scheme.below.get(term, ()))
        return frozenset(frozenset(top for top in self.asked if scheme.is_at_or_below(one, top)) for one in lower)

    def tells_apart(self, term: str) -> bool:
        """Whether a cut may answer otherwise for a list with the term."""
        if self.scheme is None:
            return False
        return term not in self.scheme.concepts or self.of(term) != frozenset((frozenset[str](),))

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
    return sorted(exact(point) for point in inside)

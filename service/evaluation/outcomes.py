"""The ways that one fact may turn out, in words, each with a value that can be recorded as it stands.

Regions of numbers and dates are ranges. Those of texts and lists are told by the truths of the rule's clauses: a way is the
shortest list of clauses, or of their opposites, that no region of another way shares ("a kind of bird and no kind of
beast"). One way at most is "any other"; what neither tells is told by an example. So no two ways share their words.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import islice
from typing import Generic, TypeVar

from service.evaluation.region_wording import named_values, region_wording
from service.evaluation.verdicts import Case, Choice
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Among, Subsets, Value, exact, is_possible
from service.facts.truth import UNDECIDED, YES
from service.facts.vocabulary import Vocabulary
from service.rules.labels import Labels
from service.rules.predicates import Comparison, Leaf, OneOf
from service.rules.terms import Const, Ref

Key = TypeVar("Key", bound=Hashable)

_MOST_WORK = 200_000
_MOST_CANDIDATES = 2_000
_MOST_LISTED = 8
_OTHER_TEXTS = ("another", "a second", "a third", "something else", "x")


@dataclass(frozen=True, slots=True)
class Way(Generic[Key]):
    """One way that a fact may turn out. `example` is a value of it, as it can be recorded; None where none was found. `key`
    is what it leads to."""

    when: str
    example: Value | None
    key: Key


def ways_of(
    case: Case,
    attribute: Attribute,
    choices: Sequence[Choice],
    keys: Sequence[Key],
    labels: Labels | None = None,
) -> list[Way[Key]]:
    """The ways that the attribute may turn out in the case, of which these are all the choices: those with equal `keys` (one
    for each choice) together, in the order in which they first come. `labels` has the words; None: in English."""
    together: dict[Key, list[Choice]] = {}
    for choice, key in zip(choices, keys, strict=True):
        together.setdefault(key, []).append(choice)
    groups = list(together.values())
    words = _Words(case, attribute, choices, labels or Labels(case.attributes, case.context.vocabularies))
    examples = _Examples(case, attribute, choices)
    found = [examples.of(group) for group in groups]
    return [
        Way(when, example, key) for when, example, key in zip(words.of(groups, found), found, together, strict=True)
    ]


class _Words:
    """Words for groups of choices."""

    def __init__(self, case: Case, attribute: Attribute, choices: Sequence[Choice], labels: Labels) -> None:
        self._case, self._attribute, self._labels = case, attribute, labels
        self._other = labels.say("any-other")
        self._choices = choices
        own = [leaf for leaf in choices[0].truths if len({choice.truths[leaf] for choice in choices}) > 1]
        self._leaves: list[Leaf] = sorted(own, key=case.distinct.index)
        self._is_joint = any(attribute.name in leaf.reads for leaf in case.joint)
        self._known = case.facts.get(attribute.name)
        self._named = named_values(case, attribute.name)
        self._vectors = {id(choice): self._vector(choice) for choice in choices}

    def of(self, groups: Sequence[Sequence[Choice]], examples: Sequence[Value | None]) -> list[str]:
        if len(groups) == 1:
            return [self._labels.say("any-value")]
        said = self._in_ranges(groups) if self._attribute.is_ordered else self._by_truths(groups)
        other = self._catch_all(groups, said)
        words = [
            self._other if at == other else self._labels.listed(list(dict.fromkeys(one)), "or") if one else ""
            for at, one in enumerate(said)
        ]
        # What the clauses do not tell apart is told by an example.
        for at, word in enumerate(words):
            if not word or (words.count(word) > 1 and at != other):
                words[at] = self._by_example(groups[at], examples[at])
        return words

    def _by_example(self, group: Sequence[Choice], example: Value | None) -> str:
        if example is not None:
            return self._labels.say("such-as", value=self._value(example))
        first = group[0]
        value = self._labels.plain(first.value) if first.value is not None else repr(first.meant)
        return self._labels.say("such-as", value=value)

    def _catch_all(self, groups: Sequence[Sequence[Choice]], said: Sequence[list[str] | None]) -> int | None:
        """The group that is "any other": one that the clauses do not tell, else the one to which no clause applies, else one
        whose words are many."""
        untold = [at for at, one in enumerate(said) if one is None]
        if untold:
            return max(untold, key=lambda at: len(groups[at]))
        if self._attribute.is_ordered:
            already = [at for at, one in enumerate(said) if one == [self._other]]
            long = max(range(len(said)), key=lambda at: len(said[at] or ()))
            return already[0] if already else long if len(said[long] or ()) > _MOST_LISTED else None
        for at, group in enumerate(groups):
            if any(self._vectors[id(choice)] == 0 and not self._pins(choice) for choice in group):
                return at
        long = max(range(len(said)), key=lambda at: len(said[at] or ()))
        return long if len(said[long] or ()) > _MOST_LISTED else None

    def _in_ranges(self, groups: Sequence[Sequence[Choice]]) -> list[list[str] | None]:
        tried = (value for choice in self._choices for value in choice.values)
        words = region_wording(self._case, self._attribute, tried, self._labels)
        return [words.of(value for choice in group for value in choice.values) for group in groups]

    # -- texts, lists, booleans

    def _by_truths(self, groups: Sequence[Sequence[Choice]]) -> list[list[str] | None]:
        said: list[list[str] | None] = []
        unpinned = sum(not self._pins(choice) for choice in self._choices)
        affordable = unpinned * len(self._choices) * len(self._leaves) <= _MOST_WORK
        for group in groups:
            others = [self._vectors[id(choice)] for other in groups if other is not group for choice in other]
            words: list[str] | None = []
            for choice in group:
                pinned = self._pins(choice)
                told = pinned or (self._told(self._vectors[id(choice)], others) if affordable else None)
                if told is None:
                    words = None
                    break
                assert words is not None
                words += told
            said.append(words)
        return said

    def _vector(self, choice: Choice) -> int:
        """The truths of the clauses as bits; of an inequality the opposite, so that a bit says that something applies."""
        return sum(
            1 << at for at, leaf in enumerate(self._leaves) if (choice.truths[leaf] is YES) != _is_inequality(leaf)
        )

    def _told(self, vector: int, others: Sequence[int]) -> list[str] | None:
        """The fewest clauses that hold, or fail, here and not so in any of the other vectors; those that fail are left out
        first."""
        every = range(len(self._leaves))
        kept = (1 << len(self._leaves)) - 1
        if any(other == vector for other in others):
            return None
        for at in [*(at for at in every if not vector >> at & 1), *(at for at in reversed(every) if vector >> at & 1)]:
            without = kept & ~(1 << at)
            if all((other ^ vector) & without for other in others):
                kept = without
        words = []
        for at in sorted(every, key=lambda at: not vector >> at & 1):
            if kept >> at & 1:
                leaf, applies = self._leaves[at], bool(vector >> at & 1)
                words.append(leaf.value_words(self._labels, holds=applies != _is_inequality(leaf)))
        return [self._labels.listed(words, "and")]

    def _pins(self, choice: Choice) -> list[str]:
        """Words for the values of a choice that is these values alone."""
        if choice.meant is not None:
            return []
        values = list(choice.values)
        attribute = self._attribute
        if isinstance(self._known, Among) or attribute.type == "boolean":
            return [self._value(value) for value in values]
        if attribute.many:
            return []
        if attribute.values or all(value is NONE for value in values):
            return [self._value(value) for value in values]
        constants = _pinned_by(choice, attribute.name)
        if constants:
            return [self._value(value) for value in values if value in constants or value is NONE]
        if self._is_joint and all(value in self._named and value for value in values):
            return [self._value(value) for value in values]
        return []

    def _value(self, value: Value) -> str:
        if isinstance(value, frozenset):
            terms = [self._labels.term(self._attribute.name, one) for one in sorted(value)]
            return self._labels.listed(terms, "and") or self._labels.say("none-of-them")
        return self._labels.value(self._attribute.name, value)


def _is_inequality(leaf: Leaf) -> bool:
    return isinstance(leaf, Comparison) and leaf.op == "<>"


def _pinned_by(choice: Choice, name: str) -> frozenset[Value]:
    """The texts one of which the value equals, as the truths of the choice have it."""
    for leaf, verdict in choice.truths.items():
        if isinstance(leaf, Comparison) and (leaf.op, verdict is YES) in (("=", True), ("<>", False)):
            sides = (leaf.left, leaf.right)
            if Ref(name) in sides:
                other = sides[sides[0] == Ref(name)]
                if isinstance(other, Const):
                    return frozenset((other.constant,))
        if isinstance(leaf, OneOf) and verdict is YES and leaf.term == Ref(name):
            constants = [item.constant for item in leaf.items if isinstance(item, Const)]
            if len(constants) == len(leaf.items):
                return frozenset(constants)
    return frozenset()


# --- values that can be recorded -----------------------------------------------------------------------------------------


class _Examples:
    """Values that can be recorded, and turn out as a choice does."""

    def __init__(self, case: Case, attribute: Attribute, choices: Sequence[Choice]) -> None:
        self._case, self._attribute = case, attribute
        self._known = case.facts.get(attribute.name)
        self._own = list(choices[0].truths)
        self._is_joint = any(attribute.name in leaf.reads for leaf in case.joint)
        self._scheme: Vocabulary | None = case.context.vocabularies.get(attribute.vocabulary or "")
        self._named = named_values(case, attribute.name)
        self._marks = [_as_float(mark) for mark in self._named if mark is not NONE]
        self._left = _MOST_CANDIDATES

    def of(self, group: Sequence[Choice]) -> Value | None:
        """A value of one of these choices; plain ones first."""
        for choice in sorted(group, key=lambda choice: choice.meant is not None):
            for value in self._candidates(choice):
                if self._left <= 0:
                    return None
                self._left -= 1
                if _is_readable(value) and self._turns_out(value, choice):
                    return value
        return None

    def _candidates(self, choice: Choice) -> Iterator[Value]:
        values = list(choice.values)
        if choice.meant is not None:
            yield from self._narrowed(values)
            return
        if self._attribute.is_ordered:
            yield from self._numbers(values)
        elif self._attribute.many:
            yield from self._lists(values)
        elif self._attribute.type == "text" and not isinstance(self._known, Among):
            yield from self._texts(values)
        else:
            yield from values

    def _turns_out(self, value: Value, choice: Choice) -> bool:
        """Whether every clause answers of the value as of the choice."""
        if value in choice.values and choice.meant is None and not self._leaves_open(value):
            return True
        if self._is_joint and not self._stands_like(value, choice):
            return False
        world = {**self._case.plain, self._attribute.name: value}
        if self._known is not None and choice.meant is None and not is_possible(value, self._known):
            return False
        return all(leaf.holds(world, self._case.context) is choice.truths[leaf] for leaf in self._own)

    def _leaves_open(self, value: Value) -> bool:
        if value in self._case.settled_values.get(self._attribute.name, ()):
            return False
        world = {**self._case.plain, self._attribute.name: value}
        return any(leaf.holds(world, self._case.context) is UNDECIDED for leaf in self._own)

    def _stands_like(self, value: Value, choice: Choice) -> bool:
        """Whether the value stands to everything that is named as the choice's value does: before, after, or equal."""
        other = choice.value
        if other is None or value is NONE or other is NONE or isinstance(value, frozenset | bool):
            return value == other
        if type(value) is not type(other) and isinstance(value, str) != isinstance(other, str):
            return False
        marks = [mark for mark in self._named if mark is not NONE and isinstance(mark, str) == isinstance(other, str)]
        return all((value < mark, value == mark) == (other < mark, other == mark) for mark in marks)  # type: ignore[operator]

    # -- by kind

    def _numbers(self, values: Sequence[Value]) -> Iterator[Value]:
        """The values nearest to what the rule names, whole numbers first; else such with few decimals."""
        line = [value for value in values if value is not NONE]
        marks = self._marks

        def order(value: object) -> tuple[bool, float, float]:
            number = _as_float(value)
            distance = min([abs(number - mark) for mark in marks], default=abs(number))
            return isinstance(value, Fraction), distance, number

        ordered = sorted(line, key=order)
        yield from ordered
        for value in ordered:
            if isinstance(value, Fraction):
                for decimals in range(1, 13):
                    yield exact(Fraction(round(value * 10**decimals), 10**decimals))
        if NONE in values:
            yield NONE

    def _texts(self, values: Sequence[Value]) -> Iterator[Value]:
        texts = [value for value in values if isinstance(value, str)]
        yield from (value for value in texts if value in self._named)
        if self._scheme is not None:
            yield from (value for value in texts if value in self._scheme.concepts)
            yield from self._scheme.concepts
        if not self._attribute.values:
            yield from _OTHER_TEXTS
        yield from texts
        for text in texts:
            for sign in (" ", "a", "A", "z", "0"):
                plain = "".join(letter if letter.isprintable() else sign for letter in text)
                yield from (plain, f"{plain}a", f"{plain} and more", plain.strip())
        if NONE in values:
            yield NONE

    def _lists(self, values: Sequence[Value]) -> Iterator[Value]:
        """Lists without invented terms first; else with ones that can be recorded in their stead."""
        lists = sorted(
            (value for value in values if isinstance(value, frozenset)), key=lambda one: (len(one), sorted(one))
        )
        known = set(self._scheme.concepts) if self._scheme is not None else set()
        known |= {term for mark in self._named if isinstance(mark, frozenset) for term in mark}
        known |= {mark for mark in self._named if isinstance(mark, str)} | set(self._attribute.values)
        if isinstance(self._known, Subsets | Among):
            yield from lists
        yield from (one for one in lists if one <= known)
        for one in lists:
            invented = one - known
            if not invented:
                continue
            instead = [
                term for term in (*(self._scheme.concepts if self._scheme else ()), *_OTHER_TEXTS) if term not in one
            ]
            for start in range(max(1, min(40, len(instead) - len(invented)))):
                yield (one & known) | frozenset(instead[start : start + len(invented)])
        yield from lists
        if NONE in values:
            yield NONE

    def _narrowed(self, values: Iterable[Value]) -> Iterator[Value]:
        """The recorded terms, or one of them, made narrower; an issuer whose end is known for one whose is not."""
        scheme = self._scheme
        if scheme is None:
            return
        for value in values:
            if isinstance(value, str):
                yield from sorted(scheme.below.get(value, ()))
                if self._known is None:
                    yield from scheme.concepts
            elif isinstance(value, frozenset):
                yield from islice(self._narrowed_lists(sorted(value), scheme), 500)

    def _narrowed_lists(self, terms: Sequence[str], scheme: Vocabulary) -> Iterator[frozenset[str]]:
        if not terms:
            yield frozenset()
            return
        first, *rest = terms
        for more in self._narrowed_lists(rest, scheme):
            for lower in (first, *sorted(scheme.below.get(first, ()))):
                yield more | {lower}


def _as_float(value: object) -> float:
    if isinstance(value, int | Fraction):
        return float(value)
    return float(value.toordinal()) if hasattr(value, "toordinal") else 0.0


def _is_readable(value: Value) -> bool:
    """Whether the value can be recorded as it stands, and a person would."""
    if isinstance(value, str):
        return bool(value) and value.isprintable() and value == value.strip()
    if isinstance(value, frozenset):
        return all(_is_readable(term) for term in value)
    if isinstance(value, Fraction):
        digits = Decimal(value.numerator) / Decimal(value.denominator)
        return Fraction(digits) == value and len(digits.as_tuple().digits) <= 28
    return True

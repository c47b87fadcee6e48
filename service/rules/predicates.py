"""The immutable tree of a rule, after its names and types have been checked.

A *leaf* is one clause. Its class carries all of its behaviour: whether it holds in a world (`holds`), into which regions
it cuts its attributes (`cuts`), how it is worded (`words`), and what a value may mean that does not decide it
(`readings`: a coin that says bird may be a kiwi). A new operator is one class here and one entry in operators.py.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import product
from operator import eq, ge, gt, le, lt, ne
from typing import Any, Literal, NamedTuple, Self, TypeVar, cast, dataclass_transform

from service.facts.knowledge import NONE, Value
from service.facts.truth import NO, UNDECIDED, YES, Verdict, as_verdict, conjunction, disjunction, negation
from service.facts.vocabulary import Vocabulary
from service.rules.cuts import AskedForNone, Below, Compared, Cut, EachConcept, Patterned, SetsCompared
from service.rules.labels import Labels
from service.rules.phrases import listed
from service.rules.terms import NO_ATTRIBUTES, Const, Count, Ref, Term, World
from service.rules.text import matches_pattern, pattern_pieces

_MOST_READINGS = 256


@dataclass(frozen=True, slots=True)
class EvaluationContext:
    """What a rule may depend on besides the coin: today's date, the vocabularies, and whether "known to be none" compares as
    the standard's NULL (only for the abstract tests of OGC 21-065r2)."""

    today: date
    vocabularies: Mapping[str, Vocabulary] = field(default_factory=dict)
    none_as_null: bool = False


@dataclass(frozen=True, slots=True)
class ReferenceGap:
    """What a vocabulary does not say of the value of an attribute: it does not know the term, or not when the issuer
    ended."""

    attribute: str
    vocabulary: str
    term: str
    missing: Literal["term", "end date"]


class _Hashed:
    """Has room for its hash: rules are keys of many tables, and it takes as long as the clause has parts. It is no field, so that
    it does not go to other processes, where texts have other hashes."""

    __slots__ = ("_hash",)
    _hash: int


class _Compound(_Hashed):
    """Has room for its leaves and what they read, which are asked for with every evaluation."""

    __slots__ = ("_leaves", "_reads")
    _leaves: tuple[Leaf, ...]
    _reads: frozenset[str]


_Class = TypeVar("_Class", bound=type)


@dataclass_transform(frozen_default=True)
def _clause(kind: _Class) -> _Class:
    """A frozen dataclass that works out its hash once."""
    made: Any = dataclass(frozen=True, slots=True)(kind)
    hash_of: Callable[[object], int] = made.__hash__

    def hash_once(self: _Hashed) -> int:
        try:
            return self._hash
        except AttributeError:
            found = hash_of(self)
            object.__setattr__(self, "_hash", found)
            return found

    made.__hash__ = hash_once
    return cast("_Class", made)


@dataclass(frozen=True, slots=True)
class Leaf(_Hashed, ABC):
    """One clause. `reads` are its attributes, `at` its JSON pointer within the rule."""

    reads: frozenset[str] = field(init=False, repr=False, compare=False)
    at: str = field(default="", kw_only=True, compare=False)

    @abstractmethod
    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        """The verdict in a world that has every attribute of `reads`; undecided where the values do not tell."""

    def holds_with(
        self, name: str, values: Sequence[Value], world: World, context: EvaluationContext
    ) -> Sequence[Verdict]:
        """The verdict for each of these values of an attribute, all else as in this world."""
        return [self.holds({**world, name: value}, context) for value in values]

    @abstractmethod
    def words(self, labels: Labels) -> str:
        """The clause by itself: "grade at least 20"."""

    def words_negated(self, labels: Labels) -> str:
        """The clause after NOT."""
        return labels.say("not-all-that", words=self.words(labels))

    def attributive(self, labels: Labels) -> str | None:
        """The clause as it follows a noun without a comma ("dated 1902"), if it can."""
        return None

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        """What a value of its one attribute is where the clause holds, or does not, without the name of the attribute: "a kind
        of bird", "begins with A"."""
        return self.words(labels) if holds else self.words_negated(labels)

    def cuts(self) -> tuple[Cut, ...] | None:
        """How the clause divides the values of its attributes. None: it cannot be said, so the clause stays undecided
        wherever its attributes have no list of values."""
        return None

    def readings(self, alike: Sequence[Self], world: World, context: EvaluationContext) -> list[Reading] | None:
        """Where `holds` is undecided in this world: what the attribute's value may mean, in words, each with the verdicts of
        `alike`, which are all clauses of this class about the attribute. None past the budget."""
        undecided = [leaf for leaf in alike if leaf.holds(world, context) is UNDECIDED]
        if 2 ** len(undecided) > _MOST_READINGS:
            return None
        ways = product((YES, NO), repeat=len(undecided))
        return [Reading(None, dict(zip(undecided, way, strict=True))) for way in ways]

    def gaps(self, world: World, context: EvaluationContext) -> tuple[ReferenceGap, ...]:
        """What the vocabularies do not say of the values in this world, so that they may leave the clause undecided."""
        return ()

    @property
    def equal_texts(self) -> tuple[str, tuple[str, ...]] | None:
        """The attribute and the texts, one of which it must equal, if that is what the clause says."""
        return None

    @property
    def depends_on_today(self) -> bool:
        """Whether the verdict on the same coin may differ on another day."""
        return False

    # -- what follows from the cuts

    @property
    def asks_for_none(self) -> bool:
        """Whether "known to be none" is a world of the clause's attributes (rules.md section 2); without cuts it may be."""
        cuts = self.cuts()
        return cuts is None or any(isinstance(cut, AskedForNone) for cut in cuts)

    @property
    def is_calculated(self) -> bool:
        """Whether the clause compares results of arithmetic."""
        compared = (cut for cut in self.cuts() or () if isinstance(cut, Compared))
        return any(cut.left.is_calculated or cut.right.is_calculated for cut in compared)

    @property
    def constants(self) -> Iterator[Value]:
        """The values that the clause names."""
        for cut in self.cuts() or ():
            if isinstance(cut, Compared | SetsCompared):
                yield from (term.constant for term in (cut.left, cut.right) if isinstance(term, Const))
            elif isinstance(cut, Below):
                yield cut.term


class Reading(NamedTuple):
    """What a value may mean, in words (None: its plain meaning), with the verdicts of clauses. Where the vocabularies leave
    some of them undecided `ways` are all that better vocabularies might say, in words and with the verdicts."""

    words: str | None
    truths: Mapping[Leaf, Verdict]
    ways: tuple[tuple[str, Mapping[Leaf, Verdict]], ...] = ()


# --- comparisons -------------------------------------------------------------------------------------------------

_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {"=": eq, "<>": ne, "<": lt, "<=": le, ">": gt, ">=": ge}
_FLIPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "=", "<>": "<>"}
_OPPOSITES = {"<": ">=", "<=": ">", ">": "<=", ">=": "<", "=": "<>", "<>": "="}


def _of_none(context: EvaluationContext) -> Verdict:
    """Known to be none compares as `no`, whatever the operator (rules.md section 2)."""
    return UNDECIDED if context.none_as_null else NO


def _compared(op: str, left: Value, right: Value, context: EvaluationContext) -> Verdict:
    if left is NONE or right is NONE:
        return _of_none(context)
    return YES if _COMPARISONS[op](left, right) else NO


def _beside(left: Term, right: Term, labels: Labels) -> str:
    """The right side in words: a constant as a value of the attribute on the left."""
    if isinstance(left, Ref) and isinstance(right, Const):
        return labels.value(left.name, right.constant)
    return right.words(labels)


def _name_of(term: Term) -> str | None:
    """The attribute whose kind decides how a comparison with the term is worded."""
    if term.bare is not None:
        return term.bare[1]
    return None if term.counts is not None else min(term.reads, default=None)


def _clause_words(term: Term, labels: Labels, value: str, *, is_equal: bool = True) -> str:
    """The term with what is said of it; texts have a colon before what they are equal to."""
    name = term.bare[1] if is_equal and term.bare is not None else None
    return labels.said_of(name, term.words(labels), value)


def _folded(term: Term) -> str:
    """What a comparison with a folded text does not look at: ", in any letter case"."""
    folds = term.bare[0] if term.bare is not None else ()
    words = [word for fold, word in (("casei", "in any letter case"), ("accenti", "with any accents")) if fold in folds]
    return f", {listed(words, 'and')}" if words else ""


def _texts(term: Term, others: Sequence[Term]) -> tuple[str, tuple[str, ...]] | None:
    if not isinstance(term, Ref):
        return None
    texts = tuple(other.constant for other in others if isinstance(other, Const) and isinstance(other.constant, str))
    return (term.name, texts) if texts and len(texts) == len(others) else None


@_clause
class Comparison(Leaf):
    """=, <>, <, <=, >, >=."""

    op: str
    left: Term
    right: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        return _compared(self.op, self.left.value(world), self.right.value(world), context)

    def holds_with(
        self, name: str, values: Sequence[Value], world: World, context: EvaluationContext
    ) -> Sequence[Verdict]:
        left, right = self.left, self.right
        if not isinstance(left, Ref) or left.name != name or not isinstance(right, Const) or right.constant is NONE:
            return Leaf.holds_with(self, name, values, world, context)
        compare, constant = _COMPARISONS[self.op], right.constant
        of_none = _of_none(context)
        return [of_none if value is NONE else YES if compare(value, constant) else NO for value in values]

    def cuts(self) -> tuple[Cut, ...]:
        return (Compared(self.left, self.right),)

    def words(self, labels: Labels) -> str:
        if isinstance(self.left, Ref) and isinstance(self.right, Const) and isinstance(self.right.constant, bool):
            label = labels.name(self.left.name)
            return label if self.right.constant == (self.op == "=") else labels.say("not-that", words=label)
        left, op, right = self._attribute_first()
        if left.counts is not None and op in ("=", ">") and right == Const(0):
            return labels.say("none-of" if op == "=" else "some-of", name=labels.name(left.counts))
        value = labels.compared(op, _beside(left, right, labels), _name_of(left))
        return _clause_words(left, labels, value, is_equal=op == "=")

    def words_negated(self, labels: Labels) -> str:
        if self.op == "=" and isinstance(self.right, Const):
            return replace(self, op="<>").words(labels)
        return Leaf.words_negated(self, labels)

    def attributive(self, labels: Labels) -> str | None:
        if (self.op, self.left, self.right) == ("=", Count("problems"), Const(0)):
            return labels.say("without-problems")
        left, op, right = self._attribute_first()
        if not isinstance(left, Ref) or not isinstance(right, Const):
            return None
        value = labels.compared(op, labels.value(left.name, right.constant), left.name)
        return labels.behind_noun(left.name, op, value)

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        left, op, right = self._attribute_first()
        if not isinstance(right, Const):
            return Leaf.value_words(self, labels, holds=holds)
        op = op if holds else _OPPOSITES[op]
        if left.counts is not None:
            if right == Const(0) and op in ("=", "<>", ">"):
                return f"{'no' if op == '=' else 'some'} {labels.name(left.counts)}"
            return f"{labels.compared(op, right.words(labels), None)} {labels.name(left.counts)}"
        if left.bare is None:
            return Leaf.value_words(self, labels, holds=holds)
        words = labels.value(left.bare[1], right.constant)
        if not isinstance(right.constant, str) or op == "=":
            return f"{labels.compared(op, words, left.bare[1])}{_folded(left)}"
        if op == "<>":
            return f"not {words}{_folded(left)}"
        quoted = f"'{words}'"
        return f"{labels.compared(op, quoted, left.bare[1])} in the alphabet{_folded(left)}"

    @property
    def equal_texts(self) -> tuple[str, tuple[str, ...]] | None:
        return _texts(self.left, (self.right,)) if self.op == "=" else None

    def _attribute_first(self) -> tuple[Term, str, Term]:
        if isinstance(self.left, Const) and not isinstance(self.right, Const):
            return self.right, _FLIPPED[self.op], self.left
        return self.left, self.op, self.right


@_clause
class Within(Leaf):
    """`between`: from low to high, both included."""

    term: Term
    low: Term
    high: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads | self.low.reads | self.high.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        value, low, high = self.term.value(world), self.low.value(world), self.high.value(world)
        lower, upper = _compared(">=", value, low, context), _compared("<=", value, high, context)
        # Comparisons of two values are never undecided for another reason than `none_as_null`.
        return upper if lower is YES else conjunction((lower, upper))

    def holds_with(
        self, name: str, values: Sequence[Value], world: World, context: EvaluationContext
    ) -> Sequence[Verdict]:
        ends = [end.constant for end in (self.low, self.high) if isinstance(end, Const) and end.constant is not NONE]
        if not isinstance(self.term, Ref) or self.term.name != name or len(ends) < 2:
            return Leaf.holds_with(self, name, values, world, context)
        low, high = cast("tuple[Any, Any]", tuple(ends))
        of_none = _of_none(context)
        return [of_none if v is NONE else YES if v >= low and v <= high else NO for v in cast("Sequence[Any]", values)]

    def cuts(self) -> tuple[Cut, ...]:
        return Compared(self.term, self.low), Compared(self.term, self.high)

    def words(self, labels: Labels) -> str:
        return _clause_words(self.term, labels, self._range(labels), is_equal=False)

    def attributive(self, labels: Labels) -> str | None:
        if not isinstance(self.term, Ref) or not isinstance(self.low, Const) or not isinstance(self.high, Const):
            return None
        return labels.behind_noun(self.term.name, "between", self._range(labels))

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        if self.term.bare is None or not isinstance(self.low, Const) or not isinstance(self.high, Const):
            return Leaf.value_words(self, labels, holds=holds)
        low, high = (labels.value(self.term.bare[1], end.constant) for end in (self.low, self.high))
        said = f"'{low}' to '{high}' in the alphabet" if isinstance(self.low.constant, str) else f"{low} to {high}"
        return f"{'' if holds else 'not '}{said}{_folded(self.term)}"

    def _range(self, labels: Labels) -> str:
        low, high = (_beside(self.term, end, labels) for end in (self.low, self.high))
        return labels.say("range", low=low, high=high)


@_clause
class OneOf(Leaf):
    """`in`: an or of equalities."""

    term: Term
    items: tuple[Term, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads.union(*(item.reads for item in self.items)))

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        value = self.term.value(world)
        return disjunction(_compared("=", value, item.value(world), context) for item in self.items)

    def cuts(self) -> tuple[Cut, ...]:
        return tuple(Compared(self.term, item) for item in self.items)

    def words(self, labels: Labels) -> str:
        return _clause_words(self.term, labels, self._values(labels))

    def attributive(self, labels: Labels) -> str | None:
        if not isinstance(self.term, Ref) or not all(isinstance(item, Const) for item in self.items):
            return None
        return labels.behind_noun(self.term.name, "=", self._values(labels))

    @property
    def equal_texts(self) -> tuple[str, tuple[str, ...]] | None:
        return _texts(self.term, self.items)

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        if self.term.bare is None or not all(isinstance(item, Const) for item in self.items):
            return Leaf.value_words(self, labels, holds=holds)
        name = self.term.bare[1]
        values = [labels.value(name, item.constant) for item in self.items if isinstance(item, Const)]
        return f"{'' if holds else 'not '}{listed(values, 'or')}{_folded(self.term)}"

    def _values(self, labels: Labels) -> str:
        return labels.listed([_beside(self.term, item, labels) for item in self.items], "or")


_LIKE_IN_WORDS = {"x%": "begin{} with", "%x": "end{} with", "%x%": "contain{}"}


def _pattern_words(pattern: str, *, holds: bool) -> str:
    """A LIKE pattern in words: "begins with A", "does not end with B"."""
    pieces = pattern_pieces(pattern)
    text = "".join(piece for piece, is_literal in pieces if is_literal)
    shape = re.sub("x+", "x", re.sub("%+", "%", "".join("x" if literal else piece for piece, literal in pieces)))
    if shape in _LIKE_IN_WORDS:
        verb = _LIKE_IN_WORDS[shape]
        return f"{verb.format('s') if holds else f'does not {verb.format(str())}'} {text}"
    if shape in ("x", "%"):
        return f"{'' if holds else 'not '}{text or 'any text'}"
    return f"{'fits' if holds else 'does not fit'} the pattern '{pattern}'"


@_clause
class Like(Leaf):
    """% is any run of characters, _ any one, \\ takes the next character literally."""

    term: Term
    pattern: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        value = self.term.value(world)
        if not isinstance(value, str):
            return UNDECIDED if context.none_as_null else NO
        return as_verdict(matches_pattern(value, self.pattern))

    def cuts(self) -> tuple[Cut, ...]:
        return (Patterned(self.term, self.pattern),)

    def words(self, labels: Labels) -> str:
        return labels.say("like", name=self.term.words(labels), pattern=self.pattern)

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        if self.term.bare is None:
            return Leaf.value_words(self, labels, holds=holds)
        return f"{_pattern_words(self.pattern, holds=holds)}{_folded(self.term)}"


@_clause
class IsNull(Leaf):
    """Known to be none."""

    term: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        return as_verdict(self.term.value(world) is NONE)

    def cuts(self) -> tuple[Cut, ...]:
        return (AskedForNone(self.term),)

    def words(self, labels: Labels) -> str:
        return labels.say("none-of", name=self.term.words(labels))

    def words_negated(self, labels: Labels) -> str:
        return labels.say("any-of", name=self.term.words(labels))

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        if self.term.bare is None and self.term.counts is None:
            return Leaf.value_words(self, labels, holds=holds)
        return labels.say("known-none" if holds else "not-none")


# --- many values, vocabularies -----------------------------------------------------------------------------------

_SETS: dict[str, Callable[[frozenset[str], frozenset[str]], bool]] = {
    "a_contains": lambda left, right: left >= right,
    "a_containedBy": lambda left, right: left <= right,
    "a_overlaps": lambda left, right: not left.isdisjoint(right),
    "a_equals": lambda left, right: left == right,
}
_SETS_IN_WORDS = {"a_contains": "with {}", "a_containedBy": "nothing but {}", "a_overlaps": "with {}"}
_SETS_IN_WORDS |= {"a_equals": "exactly {}"}
_SETS_PHRASES = {"a_contains": "with", "a_containedBy": "nothing-but", "a_overlaps": "with", "a_equals": "exactly"}


@_clause
class SetComparison(Leaf):
    """The standard's array functions, on many-valued attributes as sets."""

    op: str
    left: Term
    right: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        left, right = self.left.value(world), self.right.value(world)
        if not isinstance(left, frozenset) or not isinstance(right, frozenset):
            return UNDECIDED if context.none_as_null else NO
        return as_verdict(_SETS[self.op](left, right))

    def cuts(self) -> tuple[Cut, ...]:
        return (SetsCompared(self.left, self.right),)

    def words(self, labels: Labels) -> str:
        return self._with(labels, _SETS_PHRASES[self.op])

    def words_negated(self, labels: Labels) -> str:
        if self.op not in ("a_contains", "a_overlaps"):
            return Leaf.words_negated(self, labels)
        if isinstance(self.left, Ref) and not self._are_problems:
            return self._with(labels, "without")
        return labels.say("not-that", words=self.words(labels))

    def _with(self, labels: Labels, phrase: str) -> str:
        if not isinstance(self.left, Ref):
            return f"{self.left.words(labels)} {self.op} {self.right.words(labels)}"
        name, terms = self.left.name, self.right.words(labels)
        if isinstance(self.right, Const) and isinstance(self.right.constant, frozenset):
            told = [labels.term(name, term) for term in sorted(self.right.constant)]
            terms = labels.listed(told, "or" if self.op == "a_overlaps" else "and")
        return terms if self._are_problems else labels.say(phrase, name=labels.name(name), terms=terms)

    @property
    def _are_problems(self) -> bool:
        """Whether problems are asked for, which are called by their own names."""
        is_named = isinstance(self.right, Const) and isinstance(self.right.constant, frozenset)
        return self.left == Ref("problems") and is_named and self.op in ("a_contains", "a_overlaps")

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        if not isinstance(self.left, Ref) or not isinstance(self.right, Const):
            return Leaf.value_words(self, labels, holds=holds)
        constant = self.right.constant
        terms = [
            labels.term(self.left.name, term) for term in sorted(constant if isinstance(constant, frozenset) else ())
        ]
        either = self.op == "a_overlaps"
        said = listed(terms, "or" if either else "and") or "nothing"
        if holds:
            return _SETS_IN_WORDS[self.op].format(said)
        if self.op in ("a_contains", "a_overlaps"):
            return f"without {said}" if either or len(terms) == 1 else f"not with {said}"
        return f"something other than {said}" if self.op == "a_containedBy" else f"not exactly {said}"


@_clause
class Narrower(Leaf):
    """The value, or any of the values, is the term or below it; one that is above it leaves it undecided, and so does one
    that shares a narrower term with it: where griffins are birds and beasts, a bird may be a beast. A term that the
    vocabulary does not know may be any of its concepts, or none."""

    name: str
    term: str
    vocabulary: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        value = world[self.name]
        if value is NONE:
            return NO
        terms = value if isinstance(value, frozenset) else (value,)
        scheme = context.vocabularies[self.vocabulary]
        if any(scheme.is_at_or_below(term, self.term) for term in terms if isinstance(term, str)):
            return YES
        if any(isinstance(term, str) and term not in scheme.concepts for term in terms):
            return UNDECIDED
        wanted = {self.term, *scheme.below.get(self.term, NO_ATTRIBUTES)}
        may_be = any(
            isinstance(term, str) and not wanted.isdisjoint(scheme.below.get(term, NO_ATTRIBUTES)) for term in terms
        )
        return UNDECIDED if may_be else NO

    def cuts(self) -> tuple[Cut, ...]:
        return (Below(self.name, self.term, self.vocabulary),)

    def readings(self, alike: Sequence[Self], world: World, context: EvaluationContext) -> list[Reading] | None:
        """One reading for each set of asked terms that a concept at or below the recorded terms belongs to."""
        scheme = context.vocabularies[self.vocabulary]
        asked = [leaf.term for leaf in alike]
        value = world[self.name]
        meanings, unknown = {frozenset[str]()}, {frozenset[str]()}
        for term in value if isinstance(value, frozenset) else (value,):
            if not isinstance(term, str):
                continue
            is_known = term in scheme.concepts
            lower = (term, *scheme.below[term]) if is_known else (term, *scheme.concepts, *asked)
            meant = {frozenset(top for top in asked if scheme.is_at_or_below(one, top)) for one in lower}
            if is_known:
                meanings = {union | tops for union in meanings for tops in meant}
            else:
                meant.add(frozenset())
                unknown = {union | tops for union in unknown for tops in meant}
            if len(meanings) * len(unknown) > _MOST_READINGS:
                return None

        def truths(tops: frozenset[str]) -> dict[Leaf, Verdict]:
            return {leaf: YES if leaf.term in tops else NO for leaf in alike}

        found = []
        for tops in sorted(meanings, key=sorted):
            words = _in_words(tops)
            open_terms = frozenset[str]().union(*unknown) - tops
            if not open_terms:
                found.append(Reading(words, truths(tops)))
                continue
            ways = sorted({tops | more for more in unknown}, key=sorted)
            told = truths(tops) | {leaf: UNDECIDED for leaf in alike if leaf.term in open_terms}
            meant_words = words if len(meanings) > 1 else None
            found.append(Reading(meant_words, told, tuple((_in_words(way), truths(way)) for way in ways)))
        return found

    def gaps(self, world: World, context: EvaluationContext) -> tuple[ReferenceGap, ...]:
        value, scheme = world[self.name], context.vocabularies[self.vocabulary]
        terms = sorted(value) if isinstance(value, frozenset) else (value,)
        unknown = (term for term in terms if isinstance(term, str) and term not in scheme.concepts)
        return tuple(ReferenceGap(self.name, self.vocabulary, term, "term") for term in unknown)

    def words(self, labels: Labels) -> str:
        if labels.attributes[self.name].many:
            return self._among(labels, "with-among")
        return labels.say("clause-of-text", name=labels.name(self.name), value=self._kind(labels))

    def words_negated(self, labels: Labels) -> str:
        if labels.attributes[self.name].many:
            return self._among(labels, "without-among")
        return Leaf.words_negated(self, labels)

    def _among(self, labels: Labels, phrase: str) -> str:
        return labels.say(phrase, kind=self._kind(labels), name=labels.name(self.name))

    def _kind(self, labels: Labels) -> str:
        label, scheme = labels.concept(self.vocabulary, self.term), labels.vocabularies[self.vocabulary]
        return labels.say("any-kind-of", term=label) if scheme.below.get(self.term) else labels.speech.thing(label)

    def attributive(self, labels: Labels) -> str | None:
        return self.words(labels) if labels.attributes[self.name].many else None

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        label, scheme = labels.concept(self.vocabulary, self.term), labels.vocabularies[self.vocabulary]
        is_kind, many = bool(scheme.below.get(self.term)), labels.attributes[self.name].many
        if many:
            return f"{'with' if holds else 'without'} {f'a kind of {label}' if is_kind else labels.speech.thing(label)}"
        if is_kind:
            return f"{'a' if holds else 'no'} kind of {label}"
        return labels.speech.thing(label) if holds else f"not {labels.speech.thing(label)}"


def _in_words(tops: frozenset[str]) -> str:
    return " and ".join(sorted(tops)) or "any other"


@_clause
class Defunct(Leaf):
    """The issuer ended before today; undecided if no date is known."""

    name: str
    vocabulary: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        value = world[self.name]
        if value is NONE:
            return NO
        concept = context.vocabularies[self.vocabulary].concepts.get(value) if isinstance(value, str) else None
        if concept is None or (concept.ended is None and not concept.current):
            return UNDECIDED
        return as_verdict(concept.ended is not None and concept.ended < context.today)

    def cuts(self) -> tuple[Cut, ...]:
        return (EachConcept(self.name, self.vocabulary),)

    def readings(self, alike: Sequence[Self], world: World, context: EvaluationContext) -> list[Reading] | None:
        """Either all of them hold or none does: they ask the same of one issuer."""
        ways = ("an issuer that has ended", YES), ("an issuer that still exists", NO)
        told: Mapping[Leaf, Verdict] = dict.fromkeys(alike, UNDECIDED)
        return [Reading(None, told, tuple((words, dict.fromkeys(alike, way)) for words, way in ways))]

    def gaps(self, world: World, context: EvaluationContext) -> tuple[ReferenceGap, ...]:
        issuer = world[self.name]
        if not isinstance(issuer, str) or self.holds(world, context) is not UNDECIDED:
            return ()
        is_known = issuer in context.vocabularies[self.vocabulary].concepts
        return (ReferenceGap(self.name, self.vocabulary, issuer, "end date" if is_known else "term"),)

    def words(self, labels: Labels) -> str:
        return labels.say("ended", name=labels.name(self.name))

    def value_words(self, labels: Labels, *, holds: bool) -> str:
        return "an issuer that has ended" if holds else "an issuer that still exists"

    @property
    def depends_on_today(self) -> bool:
        return True


@_clause
class Always(Leaf):
    """TRUE or FALSE written in a rule."""

    truth: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", NO_ATTRIBUTES)

    def holds(self, world: World, context: EvaluationContext) -> Verdict:
        return as_verdict(self.truth)

    def cuts(self) -> tuple[Cut, ...]:
        return ()

    def words(self, labels: Labels) -> str:
        return labels.say("anything" if self.truth else "nothing")


# --- the tree ----------------------------------------------------------------------------------------------------


@_clause
class And(_Compound):
    items: tuple[Predicate, ...]
    at: str = field(default="", compare=False)


@_clause
class Or(_Compound):
    items: tuple[Predicate, ...]
    at: str = field(default="", compare=False)


@_clause
class Not(_Compound):
    item: Predicate
    at: str = field(default="", compare=False)


Predicate = And | Or | Not | Leaf


_COMPOUND = (And, Or, Not)


def leaves(predicate: Predicate) -> tuple[Leaf, ...]:
    """Every leaf from left to right, once for each of its occurrences."""
    if not isinstance(predicate, _COMPOUND):
        return (predicate,)
    try:
        return predicate._leaves
    except AttributeError:
        found = tuple(_leaves_of(predicate))
        object.__setattr__(predicate, "_leaves", found)
        return found


def _leaves_of(predicate: Predicate) -> Iterator[Leaf]:
    waiting: list[Predicate] = [predicate]
    while waiting:
        node = waiting.pop()
        if isinstance(node, And | Or):
            waiting.extend(reversed(node.items))
        elif isinstance(node, Not):
            waiting.append(node.item)
        else:
            yield node


def reads(predicate: Predicate) -> frozenset[str]:
    """Every attribute that the rule reads."""
    if not isinstance(predicate, _COMPOUND):
        return predicate.reads
    try:
        return predicate._reads
    except AttributeError:
        found = frozenset[str]().union(*(leaf.reads for leaf in _leaves_of(predicate)))
        object.__setattr__(predicate, "_reads", found)
        return found


def is_settled_by_values(predicate: Predicate) -> bool:
    """Whether every clause is decided once all that it reads is known: none asks a vocabulary or calculates."""
    return all(type(leaf).gaps is Leaf.gaps and not leaf.is_calculated for leaf in leaves(predicate))


def kleene_verdict(predicate: Predicate, of: Callable[[Leaf], Verdict]) -> Verdict:
    """Kleene's verdict of the tree from the verdicts of its leaves. Recursive: the depth of rules is limited."""
    if not isinstance(predicate, _COMPOUND):
        return of(predicate)
    if isinstance(predicate, Not):
        return negation(kleene_verdict(predicate.item, of))
    decides, answer = (NO, YES) if isinstance(predicate, And) else (YES, NO)
    for item in predicate.items:
        verdict = kleene_verdict(item, of) if isinstance(item, _COMPOUND) else of(item)
        if verdict is decides:
            return verdict
        if verdict is UNDECIDED:
            answer = verdict
    return answer


def with_known(predicate: Predicate, known: Mapping[Leaf, Verdict]) -> Predicate | Verdict:
    """The tree without the leaves of which the verdict is known (yes or no), or the verdict that follows from these alone:
    Kleene's verdict of it is that of the whole tree, whatever the other leaves are."""
    if not isinstance(predicate, _COMPOUND):
        return known.get(predicate, predicate)
    if isinstance(predicate, Not):
        item = with_known(predicate.item, known)
        return negation(item) if isinstance(item, Verdict) else Not(item)
    decides, answer = (NO, YES) if isinstance(predicate, And) else (YES, NO)
    left: list[Predicate] = []
    for part in predicate.items:
        item = with_known(part, known)
        if item is decides:
            return decides
        if not isinstance(item, Verdict):
            left.append(item)
    if not left:
        return answer
    return left[0] if len(left) == 1 else And(tuple(left)) if isinstance(predicate, And) else Or(tuple(left))


def verdict_in(predicate: Predicate, world: World, context: EvaluationContext) -> Verdict:
    """The verdict in one world."""
    return kleene_verdict(predicate, lambda leaf: leaf.holds(world, context))


def all_of(*predicates: Predicate | None) -> Predicate:
    """All of them together; None stands for a rule that is left out."""
    items = tuple(item for item in predicates if item is not None)
    return items[0] if len(items) == 1 else And(items)

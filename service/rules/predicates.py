"""The immutable tree of a rule, after its names and types have been checked.

A leaf says for one *world* (every attribute it reads has one value) whether it holds. Most leaves answer yes or no;
`narrower` and `defunct` may stay undecided where the value itself does not say (a bird may be a kiwi).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from operator import eq, ge, gt, le, lt, ne
from typing import Any, Protocol

from service.facts.knowledge import NONE, Number, Value, exact
from service.facts.truth import NO, UNDECIDED, YES, Verdict, claim, every, opposite, some
from service.facts.vocabulary import Vocabulary
from service.rules.text import accent_free, case_free, fits_pattern

World = Mapping[str, Value]
NOTHING: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class EvaluationContext:
    """What a rule may ask besides the coin: the day it is, the concept schemes, and whether none compares as the
    standard's NULL (for the abstract tests of OGC 21-065r2 only)."""

    today: date
    vocabularies: Mapping[str, Vocabulary] = field(default_factory=dict)
    none_as_null: bool = False


# --- terms: what is compared -------------------------------------------------------------------------------------


class Term(Protocol):
    @property
    def reads(self) -> frozenset[str]: ...

    def value(self, world: World) -> Value: ...


@dataclass(frozen=True, slots=True)
class Ref:
    """The value of an attribute."""

    name: str
    reads: frozenset[str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def value(self, world: World) -> Value:
        return world[self.name]


@dataclass(frozen=True, slots=True)
class Const:
    """A value written in the rule."""

    constant: Value
    reads: frozenset[str] = field(default=NOTHING, init=False, repr=False, compare=False)

    def value(self, world: World) -> Value:
        return self.constant


@dataclass(frozen=True, slots=True)
class Count:
    """How many values a many-valued attribute has."""

    name: str
    reads: frozenset[str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def value(self, world: World) -> Value:
        values = world[self.name]
        return len(values) if isinstance(values, frozenset) else NONE


FOLDS: dict[str, Callable[[str], str]] = {"casei": case_free, "accenti": accent_free}


@dataclass(frozen=True, slots=True)
class Folded:
    """A text without its case (`casei`) or its accents (`accenti`)."""

    fold: str
    inner: Term
    reads: frozenset[str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.inner.reads)

    def value(self, world: World) -> Value:
        text = self.inner.value(world)
        return FOLDS[self.fold](text) if isinstance(text, str) else NONE


@dataclass(frozen=True, slots=True)
class Arithmetic:
    """Exact arithmetic. Dividing by nought, or a power past 64, gives no value, so that comparisons with it are `no`."""

    op: str
    left: Term
    right: Term
    reads: frozenset[str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def value(self, world: World) -> Value:
        left, right = self.left.value(world), self.right.value(world)
        if not isinstance(left, int | Fraction) or not isinstance(right, int | Fraction):
            return NONE
        return calculate(self.op, left, right)


def calculate(op: str, left: Number, right: Number) -> Value:
    """One exact step of arithmetic; `div` and `%` cut towards nought, as SQL's do."""
    if op == "+":
        return exact(left + right)
    if op == "-":
        return exact(left - right)
    if op == "*":
        return exact(left * right)
    if op == "^":
        return _power(left, right)
    if right == 0:
        return NONE
    quotient = Fraction(left) / Fraction(right)
    if op == "/":
        return exact(quotient)
    whole = int(quotient)
    return whole if op == "div" else exact(left - right * whole)


def _power(base: Number, exponent: Number) -> Value:
    if not isinstance(exponent, int) or abs(exponent) > 64 or not -(10**20) <= base <= 10**20 or base == 0 > exponent:
        return NONE
    power = Fraction(1)
    for _ in range(abs(exponent)):
        power *= base
    return exact(power if exponent >= 0 else 1 / power)


# --- leaves ------------------------------------------------------------------------------------------------------

COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {"=": eq, "<>": ne, "<": lt, "<=": le, ">": gt, ">=": ge}


def _compared(op: str, left: Value, right: Value, around: EvaluationContext) -> Verdict:
    """Known to be none compares as `no`, whatever the operator (rules.md section 2)."""
    if left is NONE or right is NONE:
        return UNDECIDED if around.none_as_null else NO
    return claim(COMPARISONS[op](left, right))


class Leaf(Protocol):
    @property
    def reads(self) -> frozenset[str]: ...

    @property
    def at(self) -> str: ...

    def holds(self, world: World, around: EvaluationContext) -> Verdict: ...


@dataclass(frozen=True, slots=True)
class _Reading:
    reads: frozenset[str] = field(init=False, repr=False, compare=False)
    at: str = field(default="", kw_only=True, compare=False)


@dataclass(frozen=True, slots=True)
class Comparison(_Reading):
    op: str
    left: Term
    right: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        return _compared(self.op, self.left.value(world), self.right.value(world), around)


@dataclass(frozen=True, slots=True)
class Within(_Reading):
    """`between`: from low to high, both included."""

    term: Term
    low: Term
    high: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads | self.low.reads | self.high.reads)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        value = self.term.value(world)
        lower = _compared(">=", value, self.low.value(world), around)
        return every((lower, _compared("<=", value, self.high.value(world), around)))


@dataclass(frozen=True, slots=True)
class OneOf(_Reading):
    """`in`: an or of equalities."""

    term: Term
    items: tuple[Term, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads.union(*(item.reads for item in self.items)))

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        value = self.term.value(world)
        return some(_compared("=", value, item.value(world), around) for item in self.items)


@dataclass(frozen=True, slots=True)
class Like(_Reading):
    """% is any run of characters, _ any one, \\ takes the next as it stands."""

    term: Term
    pattern: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        value = self.term.value(world)
        if not isinstance(value, str):
            return UNDECIDED if around.none_as_null else NO
        return claim(fits_pattern(value, self.pattern))


@dataclass(frozen=True, slots=True)
class IsNull(_Reading):
    """Known to be none."""

    term: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.term.reads)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        return claim(self.term.value(world) is NONE)


SETS: dict[str, Callable[[frozenset[str], frozenset[str]], bool]] = {
    "a_contains": lambda left, right: left >= right,
    "a_containedBy": lambda left, right: left <= right,
    "a_overlaps": lambda left, right: not left.isdisjoint(right),
    "a_equals": lambda left, right: left == right,
}


@dataclass(frozen=True, slots=True)
class SetComparison(_Reading):
    """The standard's array functions, on many-valued attributes as sets."""

    op: str
    left: Term
    right: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        left, right = self.left.value(world), self.right.value(world)
        if not isinstance(left, frozenset) or not isinstance(right, frozenset):
            return UNDECIDED if around.none_as_null else NO
        return claim(SETS[self.op](left, right))


@dataclass(frozen=True, slots=True)
class Narrower(_Reading):
    """The value, or any of the values, is the term or stands below it; one that stands above leaves it undecided, and so
    does one that shares a narrower term with it: where griffins are birds and beasts, a bird may be a beast."""

    name: str
    term: str
    vocabulary: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        value = world[self.name]
        if value is NONE:
            return NO
        terms = value if isinstance(value, frozenset) else (value,)
        scheme = around.vocabularies[self.vocabulary]
        if any(scheme.is_at_or_below(term, self.term) for term in terms if isinstance(term, str)):
            return YES
        wanted = {self.term, *scheme.below.get(self.term, NOTHING)}
        may_be = any(isinstance(term, str) and not wanted.isdisjoint(scheme.below.get(term, NOTHING)) for term in terms)
        return UNDECIDED if may_be else NO


@dataclass(frozen=True, slots=True)
class Defunct(_Reading):
    """The issuer ended before today; with no date known it is undecided."""

    name: str
    vocabulary: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        value = world[self.name]
        if value is NONE:
            return NO
        concept = around.vocabularies[self.vocabulary].concepts.get(value) if isinstance(value, str) else None
        if concept is None or (concept.ended is None and not concept.current):
            return UNDECIDED
        return claim(concept.ended is not None and concept.ended < around.today)


@dataclass(frozen=True, slots=True)
class Always(_Reading):
    """TRUE or FALSE written in a rule."""

    truth: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", NOTHING)

    def holds(self, world: World, around: EvaluationContext) -> Verdict:
        return claim(self.truth)


# --- the tree ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class And:
    items: tuple[Predicate, ...]
    at: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Or:
    items: tuple[Predicate, ...]
    at: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Not:
    item: Predicate
    at: str = field(default="", compare=False)


AnyLeaf = Comparison | Within | OneOf | Like | IsNull | SetComparison | Narrower | Defunct | Always
Predicate = And | Or | Not | AnyLeaf


def leaves(predicate: Predicate) -> list[AnyLeaf]:
    """Every leaf, once for each place where it stands, from left to right."""
    found: list[AnyLeaf] = []
    waiting: list[Predicate] = [predicate]
    while waiting:
        node = waiting.pop()
        if isinstance(node, And | Or):
            waiting.extend(reversed(node.items))
        elif isinstance(node, Not):
            waiting.append(node.item)
        else:
            found.append(node)
    return found


def reads(predicate: Predicate) -> frozenset[str]:
    """Every attribute that the rule reads."""
    return frozenset().union(*(leaf.reads for leaf in leaves(predicate)))


def judge(predicate: Predicate, of: Callable[[AnyLeaf], Verdict]) -> Verdict:
    """Kleene's verdict of the tree from the verdicts of its leaves. Depth is bounded by the limit on rules."""
    if isinstance(predicate, And):
        return every(judge(item, of) for item in predicate.items)
    if isinstance(predicate, Or):
        return some(judge(item, of) for item in predicate.items)
    if isinstance(predicate, Not):
        return opposite(judge(predicate.item, of))
    return of(predicate)


def holds_in(predicate: Predicate, world: World, around: EvaluationContext) -> Verdict:
    """The verdict in one world."""
    return judge(predicate, lambda leaf: leaf.holds(world, around))


def both(*predicates: Predicate | None) -> Predicate:
    """All of them together; those that are None are left out."""
    items = tuple(item for item in predicates if item is not None)
    return items[0] if len(items) == 1 else And(items)

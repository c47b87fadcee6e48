"""Terms: the values that a clause compares. Each class carries its value in a world, its words, and its linear form.

A *world* gives every attribute one value. `plain` in the methods below are the attributes whose value is known, by name.
A new function that gives a value is one class here and one entry in operators.py; what a class leaves out (`linear`,
`bare`) makes clauses about it undecided where its attributes are unknown, never wrong.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from service.facts.knowledge import NONE, Number, Value, exact
from service.rules.labels import Labels
from service.rules.text import FOLDS

World = Mapping[str, Value]
Linear = tuple[Mapping[str, Fraction], Fraction]
"""A sum of attributes times numbers, plus a number."""
NO_ATTRIBUTES: frozenset[str] = frozenset()
ZERO: Linear = ({}, Fraction(0))


@dataclass(frozen=True, slots=True)
class Term(ABC):
    """`reads` are the attributes on which the value depends."""

    reads: frozenset[str] = field(init=False, repr=False, compare=False)

    @abstractmethod
    def value(self, world: World) -> Value:
        """The value in a world that has every attribute of `reads`; NONE if there is none."""

    @abstractmethod
    def words(self, labels: Labels) -> str:
        """The term inside a sentence."""

    @property
    def bare(self) -> tuple[tuple[str, ...], str] | None:
        """For an attribute itself, or a folded one: the folds from the inside out, and the attribute."""
        return None

    @property
    def counts(self) -> str | None:
        """The many-valued attribute whose values the term counts."""
        return None

    @property
    def is_calculated(self) -> bool:
        """Whether the term is arithmetic, which may have no regions that can be listed."""
        return False

    def linear(self, plain: World) -> Linear | None:
        """The linear form, with known values put in. None: the term has no value, is no number, or is not linear."""
        return _constant(self.value(plain)) if self.reads <= plain.keys() else None

    def is_none(self, plain: World) -> bool:
        """Whether the term has no value in any world."""
        return self.reads <= plain.keys() and self.value(plain) is NONE


def _constant(value: Value) -> Linear | None:
    return ({}, Fraction(value)) if isinstance(value, int | Fraction) else None


@dataclass(frozen=True, slots=True)
class Ref(Term):
    """The value of an attribute."""

    name: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def value(self, world: World) -> Value:
        return world[self.name]

    def words(self, labels: Labels) -> str:
        return labels.name(self.name)

    @property
    def bare(self) -> tuple[tuple[str, ...], str] | None:
        return (), self.name

    def linear(self, plain: World) -> Linear | None:
        return _constant(plain[self.name]) if self.name in plain else ({self.name: Fraction(1)}, Fraction(0))


@dataclass(frozen=True, slots=True)
class Const(Term):
    """A value written in the rule."""

    constant: Value

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", NO_ATTRIBUTES)

    def value(self, world: World) -> Value:
        return self.constant

    def words(self, labels: Labels) -> str:
        return labels.plain(self.constant)


@dataclass(frozen=True, slots=True)
class Count(Term):
    """The number of values of a many-valued attribute."""

    name: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", frozenset((self.name,)))

    def value(self, world: World) -> Value:
        values = world[self.name]
        return len(values) if isinstance(values, frozenset) else NONE

    def words(self, labels: Labels) -> str:
        return labels.say("number-of", name=labels.name(self.name))

    @property
    def counts(self) -> str | None:
        return self.name


@dataclass(frozen=True, slots=True)
class Folded(Term):
    """A text without its case (`casei`) or its accents (`accenti`)."""

    fold: str
    inner: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.inner.reads)

    def value(self, world: World) -> Value:
        text = self.inner.value(world)
        return FOLDS[self.fold](text) if isinstance(text, str) else NONE

    def words(self, labels: Labels) -> str:
        return self.inner.words(labels)

    @property
    def bare(self) -> tuple[tuple[str, ...], str] | None:
        inner = self.inner.bare
        return None if inner is None else ((*inner[0], self.fold), inner[1])


@dataclass(frozen=True, slots=True)
class Arithmetic(Term):
    """Exact arithmetic. Division by zero, or a power above 64, has no value, so that comparisons with it are `no`."""

    op: str
    left: Term
    right: Term

    def __post_init__(self) -> None:
        object.__setattr__(self, "reads", self.left.reads | self.right.reads)

    def value(self, world: World) -> Value:
        left, right = self.left.value(world), self.right.value(world)
        if not isinstance(left, int | Fraction) or not isinstance(right, int | Fraction):
            return NONE
        return calculate(self.op, left, right)

    def words(self, labels: Labels) -> str:
        return f"({self.left.words(labels)} {self.op} {self.right.words(labels)})"

    @property
    def is_calculated(self) -> bool:
        return True

    def linear(self, plain: World) -> Linear | None:
        left, right = self.left.linear(plain), self.right.linear(plain)
        if left is None or right is None:
            return None
        if self.op in ("+", "-"):
            return added(left, right, 1 if self.op == "+" else -1)
        if self.op == "*" and (not left[0] or not right[0]):
            return _scaled(right, left[1]) if not left[0] else _scaled(left, right[1])
        if self.op == "/" and not right[0] and right[1] != 0:
            return _scaled(left, 1 / right[1])
        if not left[0] and not right[0]:
            return _constant(calculate(self.op, exact(left[1]), exact(right[1])))
        return None

    def is_none(self, plain: World) -> bool:
        if self.left.is_none(plain) or self.right.is_none(plain):
            return True
        if self.op in ("/", "%", "div") and self.right.linear(plain) == ZERO:
            return True
        return self.reads <= plain.keys() and self.value(plain) is NONE


def added(left: Linear, right: Linear, sign: int) -> Linear:
    """left + sign * right."""
    names = left[0].keys() | right[0].keys()
    summed = {name: left[0].get(name, Fraction(0)) + sign * right[0].get(name, Fraction(0)) for name in names}
    return {name: factor for name, factor in summed.items() if factor}, left[1] + sign * right[1]


def _scaled(form: Linear, factor: Fraction) -> Linear:
    return {name: number * factor for name, number in form[0].items() if factor}, form[1] * factor


def calculate(op: str, left: Number, right: Number) -> Value:
    """One exact step of arithmetic; `div` and `%` truncate towards zero, as in SQL. NONE if there is no result."""
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

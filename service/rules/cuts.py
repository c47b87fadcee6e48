"""Cuts: how a clause divides the values of its attributes into regions within which its answer stays the same.

This is the closed list that partitions.py can work out. A leaf describes itself by them (`Leaf.cuts`); one that cannot
gives none, and stays undecided wherever its attributes are not known.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.terms import Term


@dataclass(frozen=True, slots=True)
class Compared:
    """The answer changes where the two terms are equal, or pass each other in their order."""

    left: Term
    right: Term

    @property
    def reads(self) -> frozenset[str]:
        return self.left.reads | self.right.reads


@dataclass(frozen=True, slots=True)
class Patterned:
    """The answer depends on whether a text fits a LIKE pattern."""

    term: Term
    pattern: str

    @property
    def reads(self) -> frozenset[str]:
        return self.term.reads


@dataclass(frozen=True, slots=True)
class AskedForNone:
    """The answer depends on whether the term has a value at all: "known to be none" is then a world of its attributes."""

    term: Term

    @property
    def reads(self) -> frozenset[str]:
        return self.term.reads


@dataclass(frozen=True, slots=True)
class SetsCompared:
    """The answer depends on which of the terms of one set are in the other."""

    left: Term
    right: Term

    @property
    def reads(self) -> frozenset[str]:
        return self.left.reads | self.right.reads


@dataclass(frozen=True, slots=True)
class Below:
    """The answer depends on whether the value, or one of the values, is the term or below it in the vocabulary."""

    name: str
    term: str
    vocabulary: str

    @property
    def reads(self) -> frozenset[str]:
        return frozenset((self.name,))


@dataclass(frozen=True, slots=True)
class EachConcept:
    """The answer may be another one for each concept of the vocabulary."""

    name: str
    vocabulary: str

    @property
    def reads(self) -> frozenset[str]:
        return frozenset((self.name,))


Cut = Compared | Patterned | AskedForNone | SetsCompared | Below | EachConcept

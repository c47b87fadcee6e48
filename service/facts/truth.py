"""yes, no and undecided: strong Kleene logic (S. C. Kleene, Introduction to Metamathematics, 1952, section 64)."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum
from typing import NoReturn


class Verdict(Enum):
    """Whether something holds. Undecided has a name; it is never None."""

    YES = "yes"
    NO = "no"
    UNDECIDED = "undecided"

    # Verdicts are keys of many tables: as quick as any object, where an enum hashes its name.
    __hash__ = object.__hash__

    def __bool__(self) -> NoReturn:
        raise TypeError("a verdict is one of three: compare it with Verdict.YES, NO or UNDECIDED")


YES, NO, UNDECIDED = Verdict.YES, Verdict.NO, Verdict.UNDECIDED


def as_verdict(holds: bool) -> Verdict:
    """The verdict of something that is known."""
    return YES if holds else NO


def negation(verdict: Verdict) -> Verdict:
    """NOT: undecided stays undecided."""
    if verdict is UNDECIDED:
        return UNDECIDED
    return NO if verdict is YES else YES


def conjunction(verdicts: Iterable[Verdict]) -> Verdict:
    """AND: one `no` decides; of nothing it is `yes`."""
    answer = YES
    for verdict in verdicts:
        if verdict is NO:
            return NO
        if verdict is UNDECIDED:
            answer = UNDECIDED
    return answer


def disjunction(verdicts: Iterable[Verdict]) -> Verdict:
    """OR: one `yes` decides; of nothing it is `no`."""
    answer = NO
    for verdict in verdicts:
        if verdict is YES:
            return YES
        if verdict is UNDECIDED:
            answer = UNDECIDED
    return answer

"""Common clauses judged for all dictionary entries of a column at once, by an index instead of entry by entry.

A clause that is an interval (comparisons with constants, and ands of them) is looked up by the ranks of its ends among
the ends of all entries; equality and IN with texts by the entries that contain each text. Every other clause is left to
the exact evaluator. Marks are three bits for each entry: CERTAIN, DECLARED, POSSIBLE as in `service.evaluation.columns`.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from datetime import date
from fractions import Fraction
from math import ceil, floor
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Among, Between, Knowledge
from service.rules.predicates import And, Comparison, Leaf, Predicate, Within
from service.rules.terms import Const, Ref

Marks = npt.NDArray[np.uint8]
CERTAIN, DECLARED, POSSIBLE = 1, 2, 4
_YES_MARKS, _DOUBT_MARKS = CERTAIN | DECLARED | POSSIBLE, DECLARED | POSSIBLE

_FLIPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<=", "=": "="}


class Interval(NamedTuple):
    """From `low` to `high`, None for no bound. `above` and `below`: the end itself does not belong to it."""

    low: Any = None
    above: bool = False
    high: Any = None
    below: bool = False

    def meet(self, other: Interval) -> Interval:
        """The intersection."""
        low, above = _inner(self.low, self.above, other.low, other.above, max)
        high, below = _inner(self.high, self.below, other.high, other.below, min)
        return Interval(low, above, high, below)

    @property
    def is_empty(self) -> bool:
        """Whether no value lies in it."""
        if self.low is None or self.high is None:
            return False
        return bool(self.low > self.high or (self.low == self.high and (self.above or self.below)))

    def whole(self) -> Interval:
        """The same whole numbers as a closed interval."""
        low = self.low if self.low is None else (floor(self.low) + 1 if self.above else ceil(self.low))
        high = self.high if self.high is None else (ceil(self.high) - 1 if self.below else floor(self.high))
        return Interval(low, False, high, False)


def _inner(end: Any, open_end: bool, other: Any, open_other: bool, inner: Any) -> tuple[Any, bool]:
    if end is None or other is None:
        return (other, open_other) if end is None else (end, open_end)
    if end == other:
        return end, open_end or open_other
    return (end, open_end) if inner(end, other) == end else (other, open_other)


def interval_of(predicate: Predicate) -> Interval | None:
    """The clause as an interval of its attribute; None when it is not one."""
    if isinstance(predicate, And):
        found = Interval()
        for item in predicate.items:
            part = interval_of(item)
            if part is None:
                return None
            found = found.meet(part)
        return found
    if isinstance(predicate, Within) and isinstance(predicate.term, Ref):
        if isinstance(predicate.low, Const) and isinstance(predicate.high, Const):
            low, high = predicate.low.constant, predicate.high.constant
            return Interval(low, False, high, False) if _is_ordered(low) and _is_ordered(high) else None
        return None
    if isinstance(predicate, Comparison):
        left, op, right = predicate.left, predicate.op, predicate.right
        if isinstance(left, Const):
            left, op, right = right, _FLIPPED.get(op, ""), left
        if isinstance(left, Ref) and isinstance(right, Const) and _is_ordered(right.constant):
            return _half_line(op, right.constant)
    return None


def _half_line(op: str, end: Any) -> Interval | None:
    if op in ("<", "<="):
        return Interval(high=end, below=op == "<")
    if op in (">", ">="):
        return Interval(low=end, above=op == ">")
    return Interval(end, False, end, False) if op == "=" else None


def _is_ordered(value: Any) -> bool:
    return isinstance(value, int | Fraction | date) and not isinstance(value, bool)


def texts_of(predicate: Predicate) -> tuple[str, ...] | None:
    """The texts, one of which the attribute of the clause must equal; None if the clause says something else."""
    found = predicate.equal_texts if isinstance(predicate, Leaf) else None
    return None if found is None else found[1]


class IntervalIndex:
    """The entries of an ordered column by the ranks of their ends in `line`, sorted. Rank -1 is unbounded below, rank
    len(line) unbounded above. A range recorded with one end ends at the attribute's own bound on the other side, where it
    has one.

    `low`, `high`: the ranks of an entry's ends, shape (entries,). `is_none`: the entries known to be none. `mixed`: the
    entries with several values, whose ranks are in `values` (-2 for none) from position `first` on.
    """

    def __init__(self, entries: Sequence[Knowledge | None], attribute: Attribute) -> None:
        bounds = [bound for bound in (attribute.low, attribute.high) if bound is not None]
        self.line = sorted({*bounds, *(end for entry in entries for end in _ends(entry))})
        rank = {end: at for at, end in enumerate(self.line)}
        count = len(entries)
        self.low = np.full(count, -1, np.int32)
        self.high = np.full(count, len(self.line), np.int32)
        self.is_none = np.zeros(count, bool)
        mixed: list[int] = []
        values: list[int] = []
        first: list[int] = []
        for code, entry in enumerate(entries):
            if isinstance(entry, Between):
                low = attribute.low if entry.low is None else entry.low
                high = attribute.high if entry.high is None else entry.high
                self.low[code] = -1 if low is None else rank[low]
                self.high[code] = len(self.line) if high is None else rank[high]
            elif isinstance(entry, Among) and entry.is_plain:
                self.is_none[code] = entry.values[0] is NONE
                if entry.values[0] is not NONE:
                    self.low[code] = self.high[code] = rank[entry.values[0]]
            elif isinstance(entry, Among):
                mixed.append(code)
                first.append(len(values))
                values.extend(-2 if value is NONE else rank[value] for value in entry.values)
        self.mixed, self.first = np.array(mixed, np.int64), np.array(first, np.int64)
        self.values = np.array(values, np.int32)

    def marks(self, intervals: Sequence[Interval], attribute: Attribute) -> Marks:
        """The marks of every entry for each interval, shape (intervals, entries); entry 0, nothing recorded, may be anything
        within the attribute's bounds."""
        if attribute.type == "integer":
            intervals = [interval.whole() for interval in intervals]
        ranks = np.array([self._ranks(interval) for interval in intervals], np.int32).reshape(-1, 2)
        low, high = ranks[:, :1], ranks[:, 1:]
        inside = (self.low >= low) & (self.high <= high)
        touches = (self.high >= low) & (self.low <= high)
        marks = (inside.view(np.uint8) * np.uint8(_YES_MARKS)) | (touches.view(np.uint8) * np.uint8(_DOUBT_MARKS))
        marks[:, self.is_none] = 0
        if len(self.mixed):
            held = (self.values >= low) & (self.values <= high)
            every = np.logical_and.reduceat(held, self.first, axis=1)
            some = np.logical_or.reduceat(held, self.first, axis=1)
            marks[:, self.mixed] = np.where(every, _YES_MARKS, np.where(some, _DOUBT_MARKS, 0))
        marks[:, 0] = [_unrecorded(interval, attribute) for interval in intervals]
        marks[np.fromiter((interval.is_empty for interval in intervals), bool, len(intervals))] = 0
        return marks

    def _ranks(self, interval: Interval) -> tuple[int, int]:
        """The first and the last rank in the interval; an unbounded end lies beyond the line."""
        low, high = -1, len(self.line)
        if interval.low is not None:
            low = (bisect_right if interval.above else bisect_left)(self.line, interval.low)
        if interval.high is not None:
            high = (bisect_left if interval.below else bisect_right)(self.line, interval.high) - 1
        return low, high


def _ends(entry: Knowledge | None) -> Iterator[Any]:
    if isinstance(entry, Among):
        yield from (value for value in entry.values if value is not NONE)
    elif isinstance(entry, Between):
        yield from (end for end in (entry.low, entry.high) if end is not None)


def _unrecorded(interval: Interval, attribute: Attribute) -> int:
    low, above, high, below = interval
    least, most = attribute.low, attribute.high
    if most is not None and low is not None and (low > most or (above and low == most)):
        return 0
    if least is not None and high is not None and (high < least or (below and high == least)):
        return 0
    covers = _reaches(low, above, least, 1) and _reaches(high, below, most, -1)
    return _YES_MARKS if covers else POSSIBLE


def _reaches(end: Any, is_open: bool, bound: int | None, sign: int) -> bool:
    if end is None:
        return True
    if bound is None:
        return False
    return bool(end * sign < bound * sign or (end == bound and not is_open))


class TextIndex:
    """The entries of a text column by the texts that they may be: `entries_with[text]`; `sizes` is the number of values
    of each entry."""

    def __init__(self, entries: Sequence[Knowledge | None]) -> None:
        self.sizes = np.zeros(len(entries), np.int64)
        self.entries_with: dict[str, list[int]] = {}
        for code, entry in enumerate(entries):
            if isinstance(entry, Among):
                self.sizes[code] = len(entry.values)
                for value in entry.values:
                    if isinstance(value, str):
                        self.entries_with.setdefault(value, []).append(code)

    def marks(self, texts: Sequence[str]) -> Marks:
        """The marks of every entry for being one of the texts, shape (entries,); entry 0 may be anything."""
        marks = np.zeros(len(self.sizes), np.uint8)
        if len(texts) == 1:
            held = self.entries_with.get(texts[0], [])
            marks[held] = np.where(self.sizes[held] == 1, _YES_MARKS, _DOUBT_MARKS)
        else:
            count = np.zeros(len(self.sizes), np.int64)
            for text in set(texts):
                count[self.entries_with.get(text, [])] += 1
            marks[count > 0] = _DOUBT_MARKS
            marks[(count > 0) & (count == self.sizes)] = _YES_MARKS
        marks[0] = POSSIBLE
        return marks


def can_be_ranked(attribute: Attribute) -> bool:
    """Whether IntervalIndex serves the attribute: numbers with one value. Dates and timestamps are left to the exact
    evaluator, which knows their bounds."""
    return attribute.is_number and not attribute.many


class Dictionary:
    """The entries of a column, and their indexes, made when they are first asked for."""

    __slots__ = ("_intervals", "_texts", "entries")

    def __init__(self, entries: Sequence[Knowledge | None]) -> None:
        self.entries = tuple(entries)
        self._intervals: tuple[Attribute, IntervalIndex] | None = None
        self._texts: TextIndex | None = None

    def __len__(self) -> int:
        return len(self.entries)

    def intervals(self, attribute: Attribute) -> IntervalIndex:
        """The index for intervals of the attribute."""
        if self._intervals is None or self._intervals[0] is not attribute:
            self._intervals = attribute, IntervalIndex(self.entries, attribute)
        return self._intervals[1]

    def texts(self) -> TextIndex:
        """The index for texts."""
        if self._texts is None:
            self._texts = TextIndex(self.entries)
        return self._texts

"""The rows that many rules select, found together: what conjunctions share is judged once, and each further operand only on
the rows that are left.

Conjunctions are put into a tree, the operands that many share and few rows pass first, so that a way from the root is a
conjunction and its rows become fewer with each step. All clauses about one attribute that follow the same way are judged
together: their marks for each dictionary entry are a small table, and the rows look theirs up by their codes. Where many
clauses each select few rows, the rows are sorted by their codes instead and each clause takes its slices. Time: the rows that
are left at each step, and those that are found. Among few rows every operand is judged on all of them, without a tree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from service.evaluation.clauses import Plan
from service.evaluation.column_index import CERTAIN, DECLARED, POSSIBLE, Marks

Rows = npt.NDArray[np.intp]
EVERY_MARK = CERTAIN | DECLARED | POSSIBLE

_MOST_CELLS = 1 << 19
"""Clauses times rows that are looked up at once: half a megabyte of marks."""
_BRANCH = 20_000
"""What a branch of the tree costs beside its rows: as much as so many look-ups."""
FEW_ROWS = 8_192
"""Up to so many rows conjunctions are judged one by one over all of them..."""
MOST_MARKS = 1 << 24
"""... where their operands have no more marks than that, in bytes."""
_SORTED_FROM = 32
"""From so many clauses about one attribute on sorting the rows by their codes pays..."""
_SPARSE = 16
"""... where they select less than one row in so many."""


class Selection(NamedTuple):
    """Rows, ascending, that may fit, and their marks, none of them 0; shapes (rows,)."""

    rows: Rows
    marks: Marks


class Judge(Protocol):
    """What selecting needs of the columns."""

    def attribute_of(self, clause: int) -> str | None:
        """The one attribute that a clause reads, None where it reads several, or none."""

    def codes_at(self, name: str, rows: Rows | None) -> Rows:
        """The codes of these rows (all of them for None) in the column of an attribute."""

    def table(self, name: str, clauses: Iterable[Plan]) -> Marks:
        """The marks of clauses about an attribute for the entries of its column; shape (clauses, entries)."""

    def marks_at(self, plan: Plan, rows: Rows | None) -> Marks:
        """The marks of any plan for these rows, or for all."""


class Branch:
    """A node of the tree: the conjunctions that `end` here, and the next operands: `following[name]` are clauses about that one
    attribute, `following[None]` all others."""

    __slots__ = ("ends", "following")

    def __init__(self) -> None:
        self.ends: list[int] = []
        self.following: dict[str | None, dict[Plan, Branch]] = {}


Piece = tuple[Sequence[int], npt.NDArray[np.int64], Selection]
"""The numbers of some conjunctions, how many rows each selects, and their rows one after the other."""

Tell = Callable[[Sequence[int], npt.NDArray[np.int64], Selection], None]
"""Takes a piece."""


def tree_of(conjunctions: Sequence[Sequence[Plan]], passing: Mapping[Plan, float], rows: int, judge: Judge) -> Branch:
    """The conjunctions, numbered as they come, as a tree. `passing` has the share of rows that pass an operand, where it is
    known.

    Of two operands that are shared by f and g of R conjunctions, together by about f g / R, and are passed by shares s and t
    of N rows, the first comes first where (N + V) / f + (V + s N) R / (f g) is less than the same the other way round: a
    look-up of each row, the rows left for the other, and V for each branch. That orders by s R N / (N + V) - f.
    """
    shared = Counter(operand for conjunction in conjunctions for operand in conjunction)
    weight = len(conjunctions) * rows / (rows + _BRANCH)
    cost = {operand: passing.get(operand, 1.0) * weight - count for operand, count in shared.items()}
    # Operands in their order have ascending places, so that a conjunction is sorted by numbers.
    order = {operand: place for place, operand in enumerate(sorted(shared, key=cost.__getitem__))}
    named = {operand: judge.attribute_of(operand) if isinstance(operand, int) else None for operand in shared}
    root = Branch()
    for number, conjunction in enumerate(conjunctions):
        at = root
        for operand in sorted(conjunction, key=order.__getitem__):
            name = named[operand]
            beside = at.following.get(name)
            if beside is None:
                beside = at.following[name] = {}
            branch = beside.get(operand)
            if branch is None:
                branch = beside[operand] = Branch()
            at = branch
        at.ends.append(number)
    return root


def select(branch: Branch, at: Selection, judge: Judge, tell: Tell) -> None:
    """Tells what every conjunction of the tree selects among the rows, in no order; those that select nothing may be left
    out."""
    for number in branch.ends:
        tell([number], np.array([len(at.rows)]), at)
    if not len(at.rows):
        return
    for name, following in branch.following.items():
        if name is None:
            for plan, one in following.items():
                marks = at.marks & judge.marks_at(plan, at.rows)
                left = (marks != 0).nonzero()[0]
                select(one, Selection(at.rows.take(left), marks.take(left)), judge, tell)
            continue
        branches = list(following.values())
        are_last = all(len(one.ends) == 1 and not one.following for one in branches)
        codes = judge.codes_at(name, at.rows)
        for first, positions, marks, bounds in _looked_up(judge.table(name, following), codes, at.marks):
            rows = at.rows.take(positions)
            here = branches[first : first + len(bounds) - 1]
            if are_last:
                tell([one.ends[0] for one in here], bounds[1:] - bounds[:-1], Selection(rows, marks))
                continue
            ends = bounds.tolist()
            for one, start, end in zip(here, ends, ends[1:], strict=False):
                select(one, Selection(rows[start:end], marks[start:end]), judge, tell)


def select_among_few(conjunctions: Sequence[Sequence[Plan]], rows: int, judge: Judge, tell: Tell) -> None:
    """Tells what every conjunction selects among all rows, operand by operand over all of them: for so few rows that the
    branches of a tree cost more than they save, or for one conjunction, whose rows then need no numbers before the end."""
    operands = {operand: at for at, operand in enumerate(dict.fromkeys(chain.from_iterable(conjunctions)))}
    by_attribute: dict[str, list[int]] = {}
    marks = np.full((len(operands) + 1, rows), EVERY_MARK, np.uint8)
    for operand, at in operands.items():
        name = judge.attribute_of(operand) if isinstance(operand, int) else None
        if name is None:
            marks[at] = judge.marks_at(operand, None)
        else:
            by_attribute.setdefault(name, []).append(at)
    known = list(operands)
    for name, places in by_attribute.items():
        table = judge.table(name, [known[at] for at in places])
        marks[places] = table.take(judge.codes_at(name, None), axis=1)
    longest = max(map(len, conjunctions))
    # The last line of the marks, which changes nothing, fills up the shorter conjunctions.
    lines = np.full((len(conjunctions), longest), len(operands))
    for number, conjunction in enumerate(conjunctions):
        lines[number, : len(conjunction)] = [operands[operand] for operand in conjunction]
    step = max(1, _MOST_CELLS // 2 // rows)
    for first in range(0, len(conjunctions), step):
        here = lines[first : first + step]
        cells = marks.take(here[:, 0], axis=0)
        for at in range(1, longest):
            cells &= marks.take(here[:, at], axis=0)
        cells = cells.reshape(-1)
        flat = (cells != 0).nonzero()[0]
        ends = np.arange(0, (len(here) + 1) * rows, rows)
        bounds = flat.searchsorted(ends)
        lengths = bounds[1:] - bounds[:-1]
        selection = Selection(flat - ends[:-1].repeat(lengths), cells.take(flat))
        tell(range(first, first + len(here)), lengths, selection)


_Looked = tuple[int, Rows, Marks, npt.NDArray[np.int64]]


def _looked_up(table: Marks, codes: Rows, marks: Marks) -> Iterator[_Looked]:
    """For some clauses at a time, from `first` on: the positions of the rows that they select, ascending for each, with their
    marks, and where those of each clause begin and end."""
    clauses, rows = len(table), len(codes)
    if clauses >= _SORTED_FROM and rows >= _SORTED_FROM:
        sizes = np.bincount(codes, minlength=table.shape[1])
        if _SPARSE * int((table != 0).sum(axis=0) @ sizes) < clauses * rows:
            yield from _sorted_slices(table, codes, marks, sizes)
            return
    step = max(1, _MOST_CELLS // rows)
    for first in range(0, clauses, step):
        cells = table[first : first + step].take(codes, axis=1)
        cells &= marks
        count = len(cells)
        cells = cells.reshape(-1)
        flat = (cells != 0).nonzero()[0]
        found = cells.take(flat)
        ends = np.arange(0, (count + 1) * rows, rows)
        bounds = flat.searchsorted(ends)
        if count > 1:
            flat -= ends[:-1].repeat(bounds[1:] - bounds[:-1])
        yield first, flat, found, bounds


def _sorted_slices(table: Marks, codes: Rows, marks: Marks, sizes: npt.NDArray[np.int64]) -> Iterator[_Looked]:
    """The same by slices of the rows sorted by their codes; `sizes` has the number of rows of each code."""
    order = codes.astype(np.min_scalar_type(table.shape[1])).argsort(kind="stable")
    starts = np.cumsum(sizes) - sizes
    clause, entry = np.nonzero((table != 0) & (sizes != 0))
    lengths = sizes[entry]
    most = max(_MOST_CELLS // 8, int(lengths.max(initial=0)))
    ends = np.cumsum(lengths)
    first = 0
    while first < len(table):
        # As many clauses as stay below the limit, at least one.
        begin = int(np.searchsorted(clause, first))
        base = int(ends[begin - 1]) if begin else 0
        stop = int(np.searchsorted(ends, base + most, side="right"))
        last = len(table) if stop == len(clause) else max(int(clause[stop]), first + 1)
        stop = int(np.searchsorted(clause, last))
        here = slice(begin, stop)
        total = int(lengths[here].sum())
        offsets = np.repeat(starts[entry[here]] - (ends[here] - lengths[here] - base), lengths[here])
        positions = order.take(offsets + np.arange(total))
        found = np.repeat(table[clause[here], entry[here]], lengths[here]) & marks.take(positions)
        # Clause, position and marks in one number: sorted by clause, then by position.
        keys = (np.repeat(clause[here] - first, lengths[here]) * len(codes) + positions) * 8 + found
        keys = np.sort(keys[found != 0])
        cells = keys >> 3
        bounds = cells.searchsorted(np.arange(last - first + 1) * len(codes))
        positions = cells - np.repeat(np.arange(last - first) * len(codes), np.diff(bounds))
        yield first, positions, (keys & 7).astype(np.uint8), bounds
        first = last


def together(pieces: Sequence[Piece]) -> Piece:
    """All pieces as one."""
    if not pieces:
        return [], np.empty(0, np.int64), Selection(np.empty(0, np.intp), np.empty(0, np.uint8))
    if len(pieces) == 1:
        return pieces[0]
    return (
        [number for numbers, _, _ in pieces for number in numbers],
        np.concatenate([lengths for _, lengths, _ in pieces]),
        Selection(
            np.concatenate([selection.rows for _, _, selection in pieces]),
            np.concatenate([selection.marks for _, _, selection in pieces]),
        ),
    )


def union(selections: Sequence[Selection]) -> Selection:
    """The rows of any of them, at least one, with the marks of an or."""
    selections = [one for one in selections if len(one.rows)] or selections[:1]
    if len(selections) == 1:
        return selections[0]
    rows = np.concatenate([selection.rows for selection in selections])
    order = rows.argsort(kind="stable")
    rows = rows[order]
    first = np.flatnonzero(np.concatenate(([True], rows[1:] != rows[:-1])))
    marks = np.concatenate([selection.marks for selection in selections])[order]
    return Selection(rows[first], np.bitwise_or.reduceat(marks, first))

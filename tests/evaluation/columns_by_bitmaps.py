"""The reference of the columns: for each clause and each rule three packed bitmaps over all coins, one bit for each coin, and
every clause judged by the exact evaluator for each dictionary entry. What a single clause is worth there (`judged_marks`) is the
service's own: it is held against an enumeration of all worlds in test_columns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.evaluation.attribute_column import AttributeColumn
from service.evaluation.clause_marks import judged_marks, marks_of
from service.evaluation.clauses import Plan, Plans
from service.evaluation.column_index import CERTAIN, DECLARED, POSSIBLE
from service.evaluation.columns import FittingRows
from service.evaluation.verdicts import (
    ALTERNATIVES,
    REFERENCE,
    UNKNOWN,
    doubt_of,
    judged_with_doubt,
)
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Among, Knowledge, Subsets
from service.rules.predicates import EvaluationContext, Leaf, Predicate, leaves, reads, verdict_in

Bits = npt.NDArray[np.uint8]
Codes = npt.NDArray[np.int64]
_NO_ROWS: Codes = np.empty(0, np.int64)


@dataclass(frozen=True, slots=True)
class Node:
    """Three packed bitmaps, shape (coins / 8 rounded up,)."""

    certain: Bits
    declared: Bits
    possible: Bits


class Columns:
    """The columns of one collection, and what was evaluated on them so far. A row is one view of one coin: there are `rows` of
    them, and `column_of` gives the column of an attribute, asked once for each. `attributes` has every attribute that a rule
    reads."""

    def __init__(
        self,
        rows: int,
        column_of: Callable[[str], AttributeColumn],
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
    ) -> None:
        self.rows, self._column_of, self.attributes, self.context = rows, column_of, attributes, context
        self._columns: dict[str, AttributeColumn] = {}
        self._nodes: dict[Plan, Node] = {}
        self._gaps: dict[Leaf, npt.NDArray[np.bool_]] = {}
        self.plans = Plans()

    def column(self, name: str) -> AttributeColumn:
        """The column of an attribute."""
        found = self._columns.get(name)
        if found is None:
            found = self._columns[name] = self._column_of(name)
        return found

    def fits(self, predicate: Predicate) -> FittingRows:
        """The rows that fit the rule or may fit it. Exact, within the budgets of `service.evaluation.verdicts`."""
        plan, is_read_once = self.plans.of(predicate)
        node = self._all_possible if plan is None else self._node(plan)
        if is_read_once and plan is not None:
            return self._with_gaps(predicate, self._as_rows(node))
        return self._with_gaps(predicate, self._judged_exactly(predicate, node))

    def fails(self, predicate: Predicate) -> npt.NDArray[np.bool_]:
        """For every row whether it fails the rule for certain, as far as Kleene's logic over its clauses tells; shape
        (rows,)."""
        plan, _ = self.plans.of(predicate)
        if plan is None:
            fits = self._judged_exactly(predicate, self._all_possible)
            failed = np.ones(self.rows, bool)
            for rows in (fits.certain, *fits.doubtful().values()):
                failed[rows] = False
            return failed
        return np.unpackbits(~self._node(plan).possible, count=self.rows).astype(bool)

    def count(self, predicate: Predicate) -> tuple[int, int]:
        """How many rows fit for certain, and how many possibly."""
        plan, is_read_once = self.plans.of(predicate)
        node = self._all_possible if plan is None else self._node(plan)
        if is_read_once and plan is not None:
            return _ones(node.certain), _ones(node.possible)
        fits = self._judged_exactly(predicate, node)
        return len(fits.certain), len(fits.certain) + sum(map(len, fits.doubtful().values()))

    def in_like_doubt(self, predicate: Predicate, rows: Codes) -> tuple[Codes, Codes]:
        """Rows that may fit the rule, put together where nothing that leaves it in doubt differs: the same clauses hold and
        fail, and what is known of all that the others read is the same. Returns one row of each kind, and for every row the
        number of its kind; shapes (kinds,) and (rows,)."""
        columns, is_open = [], dict[str, npt.NDArray[np.bool_]]()
        for leaf in dict.fromkeys(leaves(predicate)):
            plan, _ = self.plans.of(leaf)
            node = self._all_possible if plan is None else self._node(plan)
            certain, possible = _bits_at(node.certain, rows), _bits_at(node.possible, rows)
            columns.append(certain + possible)
            for name in leaf.reads:
                is_open[name] = is_open.get(name, np.zeros(len(rows), bool)) | (certain != possible)
        for name, here in sorted(is_open.items()):
            columns.append(np.where(here, self.column(name).codes[rows], -1))
        table = np.stack(columns, axis=1) if columns else np.zeros((len(rows), 1), np.int64)
        _, first, kind = np.unique(table, axis=0, return_index=True, return_inverse=True)
        return rows[first], kind.reshape(-1)

    @property
    def _all_possible(self) -> Node:
        """Every coin may fit, none for certain."""
        nothing = np.zeros((self.rows + 7) // 8, np.uint8)
        return Node(nothing, nothing, ~nothing)

    # -- bitmaps

    def _node(self, plan: Plan) -> Node:
        node = self._nodes.get(plan)
        if node is None:
            node = self._clause(self.plans.clauses[plan]) if isinstance(plan, int) else self._joined(plan)
            self._nodes[plan] = node
        return node

    def _joined(self, plan: tuple[bool, tuple[Plan, ...]]) -> Node:
        is_and, parts = plan
        join = np.bitwise_and if is_and else np.bitwise_or
        first, *others = [self._node(part) for part in parts]
        certain, declared, possible = first.certain, first.declared, first.possible
        for other in others:
            certain = join(certain, other.certain)
            declared = join(declared, other.declared)
            possible = join(possible, other.possible)
        return Node(certain, declared, possible)

    def _clause(self, predicate: Predicate) -> Node:
        names = sorted(reads(predicate))
        if not names:
            marks = marks_of(verdict_in(predicate, {}, self.context), recorded=True)
            return _packed(np.full(self.rows, marks, np.uint8))

        def judge(known: Mapping[str, Knowledge | None]) -> int:
            return judged_marks(predicate, known, self.attributes, self.context)

        if len(names) == 1:
            column = self.column(names[0])
            table = np.fromiter((judge({names[0]: entry}) for entry in column.entries), np.uint8, len(column.entries))
            return _packed(table[column.codes])
        return _packed(self._marks_by_combination(names, None, judge))

    def _marks_by_combination(
        self, names: Sequence[str], rows: Codes | None, judge: Callable[[Mapping[str, Knowledge | None]], int]
    ) -> npt.NDArray[np.uint8]:
        """The marks of the rows (all of them for None), judged once for each distinct combination of what is known of
        these attributes."""
        columns = [self.column(name) for name in names]
        table = np.stack([column.codes if rows is None else column.codes[rows] for column in columns], axis=1)
        combinations, of_row = np.unique(table, axis=0, return_inverse=True)
        marks = np.fromiter(
            (
                judge({n: c.entries[code] for n, c, code in zip(names, columns, combination, strict=True)})
                for combination in combinations.tolist()
            ),
            np.uint8,
            len(combinations),
        )
        return marks[of_row.reshape(-1)]

    # -- back to rows

    def _as_rows(self, node: Node) -> FittingRows:
        doubtful = node.possible & ~node.certain
        return FittingRows(
            self._rows_of(node.certain),
            self._rows_of(doubtful & node.declared),
            self._rows_of(doubtful & ~node.declared),
            _NO_ROWS,
        )

    def _rows_of(self, bits: Bits) -> Codes:
        # Most rules fit few coins: only the bytes with a bit set are unpacked.
        held = np.flatnonzero(bits)
        if len(held) == 0:
            return held
        inside = np.unpackbits(bits[held][:, np.newaxis], axis=1)
        byte, bit = np.nonzero(inside)
        rows = held[byte] * 8 + bit
        return rows[rows < self.rows]

    def _judged_exactly(self, predicate: Predicate, node: Node) -> FittingRows:
        """For a rule that is not read once: what Kleene's logic leaves undecided is judged exactly."""
        certain = self._rows_of(node.certain)
        open_rows = self._rows_of(node.possible & ~node.certain)
        if len(open_rows) == 0:
            return FittingRows(certain, open_rows, open_rows, _NO_ROWS)
        names = sorted(reads(predicate))
        marks = self._marks_by_combination(names, open_rows, lambda known: self._exactly(predicate, known))
        return FittingRows(
            np.union1d(certain, open_rows[marks & CERTAIN != 0]),
            open_rows[marks == DECLARED | POSSIBLE],
            open_rows[marks == POSSIBLE],
            _NO_ROWS,
        )

    def _with_gaps(self, predicate: Predicate, fits: FittingRows) -> FittingRows:
        """The same with the rows in doubt judged exactly as to what the doubt rests on, where the vocabularies do not say
        enough of what is recorded."""
        open_rows = np.union1d(fits.alternatives, fits.unknown)
        has_gap = np.zeros(len(open_rows), bool)
        for leaf in dict.fromkeys(leaves(predicate)) if len(open_rows) else ():
            if len(leaf.reads) == 1 and type(leaf).gaps is not Leaf.gaps:
                name = next(iter(leaf.reads))
                has_gap |= self._gaps_of(leaf, name)[self.column(name).codes[open_rows]]
        rows = open_rows[has_gap]
        if len(rows) == 0:
            return fits
        names = sorted(reads(predicate))
        numbers = {ALTERNATIVES: 1, UNKNOWN: 2, REFERENCE: 3}

        def judge(known: Mapping[str, Knowledge | None]) -> int:
            view = View({name: knowledge for name, knowledge in known.items() if knowledge is not None})
            return numbers[doubt_of(predicate, (view,), self.attributes, self.context)]

        doubts = self._marks_by_combination(names, rows, judge)
        return FittingRows(
            fits.certain,
            np.union1d(np.setdiff1d(fits.alternatives, rows), rows[doubts == numbers[ALTERNATIVES]]),
            np.union1d(np.setdiff1d(fits.unknown, rows), rows[doubts == numbers[UNKNOWN]]),
            rows[doubts == numbers[REFERENCE]],
        )

    def _gaps_of(self, leaf: Leaf, name: str) -> npt.NDArray[np.bool_]:
        """For each entry of the column whether the vocabulary does not say enough of a value that it may have."""
        found = self._gaps.get(leaf)
        if found is not None:
            return found

        def has_gap(entry: Knowledge | None) -> bool:
            values = entry.values if isinstance(entry, Among) else ()
            if isinstance(entry, Subsets):
                values = (entry.every,)
            return any(leaf.gaps({name: value}, self.context) for value in values)

        entries = self.column(name).entries
        found = self._gaps[leaf] = np.fromiter((has_gap(entry) for entry in entries), bool, len(entries))
        return found

    def _exactly(self, predicate: Predicate, known: Mapping[str, Knowledge | None]) -> int:
        view = View({name: knowledge for name, knowledge in known.items() if knowledge is not None})
        judgement, doubt = judged_with_doubt(predicate, (view,), self.attributes, self.context)
        return marks_of(judgement.verdict, recorded=doubt != UNKNOWN)


def _packed(marks: npt.NDArray[np.uint8]) -> Node:
    return Node(np.packbits(marks & CERTAIN), np.packbits(marks & DECLARED), np.packbits(marks & POSSIBLE))


def _bits_at(bits: Bits, rows: Codes) -> Codes:
    found: Codes = (bits[rows >> 3] >> (7 - (rows & 7)).astype(np.uint8)).astype(np.int64) & 1
    return found


def _ones(bits: Bits) -> int:
    return int(np.bitwise_count(bits).sum())

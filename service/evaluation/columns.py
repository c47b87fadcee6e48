"""All coins against all rules at once: columns of what is known, and the rows that each rule selects.

Each attribute is a dictionary-encoded column (`service.evaluation.attribute_column`). A rule is split into clauses
(`service.evaluation.clauses`), and each clause is judged once for each dictionary entry, which gives it three marks
(`service.evaluation.clause_marks`). Marks are joined with Kleene's logic: an `and` or `or` of rules is one of their marks. The
rules of a definition are judged together, so that what they share is judged once (`service.evaluation.selection`).

Where the rule is read once this is exact; otherwise the coins left undecided go through the exact evaluator, once for each
distinct combination of the facts that the rule reads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
import numpy.typing as npt

from service.evaluation import selection as selection_module
from service.evaluation.attribute_column import AttributeColumn, column_of
from service.evaluation.clause_marks import ClauseMarks, judged_marks, marks_of
from service.evaluation.clauses import Plan, Plans, conjunctions_of
from service.evaluation.column_index import CERTAIN, DECLARED, POSSIBLE, Marks
from service.evaluation.grouping import grouped
from service.evaluation.selection import (
    EVERY_MARK,
    Piece,
    Rows,
    Selection,
    Tell,
    select,
    select_among_few,
    together,
    tree_of,
    union,
)
from service.evaluation.verdicts import (
    ALTERNATIVES,
    REFERENCE,
    UNKNOWN,
    Doubt,
    doubt_of,
    judged_with_doubt,
)
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Among, Knowledge, Subsets
from service.rules.predicates import EvaluationContext, Leaf, Predicate, leaves, reads

_NO_ROWS: Rows = np.empty(0, np.intp)
_MOST_MARKS = 1 << 26
"""Bytes of marks of clauses for all rows that are kept."""
_MOST_GATHERED = 1 << 20
"""Rows that are gathered before they are counted."""
_SAMPLE = 4_096
"""Rows by which the share that passes a clause is estimated."""


@dataclass(frozen=True, slots=True)
class FittingRows:
    """The rows that fit one rule (`certain`), and those that may fit it, by what the doubt rests on: declared
    `alternatives`, `unknown` facts, or what the `reference` data do not say. Row numbers, ascending."""

    certain: Rows
    alternatives: Rows
    unknown: Rows
    reference: Rows

    def doubtful(self) -> dict[Doubt, Rows]:
        """The rows that may fit, by what the doubt rests on."""
        return {ALTERNATIVES: self.alternatives, UNKNOWN: self.unknown, REFERENCE: self.reference}


_NOTHING = FittingRows(_NO_ROWS, _NO_ROWS, _NO_ROWS, _NO_ROWS)


class Columns:
    """The columns of one collection, and what was evaluated on them so far. A row is one view of one coin: there are `rows` of
    them, and `column_of` gives the column of an attribute, asked once for each. `attributes` has every attribute that a rule
    reads. `plans` may be those of other columns: they hold for any collection.

    Many rules cost least when they are announced together (`prepare`).
    """

    def __init__(
        self,
        rows: int,
        column_of: Callable[[str], AttributeColumn],
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
        plans: Plans | None = None,
    ) -> None:
        self.rows, self._column_of, self.attributes, self.context = rows, column_of, attributes, context
        self.plans = Plans() if plans is None else plans
        self._columns: dict[str, AttributeColumn] = {}
        self._clause_marks: dict[str, ClauseMarks] = {}
        self._marks_of_all: dict[int, Marks] = {}
        self._selected: dict[Plan, FittingRows] = {}
        self._fits: dict[int, tuple[Predicate, FittingRows]] = {}
        self._gaps: dict[Leaf, npt.NDArray[np.bool_]] = {}

    def column(self, name: str) -> AttributeColumn:
        """The column of an attribute."""
        found = self._columns.get(name)
        if found is None:
            found = self._columns[name] = self._column_of(name)
        return found

    def prepare(self, predicates: Iterable[Predicate]) -> None:
        """Selects the rows of all these rules together. Memory: 9 bytes for each row that may fit a rule."""
        plans = {plan: None for predicate in predicates if (plan := self.plans.of(predicate)[0]) is not None}
        self._select([plan for plan in plans if plan not in self._selected])

    def fits(self, predicate: Predicate) -> FittingRows:
        """The rows that fit the rule or may fit it. Exact, within the budgets of `service.evaluation.verdicts`."""
        known = self._fits.get(id(predicate))
        if known is None:
            # The rule is kept, so that its id is not reused.
            known = self._fits[id(predicate)] = predicate, self._fitting(predicate)
        return known[1]

    def fails(self, predicate: Predicate, rows: Rows | None = None) -> npt.NDArray[np.bool_]:
        """For each of the rows (all of them for None) whether it fails the rule for certain, as far as Kleene's logic over its
        clauses tells; shape (rows,)."""
        plan, _ = self.plans.of(predicate)
        if plan is not None:
            return np.asarray(self.marks_at(plan, rows) == 0)
        fits = self.fits(predicate)
        failed = np.ones(self.rows, bool)
        for fitting in (fits.certain, *fits.doubtful().values()):
            failed[fitting] = False
        return failed if rows is None else failed[rows]

    def count(self, predicate: Predicate) -> tuple[int, int]:
        """How many rows fit for certain, and how many possibly."""
        certain, possible = self.counts([predicate])
        return int(certain[0]), int(possible[0])

    def counts(self, predicates: Sequence[Predicate]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """How many rows fit each rule for certain, and how many possibly; shapes (rules,). The rows themselves are not kept, so
        that memory does not grow with them."""
        certain, possible = np.zeros(len(predicates), np.int64), np.zeros(len(predicates), np.int64)
        of_plan: dict[Plan, int] = {}
        streamed: list[tuple[int, int]] = []
        for number, predicate in enumerate(predicates):
            plan, is_read_once = self.plans.of(predicate)
            if plan is None or not is_read_once or len(conjunctions_of(plan)) > 1:
                fits = self.fits(predicate)
                certain[number] = len(fits.certain)
                possible[number] = len(fits.certain) + sum(map(len, fits.doubtful().values()))
            else:
                streamed.append((number, of_plan.setdefault(plan, len(of_plan))))
        counter = _Counter(len(of_plan))
        self._tell([conjunctions_of(plan)[0] for plan in of_plan], counter.tell)
        if streamed:
            numbers, plans = np.array(streamed).T
            certain[numbers], possible[numbers] = counter.counts()[:, plans]
        return certain, possible

    def in_like_doubt(self, predicate: Predicate, rows: Rows) -> tuple[Rows, Rows]:
        """Rows that may fit the rule, put together where nothing that leaves it in doubt differs: the same clauses hold and
        fail, and what is known of all that the others read is the same. Returns one row of each kind, and for every row the
        number of its kind; shapes (kinds,) and (rows,)."""
        if len(rows) == 1:
            return rows, np.zeros(1, np.intp)
        columns, is_open = [], dict[str, npt.NDArray[np.bool_]]()
        for leaf in dict.fromkeys(leaves(predicate)):
            plan, _ = self.plans.of(leaf)
            marks = np.full(len(rows), POSSIBLE, np.uint8) if plan is None else self.marks_at(plan, rows)
            certain, possible = (marks & CERTAIN).astype(np.int64), (marks != 0).astype(np.int64)
            columns.append(certain + possible)
            for name in leaf.reads:
                is_open[name] = is_open.get(name, np.zeros(len(rows), bool)) | (certain != possible)
        for name, here in sorted(is_open.items()):
            # Codes from 1 on, and 0 where the attribute leaves nothing in doubt.
            columns.append(np.where(here, self.codes_at(name, rows) + 1, 0))
        first, kind = grouped(columns, len(rows))
        return rows[first], kind

    # -- what selecting needs (selection.Judge)

    def attribute_of(self, clause: int) -> str | None:
        """The one attribute that a clause reads, None where it reads several, or none."""
        return self.plans.attributes[clause]

    def codes_at(self, name: str, rows: Rows | None) -> Rows:
        """The codes of these rows in the column of an attribute."""
        codes = self.column(name).codes
        taken = codes if rows is None or len(rows) == self.rows else codes.take(rows)
        return taken.astype(np.intp)

    def table(self, name: str, clauses: Iterable[Plan]) -> Marks:
        """The marks of clauses about an attribute for the entries of its column; shape (clauses, entries)."""
        marks = self._clause_marks.get(name)
        if marks is None:
            dictionary = self.column(name).dictionary
            marks = self._clause_marks[name] = ClauseMarks(name, dictionary, self.attributes, self.context)
        known = self.plans.clauses
        return marks.of({clause: known[clause] for clause in clauses if isinstance(clause, int)})

    def marks_at(self, plan: Plan, rows: Rows | None) -> Marks:
        """The marks of any plan for these rows, ascending and each once, or for all; shape (rows,)."""
        if isinstance(plan, int):
            if rows is None:
                return self._marks_of_every_row(plan)
            if 2 * len(rows) >= self.rows:
                return self._marks_of_every_row(plan)[rows]
            return self._marks_of_clause(plan, rows)
        is_and, parts = plan
        join = np.bitwise_and if is_and else np.bitwise_or
        return reduce(join, (self.marks_at(part, rows) for part in parts))

    # -- marks

    def _marks_of_every_row(self, clause: int) -> Marks:
        found = self._marks_of_all.get(clause)
        if found is None:
            if (len(self._marks_of_all) + 1) * self.rows > _MOST_MARKS:
                self._marks_of_all.clear()
            found = self._marks_of_all[clause] = self._marks_of_clause(clause, None)
        return found

    def _marks_of_clause(self, clause: int, rows: Rows | None) -> Marks:
        name = self.attribute_of(clause)
        if name is not None:
            marks: Marks = self.table(name, [clause])[0].take(self.codes_at(name, rows))
            return marks
        predicate = self.plans.clauses[clause]

        def judge(known: Mapping[str, Knowledge | None]) -> int:
            return judged_marks(predicate, known, self.attributes, self.context)

        return self._marks_by_combination(sorted(reads(predicate)), rows, judge)

    def _marks_by_combination(
        self, names: Sequence[str], rows: Rows | None, judge: Callable[[Mapping[str, Knowledge | None]], int]
    ) -> Marks:
        """The marks of the rows (all of them for None), judged once for each distinct combination of what is known of
        these attributes."""
        count = self.rows if rows is None else len(rows)
        first, of_row = grouped([self.codes_at(name, rows) for name in names], count)
        columns = [self.column(name) for name in names]
        marks = (
            judge({name: column.entries[column.codes[row]] for name, column in zip(names, columns, strict=True)})
            for row in (first if rows is None else rows[first]).tolist()
        )
        return np.fromiter(marks, np.uint8, len(first)).take(of_row)

    # -- selections

    def _select(self, plans: Sequence[Plan]) -> None:
        """Remembers the rows that these plans select."""
        conjunctions = [(plan, one) for plan in plans for one in conjunctions_of(plan)]
        pieces: list[Piece] = []
        self._tell([one for _, one in conjunctions], lambda *piece: pieces.append(piece))
        self._selected |= dict.fromkeys(plans, _NOTHING)
        numbers, lengths, selection = together(pieces)
        several: dict[Plan, list[Selection]] = {}
        for number, fits, found in zip(numbers, *_split(lengths, selection), strict=True):
            plan = conjunctions[number][0]
            if len(conjunctions_of(plan)) == 1:
                self._selected[plan] = fits
            else:
                several.setdefault(plan, []).append(found)
        for plan, selections in several.items():
            united = union(selections)
            self._selected[plan] = _split(np.array([len(united.rows)]), united)[0][0]

    def _tell(self, conjunctions: Sequence[Sequence[Plan]], tell: Tell) -> None:
        """Tells what the conjunctions select."""
        if not conjunctions or not self.rows:
            return
        cells = self.rows * sum(map(len, conjunctions))
        is_few = self.rows <= selection_module.FEW_ROWS or self._is_one_of_lookups(conjunctions)
        if is_few and cells <= selection_module.MOST_MARKS:
            select_among_few(conjunctions, self.rows, self, tell)
            return
        every = Selection(np.arange(self.rows), np.full(self.rows, EVERY_MARK, np.uint8))
        select(tree_of(conjunctions, self._passing(conjunctions), self.rows, self), every, self, tell)

    def _is_one_of_lookups(self, conjunctions: Sequence[Sequence[Plan]]) -> bool:
        """Whether there is but one, as of a filter, and each of its operands is looked up by the codes of one attribute."""
        if len(conjunctions) != 1:
            return False
        return all(isinstance(one, int) and self.attribute_of(one) is not None for one in conjunctions[0])

    def _passing(self, conjunctions: Iterable[Iterable[Plan]]) -> dict[Plan, float]:
        """The share of rows that pass each clause about one attribute, by a sample."""
        clauses: dict[str, dict[Plan, None]] = {}
        for conjunction in conjunctions:
            for operand in conjunction:
                name = self.attribute_of(operand) if isinstance(operand, int) else None
                if name is not None:
                    clauses.setdefault(name, {})[operand] = None
        passing: dict[Plan, float] = {}
        for name, here in clauses.items():
            table = self.table(name, here)
            codes = self.column(name).codes[:: 1 + self.rows // _SAMPLE]
            shares = np.bincount(codes, minlength=table.shape[1]).astype(np.float32) / max(1, len(codes))
            passing |= zip(here, ((table != 0) @ shares).tolist(), strict=True)
        return passing

    # -- rows that fit

    def _fitting(self, predicate: Predicate) -> FittingRows:
        plan, is_read_once = self.plans.of(predicate)
        if plan is None:
            # Every coin may fit, none for certain.
            selected = FittingRows(_NO_ROWS, _NO_ROWS, np.arange(self.rows), _NO_ROWS)
        else:
            if plan not in self._selected:
                self._select([plan])
            selected = self._selected[plan]
        return self._with_gaps(
            predicate, selected if is_read_once and plan is not None else self._exact(predicate, selected)
        )

    def _exact(self, predicate: Predicate, fits: FittingRows) -> FittingRows:
        """For a rule that is not read once: what Kleene's logic leaves undecided is judged exactly."""
        open_rows = np.union1d(fits.alternatives, fits.unknown)
        if len(open_rows) == 0:
            return fits

        def judge(known: Mapping[str, Knowledge | None]) -> int:
            view = View({name: knowledge for name, knowledge in known.items() if knowledge is not None})
            judgement, doubt = judged_with_doubt(predicate, (view,), self.attributes, self.context)
            return marks_of(judgement.verdict, recorded=doubt != UNKNOWN)

        marks = self._marks_by_combination(sorted(reads(predicate)), open_rows, judge)
        return FittingRows(
            np.union1d(fits.certain, open_rows[marks & CERTAIN != 0]),
            open_rows[marks == DECLARED | POSSIBLE],
            open_rows[marks == POSSIBLE],
            _NO_ROWS,
        )

    def _with_gaps(self, predicate: Predicate, fits: FittingRows) -> FittingRows:
        """The same with the rows in doubt judged exactly as to what the doubt rests on, where the vocabularies do not say
        enough of what is recorded."""
        if not len(fits.alternatives) and not len(fits.unknown):
            return fits
        asking = [leaf for leaf in leaves(predicate) if type(leaf).gaps is not Leaf.gaps and len(leaf.reads) == 1]
        if not asking:
            return fits
        open_rows = np.union1d(fits.alternatives, fits.unknown)
        has_gap = np.zeros(len(open_rows), bool)
        for leaf in dict.fromkeys(asking):
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


def of_views(rows: Sequence[View], attributes: Mapping[str, Attribute], context: EvaluationContext) -> Columns:
    """The columns of these views; each column is built on first use."""
    return Columns(len(rows), lambda name: column_of(rows, name), attributes, context)


class _Counter:
    """Counts what conjunctions select as it is told, a few rows at a time."""

    def __init__(self, conjunctions: int) -> None:
        self._counts = np.zeros((2, conjunctions), np.int64)
        self._pieces: list[Piece] = []
        self._size = 0

    def tell(self, numbers: Sequence[int], lengths: npt.NDArray[np.int64], selection: Selection) -> None:
        self._pieces.append((numbers, lengths, selection))
        self._size += len(selection.rows)
        if self._size > _MOST_GATHERED:
            self.counts()

    def counts(self) -> npt.NDArray[np.int64]:
        """How many rows each selects for certain, and how many possibly; shape (2, conjunctions)."""
        numbers, lengths, selection = together(self._pieces)
        self._pieces, self._size = [], 0
        self._counts[:, numbers] = _sums(selection.marks & CERTAIN, lengths), lengths
        return self._counts


def _split(lengths: npt.NDArray[np.int64], selection: Selection) -> tuple[list[FittingRows], list[Selection]]:
    """The rows of consecutive stretches of these lengths by what their marks say, and the stretches themselves."""
    rows, marks = selection
    parts = []
    for wanted in (EVERY_MARK, DECLARED | POSSIBLE, POSSIBLE):
        here = marks == wanted
        found = rows[here]
        ends = np.cumsum(_sums(here, lengths)).tolist()
        parts.append([found[start:end] for start, end in zip([0, *ends], ends, strict=False)])
    ends = np.cumsum(lengths).tolist()
    stretches = [Selection(rows[start:end], marks[start:end]) for start, end in zip([0, *ends], ends, strict=False)]
    return [FittingRows(a, b, c, _NO_ROWS) for a, b, c in zip(*parts, strict=True)], stretches


def _sums(numbers: npt.NDArray[np.generic], lengths: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The sums of consecutive stretches of these lengths."""
    ends = np.cumsum(lengths)
    sums = np.concatenate((np.zeros(1, np.int64), np.cumsum(numbers, dtype=np.int64)))
    return np.asarray(sums[ends] - sums[ends - lengths])

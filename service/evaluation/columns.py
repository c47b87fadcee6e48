"""All coins against all rules at once: columns of what is known, and packed bitmaps of what holds.

Each attribute is a dictionary-encoded column: one code a coin, code 0 where nothing is recorded, one dictionary entry for
each distinct thing known (a value, alternatives, a range). A rule is brought to negation normal form; the parts of it that
read one attribute only become one *clause*, which the exact evaluator judges once for each dictionary entry. Each
distinct clause and each distinct subtree is worked out once for the whole definition. A node holds three bitmaps, one bit
a coin:

    certain    it holds in every world (for Kleene: the strong `yes`)
    declared   it holds in every world of the facts that nobody recorded, for some choice of the declared alternatives
    possible   it holds in some world

so that and/or is one numpy call on each. Where no attribute stands in two clauses of a rule (it is *read once*) this is
exact; otherwise the coins that it leaves undecided go through the exact evaluator, once for each distinct combination of
facts that the rule reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.evaluation.column_index import (
    CERTAIN,
    DECLARED,
    POSSIBLE,
    SortedEnds,
    TextIndex,
    can_be_ranked,
    interval_of,
    texts_of,
)
from service.evaluation.verdicts import Case, judge_views, rests_on_unknown
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Among, Knowledge
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.predicates import (
    And,
    EvaluationContext,
    Not,
    Or,
    Predicate,
    holds_in,
    leaves,
    reads,
)

Bits = npt.NDArray[np.uint8]
Codes = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Node:
    """Three packed bitmaps, eight coins a byte."""

    certain: Bits
    declared: Bits
    possible: Bits


@dataclass(frozen=True, slots=True)
class AttributeColumn:
    """`codes[row]` leads to `entries`; entry 0 is None, nothing recorded."""

    codes: Codes
    entries: tuple[Knowledge | None, ...]


@dataclass(frozen=True, slots=True)
class FitBits:
    """How the coins stand to one rule: row numbers of those that fit, and of those that may, by what the doubt rests on."""

    certain: Codes
    alternatives: Codes
    unknown: Codes


def negation_normal_form(predicate: Predicate, *, negated: bool = False) -> Predicate:
    """Negation normal form with nested ands and ors flattened (De Morgan)."""
    if isinstance(predicate, Not):
        return negation_normal_form(predicate.item, negated=not negated)
    if not isinstance(predicate, And | Or):
        return Not(predicate) if negated else predicate
    kind: type[And | Or] = (Or if isinstance(predicate, And) else And) if negated else type(predicate)
    items: list[Predicate] = []
    for item in predicate.items:
        inner = negation_normal_form(item, negated=negated)
        items.extend(inner.items if isinstance(inner, kind) else (inner,))
    return kind(tuple(items))


def grouped_by_attribute(predicate: Predicate) -> Predicate:
    """The children of an and (or an or) that read the same single attribute stand together as one clause."""
    if not isinstance(predicate, And | Or):
        return predicate
    kind = type(predicate)
    groups: dict[frozenset[str] | int, list[Predicate]] = {}
    for place, item in enumerate(map(grouped_by_attribute, predicate.items)):
        names = reads(item)
        groups.setdefault(names if len(names) == 1 else place, []).append(item)
    items = tuple(group[0] if len(group) == 1 else kind(tuple(group)) for group in groups.values())
    return items[0] if len(items) == 1 else kind(items)


def is_clause(predicate: Predicate) -> bool:
    """Whether the exact evaluator judges it as a whole: it reads one attribute at the most, or is a leaf."""
    return not isinstance(predicate, And | Or) or len(reads(predicate)) <= 1


def clauses_of(predicate: Predicate) -> list[Predicate]:
    """The clauses of a gathered rule, once for each place where they stand."""
    if is_clause(predicate):
        return [predicate]
    assert isinstance(predicate, And | Or)
    return [clause for item in predicate.items for clause in clauses_of(item)]


def is_read_once(predicate: Predicate) -> bool:
    """Whether no attribute stands in two clauses: then Kleene logic over the clauses is exact."""
    names = [name for clause in clauses_of(predicate) for name in reads(clause)]
    return len(names) == len(set(names))


Plan = int | tuple[bool, tuple["Plan", ...]]
"""A clause by its number, or (is it an and, its parts)."""


class Plans:
    """Rules made ready: each distinct clause has a number, a rule is a tree of numbers. Good for any collection."""

    def __init__(self) -> None:
        self.clauses: list[Predicate] = []
        self._numbers: dict[Predicate, int] = {}
        self._ready: dict[int, tuple[Predicate, Plan | None, bool]] = {}

    def of(self, predicate: Predicate) -> tuple[Plan | None, bool]:
        """The plan of a rule, and whether it is read once; no plan where clauses by themselves would not do."""
        found = self._ready.get(id(predicate))
        if found is None:
            rule = grouped_by_attribute(negation_normal_form(predicate))
            # The rule itself is kept, so that its id is not given to another.
            plan = None if asks_for_none(rule) else self._plan(rule)
            found = self._ready[id(predicate)] = (predicate, plan, is_read_once(rule))
        return found[1], found[2]

    def _plan(self, rule: Predicate) -> Plan:
        if is_clause(rule):
            number = self._numbers.setdefault(rule, len(self.clauses))
            if number == len(self.clauses):
                self.clauses.append(rule)
            return number
        assert isinstance(rule, And | Or)
        return isinstance(rule, And), tuple(self._plan(item) for item in rule.items)


def asks_for_none(predicate: Predicate) -> bool:
    """Whether IS NULL is asked of an attribute that another clause reads too. It makes "known to be none" a world of the whole
    rule, which a clause by itself does not see: such a rule is judged exactly, coin by coin."""
    asked = {name for leaf in leaves(predicate) if leaf.asks_for_none for name in leaf.reads}
    names = [name for clause in clauses_of(predicate) for name in reads(clause)]
    return any(names.count(name) > 1 for name in asked)


class Columns:
    """The columns of one collection, and the rules worked out on it so far. A row is one view of one coin."""

    def __init__(
        self,
        rows: Sequence[View],
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
    ) -> None:
        self.rows, self.attributes, self.context = rows, attributes, context
        self._columns: dict[str, AttributeColumn] = {}
        self._ends: dict[str, SortedEnds] = {}
        self._texts: dict[str, TextIndex] = {}
        self._nodes: dict[Plan, Node] = {}
        self.plans = Plans()

    def column(self, name: str) -> AttributeColumn:
        """The column of an attribute; made on first use."""
        found = self._columns.get(name)
        if found is None:
            entries: dict[Knowledge | None, int] = {None: 0}
            codes = np.fromiter(
                (entries.setdefault(row.facts.get(name), len(entries)) for row in self.rows), np.int64, len(self.rows)
            )
            found = self._columns[name] = AttributeColumn(codes, tuple(entries))
        return found

    def forgetting(self) -> Columns:
        """The same columns and ready rules, with nothing worked out on them yet."""
        other = Columns(self.rows, self.attributes, self.context)
        other.plans = self.plans
        other._columns, other._ends, other._texts = self._columns, self._ends, self._texts
        return other

    def fits(self, predicate: Predicate) -> FitBits:
        """The rows that fit the rule or may fit it."""
        plan, once = self.plans.of(predicate)
        node = self._unjudged if plan is None else self._node(plan)
        if once and plan is not None:
            return self._as_rows(node)
        return self._settled(predicate, node)

    def fails(self, predicate: Predicate) -> npt.NDArray[np.bool_]:
        """For every row whether it surely fails the rule, as far as Kleene logic over its clauses tells."""
        plan, _ = self.plans.of(predicate)
        if plan is None:
            fits = self._settled(predicate, self._unjudged)
            failed = np.ones(len(self.rows), bool)
            for rows in (fits.certain, fits.alternatives, fits.unknown):
                failed[rows] = False
            return failed
        return np.unpackbits(~self._node(plan).possible, count=len(self.rows)).astype(bool)

    def count(self, predicate: Predicate) -> tuple[int, int]:
        """How many rows fit for certain, and how many possibly."""
        plan, once = self.plans.of(predicate)
        node = self._unjudged if plan is None else self._node(plan)
        if once and plan is not None:
            return _ones(node.certain), _ones(node.possible)
        fits = self._settled(predicate, node)
        return len(fits.certain), len(fits.certain) + len(fits.alternatives) + len(fits.unknown)

    @property
    def _unjudged(self) -> Node:
        """Every coin may fit, none does for certain yet."""
        nothing = np.zeros((len(self.rows) + 7) // 8, np.uint8)
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
            marks = _marks(holds_in(predicate, {}, self.context), recorded=True)
            return _packed(np.full(len(self.rows), marks, np.uint8))
        if len(names) == 1:
            column = self.column(names[0])
            found = self._looked_up(predicate, names[0])
            if found is not None:
                return _packed(found[column.codes])
            table = np.fromiter(
                (self._judged(predicate, {names[0]: entry}) for entry in column.entries), np.uint8, len(column.entries)
            )
            return _packed(table[column.codes])
        combined, kinds = self._combined(names, None)
        columns = [self.column(name) for name in names]
        table = np.fromiter(
            (
                self._judged(predicate, {n: c.entries[code] for n, c, code in zip(names, columns, kind, strict=True)})
                for kind in kinds.tolist()
            ),
            np.uint8,
            len(kinds),
        )
        return _packed(table[combined])

    def _looked_up(self, predicate: Predicate, name: str) -> npt.NDArray[np.uint8] | None:
        """The marks of every entry where the clause has a common shape; None leaves it to the exact evaluator."""
        attribute = self.attributes[name]
        if can_be_ranked(attribute):
            interval = interval_of(predicate)
            if interval is not None:
                if name not in self._ends:
                    self._ends[name] = SortedEnds(self.column(name).entries, attribute)
                return self._ends[name].marks(interval, attribute)
        elif attribute.type == "text" and not attribute.many and not attribute.values:
            texts = texts_of(predicate)
            if texts is not None:
                if name not in self._texts:
                    self._texts[name] = TextIndex(self.column(name).entries)
                return self._texts[name].marks(texts)
        return None

    def _judged(self, predicate: Predicate, known: Mapping[str, Knowledge | None]) -> int:
        """The three marks of a clause for what is known of its attributes."""
        facts = {name: knowledge for name, knowledge in known.items() if knowledge is not None}
        recorded = len(facts) == len(known)
        if recorded and len(facts) == 1:
            marks = self._by_values(predicate, *next(iter(facts.items())))
            if marks is not None:
                return marks
        verdict = Case(predicate, facts, self.attributes, self.context).judge().verdict
        if verdict is UNDECIDED and not recorded and facts:
            # Part of it is recorded: whether the recorded part alone can make it fit is for the exact evaluator to say.
            recorded = not rests_on_unknown(predicate, (View(facts),), self.attributes, self.context)
        return _marks(verdict, recorded=recorded)

    def _by_values(self, predicate: Predicate, name: str, knowledge: Knowledge) -> int | None:
        """The marks from the plain values that the attribute may have; None where that does not tell."""
        if not isinstance(knowledge, Among):
            return None
        seen = {holds_in(predicate, {name: value}, self.context) for value in knowledge.values}
        if UNDECIDED in seen:
            return None
        return _marks(UNDECIDED if len(seen) > 1 else seen.pop(), recorded=True)

    def _combined(self, names: Sequence[str], rows: Codes | None) -> tuple[Codes, Codes]:
        """For the rows (all of them for None) the number of their combination of codes, and the distinct combinations."""
        columns = (self.column(name).codes for name in names)
        table = np.stack([codes if rows is None else codes[rows] for codes in columns], axis=1)
        kinds, inverse = np.unique(table, axis=0, return_inverse=True)
        return inverse.reshape(-1), kinds

    # -- back to rows

    def _as_rows(self, node: Node) -> FitBits:
        doubtful = node.possible & ~node.certain
        return FitBits(
            self._rows_of(node.certain),
            self._rows_of(doubtful & node.declared),
            self._rows_of(doubtful & ~node.declared),
        )

    def _rows_of(self, bits: Bits) -> Codes:
        # Most rules fit few coins: unpack only the bytes that hold any.
        held = np.flatnonzero(bits)
        if len(held) == 0:
            return held
        inside = np.unpackbits(bits[held][:, np.newaxis], axis=1)
        byte, bit = np.nonzero(inside)
        rows = held[byte] * 8 + bit
        return rows[rows < len(self.rows)]

    def _settled(self, predicate: Predicate, node: Node) -> FitBits:
        """The rule is not read once: what Kleene leaves undecided is judged exactly, like facts together."""
        certain = self._rows_of(node.certain)
        open_rows = self._rows_of(node.possible & ~node.certain)
        if len(open_rows) == 0:
            return FitBits(certain, open_rows, open_rows)
        names = sorted(reads(predicate))
        combined, kinds = self._combined(names, open_rows)
        columns = [self.column(name) for name in names]
        marks = np.fromiter(
            (
                self._exactly(predicate, {n: c.entries[code] for n, c, code in zip(names, columns, kind, strict=True)})
                for kind in kinds.tolist()
            ),
            np.uint8,
            len(kinds),
        )[combined]
        return FitBits(
            np.union1d(certain, open_rows[marks & CERTAIN != 0]),
            open_rows[marks == DECLARED | POSSIBLE],
            open_rows[marks == POSSIBLE],
        )

    def _exactly(self, predicate: Predicate, known: Mapping[str, Knowledge | None]) -> int:
        view = View({name: knowledge for name, knowledge in known.items() if knowledge is not None})
        verdict = judge_views(predicate, (view,), self.attributes, self.context).verdict
        if verdict is not UNDECIDED:
            return _marks(verdict, recorded=True)
        return _marks(UNDECIDED, recorded=not rests_on_unknown(predicate, (view,), self.attributes, self.context))


def _marks(verdict: Verdict, *, recorded: bool) -> int:
    if verdict is NO:
        return 0
    if verdict is YES:
        return CERTAIN | DECLARED | POSSIBLE
    return POSSIBLE | (DECLARED if recorded else 0)


def _packed(marks: npt.NDArray[np.uint8]) -> Node:
    return Node(np.packbits(marks & CERTAIN), np.packbits(marks & DECLARED), np.packbits(marks & POSSIBLE))


def _ones(bits: Bits) -> int:
    return int(np.bitwise_count(bits).sum())

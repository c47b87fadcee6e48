"""A rule as a lookup, for readers that do not have the engine: from what is known of each attribute to the truths of the rule's
clauses, and from these, over all worlds, to the verdict. Pure.

The truths are the engine's own: each value, each gap between cut points, "known to be none" and "not recorded" is put to
`service.evaluation.verdicts.Case` when the lookup is made. A rule that no lookup can hold says why (`ask`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product
from math import prod
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType
from msgspec.structs import replace

from service.evaluation.verdicts import Case
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Among, Knowledge, Number, Value, exact, value_as_json
from service.facts.truth import UNDECIDED, YES
from service.rules.cuts import AskedForNone, Below, Compared, EachConcept, SetsCompared
from service.rules.predicates import (
    And,
    Comparison,
    EvaluationContext,
    IsNull,
    Leaf,
    Narrower,
    Not,
    Or,
    Predicate,
    SetComparison,
    leaves,
)
from service.rules.terms import Const, Term

MOST_WORLDS = 4_096
"""With more combinations of truths than this a rule is no lookup."""
_MOST_DIGITS = 15
"""A number of more digits is another one once a browser has read it."""
_MOST_LEFT_OPEN = 6

Reason = Literal[
    "like", "fold", "text-order", "arithmetic", "two-attributes", "timestamp", "digits", "worlds", "regions", "other"
]

# --- what is sent ----------------------------------------------------------------------------------------------------------

_TREE = Meta(
    description="A clause by its number, true or false, or a list: 'and', 'or' or 'not' and then the parts.",
    extra_json_schema={"type": ["integer", "boolean", "array"], "items": {}},
)
_TRUTHS = Meta(description="One letter for each of `leaves`, in their order: y or n.")
_CUT = Meta(extra_json_schema={"type": ["number", "string"]})
_NONE = Meta(description="Of a coin that is known to have none.")
_UNKNOWN = Meta(description="Of a coin of which nothing is recorded.")

Truths = Annotated[str, _TRUTHS]
Ways = list[Truths]


class NumberLookup(Struct, frozen=True, kw_only=True, tag_field="kind", tag="numbers"):
    """Numbers and dates. With n cut points in ascending order there are 2n + 1 regions: below the first, the first itself,
    between the first and the second, and so on; null where the attribute has no value there (no whole number lies between 4
    and 5)."""

    attribute: str
    leaves: list[int]
    cuts: list[Annotated[Any, _CUT]]
    regions: Annotated[list[Truths | None], Meta(description="The truths in each region; null: no value is there.")]
    none: Annotated[Ways, _NONE]
    unknown: Annotated[Ways, _UNKNOWN]


class TermLookup(Struct, frozen=True, kw_only=True, tag_field="kind", tag="terms"):
    """Texts with one value, and yes or no (the texts true and false)."""

    attribute: str
    leaves: list[int]
    terms: Annotated[dict[str, Ways], Meta(description="The truths for these values.")]
    known: Annotated[
        Ways | None, Meta(description="For every other term of the attribute's vocabulary; null: as `other`.")
    ]
    other: Annotated[Ways | None, Meta(description="For every other text; null: there is none.")]
    none: Annotated[Ways, _NONE]
    unknown: Annotated[Ways, _UNKNOWN]


class ListTest(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What one clause asks of a list: all of its members together."""

    all: Annotated[list[str] | UnsetType, Meta(description="Each of these is in the list.")] = UNSET
    any: Annotated[list[str] | UnsetType, Meta(description="One of these or more is in the list.")] = UNSET
    only: Annotated[list[str] | UnsetType, Meta(description="Nothing besides these is in the list.")] = UNSET
    count: Annotated[
        list[str] | UnsetType,
        Meta(description="y or n for a list of no, one, two ... texts; the last one for all longer lists."),
    ] = UNSET
    narrower: Annotated[bool | UnsetType, Meta(description="It is decided by `meanings`.")] = UNSET
    never: Annotated[bool | UnsetType, Meta(description="No list does.")] = UNSET


class ListLookup(Struct, frozen=True, kw_only=True, tag_field="kind", tag="lists"):
    """Lists of texts. `tests` has one entry for each of `leaves`."""

    attribute: str
    leaves: list[int]
    tests: list[ListTest]
    meanings: Annotated[
        dict[str, list[list[int]]],
        Meta(
            description="For the clauses with `narrower`: the term, and for each thing that it may mean the clauses (by their "
            "position in `leaves`) that then hold; of a list one of the things of each term, together. A term that is not "
            "here means none."
        ),
    ]
    none: Annotated[Ways, _NONE]
    unknown: Annotated[Ways, _UNKNOWN]


Lookup = NumberLookup | TermLookup | ListLookup


class RuleLookup(Struct, frozen=True, kw_only=True):
    """One rule. The verdict is yes where the tree is true for every combination of one text of truths from each lookup, no where
    it is true for none, else undecided."""

    reads: Annotated[list[str], Meta(description="The attributes that it reads.")]
    ask: Annotated[Reason | None, Meta(description="Why only the service can tell; then there is no tree.")]
    tree: Annotated[Any, _TREE]
    lookups: list[Lookup]


# --- how it is made --------------------------------------------------------------------------------------------------------


class _NoLookup(Exception):
    """The rule cannot be held by a lookup."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason)
        self.reason = reason


class LookupMaker:
    """Makes lookups of rules with the same attributes and context; what several rules ask alike of an attribute is worked out
    once. `attributes` must have every attribute that they read.

    >>> from datetime import date
    >>> from service.facts.core_attributes import CORE
    >>> from service.rules.cql2.expression import parse
    >>> from service.rules.operators import bind
    >>> rule = bind(parse("year_on_coin < 1900"), CORE, {})
    >>> made = LookupMaker(CORE, EvaluationContext(date(2026, 11, 25))).of(rule)
    >>> made.tree, made.lookups[0].cuts, made.lookups[0].regions, made.lookups[0].unknown
    (0, [1900], ['y', 'n', 'n'], ['n', 'y'])
    """

    def __init__(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> None:
        self._attributes, self._context = attributes, context
        self._known: dict[tuple[str, tuple[Leaf, ...]], Lookup | Reason] = {}

    def of(self, predicate: Predicate) -> RuleLookup:
        """The rule as a lookup, or why it is none (`ask`)."""
        distinct = [leaf for leaf in dict.fromkeys(leaves(predicate)) if leaf.reads]
        read = sorted({name for leaf in distinct for name in leaf.reads})
        try:
            if any(len(leaf.reads) > 1 for leaf in distinct):
                raise _NoLookup("arithmetic" if any(leaf.is_calculated for leaf in distinct) else "two-attributes")
            number_of = {leaf: number for number, leaf in enumerate(distinct)}
            lookups = [self._of_attribute(name, number_of) for name in read]
            if prod(_ways_of(lookup) for lookup in lookups) > MOST_WORLDS:
                raise _NoLookup("worlds")
        except _NoLookup as why:
            return RuleLookup(reads=read, ask=why.reason, tree=False, lookups=[])
        return RuleLookup(reads=read, ask=None, tree=_tree(predicate, number_of, self._context), lookups=lookups)

    def _of_attribute(self, name: str, number_of: Mapping[Leaf, int]) -> Lookup:
        own = tuple(leaf for leaf in number_of if name in leaf.reads)
        if (name, own) not in self._known:
            try:
                self._known[name, own] = _of_attribute(self._attributes[name], own, self._context)
            except _NoLookup as why:
                self._known[name, own] = why.reason
        found = self._known[name, own]
        if isinstance(found, str):
            raise _NoLookup(found)
        return replace(found, leaves=[number_of[leaf] for leaf in own])


def _ways_of(lookup: Lookup) -> int:
    """How many different truths the attribute may lead to."""
    texts: list[Iterable[str | None]] = [lookup.none, lookup.unknown]
    if isinstance(lookup, NumberLookup):
        texts.append(lookup.regions)
    elif isinstance(lookup, TermLookup):
        texts += [*lookup.terms.values(), lookup.known or (), lookup.other or ()]
    else:
        return 1 << len(lookup.leaves)
    return len({text for some in texts for text in some if text is not None})


def _tree(predicate: Predicate, number_of: Mapping[Leaf, int], context: EvaluationContext) -> Any:
    if isinstance(predicate, And | Or):
        word = "and" if isinstance(predicate, And) else "or"
        return [word, *(_tree(item, number_of, context) for item in predicate.items)]
    if isinstance(predicate, Not):
        return ["not", _tree(predicate.item, number_of, context)]
    return number_of[predicate] if predicate.reads else predicate.holds({}, context) is YES


def _of_attribute(attribute: Attribute, own: tuple[Leaf, ...], context: EvaluationContext) -> Lookup:
    for leaf in own:
        _ensure_simple(leaf, attribute)
    cases = _Cases(attribute, own, context)
    common: dict[str, Any] = {
        "attribute": attribute.name,
        "leaves": list(range(len(own))),
        "none": cases.ways(Among((NONE,))),
        "unknown": cases.ways(None),
    }
    if attribute.many:
        return _list_lookup(own, common, cases, attribute)
    if attribute.type in ("text", "boolean"):
        return _term_lookup(own, common, cases, attribute)
    return _number_lookup(own, common, cases, attribute)


class _Cases:
    """What the engine makes of facts of one attribute."""

    def __init__(self, attribute: Attribute, own: Sequence[Leaf], context: EvaluationContext) -> None:
        self._attribute, self._own, self._context = attribute, own, context
        self._together: Predicate = own[0] if len(own) == 1 else And(tuple(own))

    @property
    def context(self) -> EvaluationContext:
        return self._context

    def ways(self, knowledge: Knowledge | None) -> list[str]:
        """The truths that the clauses may have together; None: nothing is recorded."""
        facts = {} if knowledge is None else {self._attribute.name: knowledge}
        case = Case(self._together, facts, {self._attribute.name: self._attribute}, self._context)
        open_splits = [split.choices for split in case.splits]
        if len(open_splits) > _MOST_LEFT_OPEN:
            raise _NoLookup("regions")
        found: dict[str, None] = {}
        for picked in product(*open_splits):
            truths = {**case.truths}
            for choice in picked:
                truths.update(choice.truths)
            if UNDECIDED in truths.values():
                raise _NoLookup("regions")
            found["".join("y" if truths[leaf] is YES else "n" for leaf in self._own)] = None
        return sorted(found)

    def truths(self, value: Value) -> str:
        """Those for a value that decides all clauses."""
        (found,) = self.ways(Among((value,)))
        return found


# -- which clauses there can be


def _ensure_simple(leaf: Leaf, attribute: Attribute) -> None:
    cuts = leaf.cuts()
    if cuts is None:
        raise _NoLookup("other")
    for cut in cuts:
        if isinstance(cut, Below | EachConcept):
            continue
        if isinstance(cut, AskedForNone):
            if not _is_attribute(cut.term):
                raise _NoLookup("arithmetic" if cut.term.is_calculated else "fold")
        elif isinstance(cut, Compared | SetsCompared):
            _ensure_compared(cut, leaf, attribute)
        else:
            raise _NoLookup("like")


def _ensure_compared(cut: Compared | SetsCompared, leaf: Leaf, attribute: Attribute) -> None:
    if cut.left.is_calculated or cut.right.is_calculated:
        raise _NoLookup("arithmetic")
    terms = [term for term in (cut.left, cut.right) if term.reads]
    constants = [term for term in (cut.left, cut.right) if isinstance(term, Const)]
    if len(terms) != 1 or len(constants) != 1:
        raise _NoLookup("two-attributes")
    if not _is_attribute(terms[0]):
        raise _NoLookup("fold")
    if isinstance(cut, Compared) and isinstance(constants[0].constant, str) and not _is_equality(leaf):
        raise _NoLookup("text-order")
    if attribute.type == "timestamp":
        raise _NoLookup("timestamp")


def _is_attribute(term: Term) -> bool:
    """Whether the term is an attribute or its number of values."""
    return term.counts is not None or (term.bare is not None and not term.bare[0])


def _is_equality(leaf: Leaf) -> bool:
    return (isinstance(leaf, Comparison) and leaf.op in ("=", "<>")) or leaf.equal_texts is not None


def _constants(own: Iterable[Leaf]) -> list[Value]:
    found = (
        term.constant
        for leaf in own
        for cut in leaf.cuts() or ()
        if isinstance(cut, Compared | SetsCompared)
        for term in (cut.left, cut.right)
        if isinstance(term, Const)
    )
    return list(dict.fromkeys(found))


# -- numbers and dates


def _number_lookup(own: tuple[Leaf, ...], common: dict[str, Any], cases: _Cases, attribute: Attribute) -> NumberLookup:
    cuts: list[Any] = sorted(value for value in _constants(own) if isinstance(value, int | Fraction | date))
    for cut in cuts:
        if isinstance(cut, int | Fraction) and not has_few_digits(cut):
            raise _NoLookup("digits")
    low, high = attribute.low, attribute.high
    ends = [None, *cuts, None]
    regions: list[str | None] = []
    for before, after in pairwise(ends):
        between = _between(attribute, before, after)
        regions.append(None if between is None else cases.truths(between))
        if after is not None:
            regions.append(cases.truths(after) if _has_value(attribute, after, low, high) else None)
    shown = [value_as_json(cut) for cut in cuts]
    return NumberLookup(**common, cuts=shown, regions=regions)


def has_few_digits(number: Number) -> bool:
    """Whether a browser reads it as it is written: at most 15 digits."""
    digits = Decimal(number.numerator) / Decimal(number.denominator)
    return exact(digits) == number and len(digits.normalize().as_tuple().digits) <= _MOST_DIGITS


def _has_value(attribute: Attribute, value: Any, low: int | None, high: int | None) -> bool:
    if isinstance(value, date):
        return True
    if attribute.type == "integer" and not isinstance(value, int):
        return False
    return (low is None or value >= low) and (high is None or value <= high)


def _between(attribute: Attribute, before: Any, after: Any) -> Value | None:
    """A value of the attribute between the two, both left out; None where there is none."""
    if attribute.type == "date":
        first = date.min if before is None else before + timedelta(days=1) if before < date.max else None
        return None if first is None or (after is not None and first >= after) else first
    if attribute.type == "integer":
        start = attribute.low if before is None else int(before // 1) + 1
        end = attribute.high if after is None else -int(-after // 1) - 1
        start = start if attribute.low is None or start is None else max(start, attribute.low)
        end = end if attribute.high is None or end is None else min(end, attribute.high)
        if start is None:
            return 0 if end is None else end
        return start if end is None or start <= end else None
    low, high = attribute.low, attribute.high
    # An end of the attribute is a value of it, a cut point is none of the gap.
    if before is None and low is not None:
        return low if after is None or low < after else None
    if after is None and high is not None:
        return high if before is None or before < high else None
    if before is None:
        return 0 if after is None else exact(Fraction(after - 1))
    if after is None:
        return exact(Fraction(before + 1))
    start = before if low is None else max(before, low)
    end = after if high is None else min(after, high)
    if start > end:
        return None
    if start == end:
        # The gap meets what the attribute can have in one number, which is no cut point, or not at all.
        return start if before < start < after else None
    return exact(Fraction(start + end) / 2)


# -- texts, yes and no


def _term_lookup(own: tuple[Leaf, ...], common: dict[str, Any], cases: _Cases, attribute: Attribute) -> TermLookup:
    if attribute.type == "boolean":
        terms = {word: cases.ways(Among((value,))) for word, value in (("true", True), ("false", False))}
        return TermLookup(**common, terms=terms, known=None, other=None)
    texts = {value for value in _constants(own) if isinstance(value, str)} | set(attribute.values)
    schemes = {cut.vocabulary for leaf in own for cut in leaf.cuts() or () if isinstance(cut, Below | EachConcept)}
    known: list[str] | None = None
    other: list[str] | None = None if attribute.values else cases.ways(Among((_unlike(texts),)))
    if schemes:
        (name,) = schemes
        scheme = cases.context.vocabularies[name]
        every = {term: cases.ways(Among((term,))) for term in scheme.concepts}
        often = Counter(tuple(ways) for ways in every.values())
        usual = max(sorted(often), key=often.__getitem__, default=None)
        known = None if usual is None else list(usual)
        other = None if attribute.values else cases.ways(Among((_unlike({*texts, *scheme.concepts}),)))
        texts |= {term for term, its in every.items() if its != known}
        texts -= {term for term, its in every.items() if its == known}
    found = {text: cases.ways(Among((text,))) for text in sorted(texts)}
    if known is None and other is not None:
        found = {text: ways for text, ways in found.items() if ways != other}
    return TermLookup(**common, terms=found, known=known, other=other)


def _unlike(texts: Iterable[str]) -> str:
    """A text that is none of these."""
    taken = set(texts)
    return next(text for text in (f"other {n}" for n in range(len(taken) + 1)) if text not in taken)


# -- lists


def _list_lookup(own: tuple[Leaf, ...], common: dict[str, Any], cases: _Cases, attribute: Attribute) -> ListLookup:
    narrower = [leaf for leaf in own if isinstance(leaf, Narrower)]
    meanings: dict[str, list[list[int]]] = {}
    if narrower:
        scheme = cases.context.vocabularies[narrower[0].vocabulary]
        position = {leaf: at for at, leaf in enumerate(own)}
        for term in scheme.concepts:
            lower = (term, *scheme.below[term])
            meant = {
                tuple(position[leaf] for leaf in narrower if scheme.is_at_or_below(one, leaf.term)) for one in lower
            }
            if meant != {()}:
                meanings[term] = [list(one) for one in sorted(meant)]
    tests = [_list_test(leaf, attribute) for leaf in own]
    return ListLookup(**common, tests=tests, meanings=meanings)


def _list_test(leaf: Leaf, attribute: Attribute) -> ListTest:
    if isinstance(leaf, Narrower):
        return ListTest(narrower=True)
    if isinstance(leaf, IsNull):
        # A list of no texts is a list.
        return ListTest(never=True)
    if isinstance(leaf, SetComparison):
        return _set_test(leaf)
    bound = max((int(value) for value in _constants([leaf]) if isinstance(value, int | Fraction)), default=0)
    if not 0 <= bound <= 250:
        bound = 250 if bound > 0 else 0
    counted = (frozenset(f"text {n}" for n in range(size)) for size in range(bound + 2))
    holds = [leaf.holds({attribute.name: texts}, _NO_CONTEXT) is YES for texts in counted]
    return ListTest(count=["y" if one else "n" for one in holds])


def _set_test(leaf: SetComparison) -> ListTest:
    constant = next(term.constant for term in (leaf.left, leaf.right) if isinstance(term, Const))
    assert isinstance(constant, frozenset)
    texts = sorted(constant)
    if leaf.op == "a_overlaps":
        return ListTest(any=texts)
    if leaf.op == "a_equals":
        return ListTest(all=texts, only=texts)
    has_all = (leaf.op == "a_contains") == isinstance(leaf.right, Const)
    return ListTest(all=texts) if has_all else ListTest(only=texts)


_NO_CONTEXT = EvaluationContext(date(1, 1, 1))

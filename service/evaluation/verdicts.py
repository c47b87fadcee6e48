"""Whether a coin fits a rule: yes when the rule is true in every world that the coin's facts allow, no when it is true in
none, otherwise undecided. A world gives every attribute one value.

Kleene's three-valued logic over the leaves comes first; its yes and no are always right. Where it says undecided the
worlds decide: the open attributes are split one by one into the regions that the rule's constants cut
(`service.rules.partitions`), with Kleene's verdict after each split, until both answers were seen or every branch is
decided. That is exact and, in the worst case, exponential in the open attributes (deciding it is coNP-hard in general),
so it has a budget; past it the verdict stays undecided and names the limit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice, product, repeat
from typing import Final, Literal

from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.knowledge import Value
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.partitions import Regions, cuts_of, has_plain_value, plain_values
from service.rules.predicates import (
    EvaluationContext,
    Leaf,
    Predicate,
    Reading,
    ReferenceGap,
    kleene_verdict,
    leaves,
)

WORLD_BUDGET = 20_000
"""The largest number of nodes of the tree of splits that one verdict visits."""
_FEW_WORLDS = 500
_MOST_CHOICES = 2_000
BUDGET, ARITHMETIC, NO_CUTS = "budget", "arithmetic", "no-cuts"
"""The limits that a verdict can meet: too many worlds, arithmetic over several unknown facts, or a leaf that does not say where
it changes."""
Doubt = Literal["alternatives", "unknown", "reference"]
ALTERNATIVES: Final = "alternatives"
UNKNOWN: Final = "unknown"
REFERENCE: Final = "reference"
"""What a doubt rests on: declared alternatives, facts that are not recorded, or vocabularies that do not say."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict. `limit` is BUDGET or ARITHMETIC where that prevented an exact answer, else None."""

    verdict: Verdict
    limit: str | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One region of one open attribute, with the verdicts (`truths`) that it gives to leaves. `value` is one value of it,
    `values` are all that were tried. `meant` says in words how a recorded value is read, where it has several
    readings. `ways`: where the vocabularies leave some of the leaves undecided, all that better ones might say of them."""

    value: Value | None
    truths: Mapping[Leaf, Verdict]
    values: tuple[Value, ...] = ()
    meant: str | None = None
    ways: tuple[Mapping[Leaf, Verdict], ...] = ()


@dataclass(frozen=True, slots=True)
class Split:
    """All regions of one open attribute. `name` is None for a leaf whose worlds cannot be listed: it may be either way.
    `told`: where vocabularies do not say enough of a recorded value, the regions that facts can tell apart."""

    name: str | None
    choices: tuple[Choice, ...]
    told: tuple[Choice, ...] = ()

    @property
    def tellable(self) -> tuple[Choice, ...]:
        """The regions that facts can tell apart."""
        return self.told or self.choices


class Case:
    """One rule and the facts of one coin: the leaves that the facts decide, and the splits of the attributes that they
    leave open.

    `occurrences` are the leaves of the rule, `distinct` each once; `truths` gives each the verdict of the facts alone; `known`
    are those that plain values decide, whatever the others turn out to be.
    `splits` has one entry for each open attribute, `joint` are the leaves over several of them, `plain` the values of
    plainly known attributes, `cuts` the values at which the verdict of an attribute may change. `limit` names what could
    not be listed, `settled_values` are the tried values of a split with which the verdict of each of its own leaves is known,
    `steps` counts the nodes visited so far, `text_work` is what it took to list texts (about in microseconds).
    """

    def __init__(
        self,
        predicate: Predicate,
        facts: Facts,
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
        *,
        with_none: bool = False,
    ) -> None:
        """`with_none`: an unrecorded fact may also turn out to be none (for checks of definitions, which ask about any
        coin)."""
        self.predicate, self.facts, self.attributes, self.context = predicate, facts, attributes, context
        self._with_none = with_none
        self.occurrences = leaves(predicate)
        self.distinct = list(dict.fromkeys(self.occurrences))
        self.limit: str | None = None
        self.steps = self.text_work = 0
        self.truths: dict[Leaf, Verdict] = {}
        self.known: dict[Leaf, Verdict] = {}
        self.splits: list[Split] = []
        self.joint: list[Leaf] = []
        self.plain: dict[str, Value] = {}
        self.cuts: Mapping[str, frozenset[Value]] = {}
        self.settled_values: dict[str, set[Value]] = {}
        self._decide_leaves(attributes)

    # -- the leaves

    def _decide_leaves(self, attributes: Mapping[str, Attribute]) -> None:
        plain = plain_values(self.facts)
        open_leaves = []
        for leaf in self.distinct:
            if leaf.reads <= plain.keys():
                verdict = leaf.holds(plain, self.context)
                self.truths[leaf] = verdict
                if verdict is not UNDECIDED:
                    self.known[leaf] = verdict
                elif not self.context.none_as_null:
                    open_leaves.append(leaf)
            elif self.context.none_as_null:
                self.truths[leaf] = UNDECIDED
            else:
                open_leaves.append(leaf)
        if open_leaves:
            self._split(open_leaves, plain, attributes)

    def _split(self, open_leaves: list[Leaf], plain: dict[str, Value], attributes: Mapping[str, Attribute]) -> None:
        regions = Regions(open_leaves, self.facts, attributes, self.context.vocabularies, with_none=self._with_none)
        names = sorted({name for leaf in open_leaves for name in leaf.reads})
        candidates: dict[str, list[Value]] = {}
        for name in names:
            values = [plain[name]] if name in plain else regions.candidates(name)
            if values is not None:
                candidates[name] = values
        single: dict[str, list[Leaf]] = {name: [] for name in names}
        joint: list[Leaf] = []
        for leaf in open_leaves:
            moving = leaf.reads - plain.keys() or leaf.reads
            if not all(name in candidates for name in leaf.reads):
                self._leave_open(leaf)
            elif len(moving) == 1:
                single[next(iter(moving))].append(leaf)
            else:
                joint.append(leaf)
        self.joint, self.plain, self.cuts, self.text_work = joint, plain, regions.cuts, regions.text_work
        apart = {name for leaf in joint for name in leaf.reads}
        for name in names:
            if name in candidates and (single[name] or name in apart):
                self._split_attribute(name, candidates[name], single[name], plain, name in apart)
        for leaf in joint:
            self.truths[leaf] = self._joint_verdict(leaf, candidates, plain)

    def _leave_open(self, leaf: Leaf) -> None:
        """A leaf whose worlds cannot be listed may be either way, so nothing false is claimed."""
        self.limit = NO_CUTS if cuts_of(leaf) is None else ARITHMETIC if leaf.is_calculated else BUDGET
        self.truths[leaf] = UNDECIDED
        self.splits.append(Split(None, (Choice(None, {leaf: YES}), Choice(None, {leaf: NO}))))

    def _split_attribute(
        self, name: str, values: list[Value], own: list[Leaf], plain: dict[str, Value], keep_values: bool
    ) -> None:
        choices: dict[_Key, _Tried] = {}
        told: dict[_Key, _Tried] = {}
        is_recorded = name in self.facts

        def add(table: dict[_Key, _Tried], value: Value, reading: Reading) -> None:
            ways = tuple(way for _, way in reading.ways)
            every = (reading.truths, *ways)
            verdicts = tuple(truths.get(leaf) for truths in every for leaf in own)
            key = (value if keep_values else None, verdicts, reading.words)
            first, _, tried, _ = table.get(key) or (value, {}, [], ())
            table[key] = first, reading.truths, [*tried, value], ways

        has_gaps = False
        by_leaf = [leaf.holds_with(name, values, plain, self.context) for leaf in own]
        settled = self.settled_values.setdefault(name, set())
        for value, verdicts in zip(values, zip(*by_leaf, strict=True) if own else repeat(()), strict=False):
            if UNDECIDED not in verdicts:
                settled.add(value)
                key = (value if keep_values else None, verdicts, None)
                for table in (choices, told) if is_recorded else (choices,):
                    tried = table.get(key)
                    if tried is None:
                        table[key] = value, dict(zip(own, verdicts, strict=True)), [value], ()
                    else:
                        tried[2].append(value)
                continue
            for reading in self._readings(own, {**plain, name: value}):
                has_gaps = has_gaps or bool(reading.ways)
                for words, way in reading.ways or ((None, {}),):
                    add(choices, value, Reading(_joined(reading.words, words), {**reading.truths, **way}))
                add(told, value, reading)
        for at, leaf in enumerate(own):
            seen = {verdicts[at] for _, verdicts, _ in choices}
            only = seen.pop() if len(seen) == 1 else None
            self.truths[leaf] = UNDECIDED if only is None else only
        # What nobody recorded is looked up together with what it means.
        is_told = has_gaps and is_recorded
        self.splits.append(Split(name, _as_choices(choices), _as_choices(told) if is_told else ()))

    def _readings(self, own: list[Leaf], world: dict[str, Value]) -> list[Reading]:
        """The readings of the attribute's value in this world, with the verdicts of its leaves for each: `bird` may be a
        kiwi, an issuer without a date may have ended."""
        fixed = {leaf: leaf.holds(world, self.context) for leaf in own}
        unsettled = [leaf for leaf, verdict in fixed.items() if verdict is UNDECIDED]
        readings = [Reading(None, fixed)]
        for kind, first in {type(leaf): leaf for leaf in reversed(unsettled)}.items():
            meanings = first.readings([leaf for leaf in own if type(leaf) is kind], world, self.context)
            if meanings is None:
                self.limit = BUDGET
                return _either_way(fixed, unsettled)
            readings = [
                Reading(_joined(one.words, more.words), {**one.truths, **more.truths}, _both(one.ways, more.ways))
                for one in readings
                for more in meanings
            ]
        return readings

    def _joint_verdict(self, leaf: Leaf, candidates: dict[str, list[Value]], plain: dict[str, Value]) -> Verdict:
        """The verdict of a leaf over several open attributes, by trying all combinations of their values, within the
        budget."""
        names = sorted(leaf.reads - plain.keys())
        size = 1
        for name in names:
            size *= len(candidates[name])
        if size > WORLD_BUDGET:
            self.limit = BUDGET
            return UNDECIDED
        seen: set[Verdict] = set()
        worlds: list[dict[str, Value]] = [dict(plain)]
        for name in names:
            worlds = [{**world, name: value} for world in worlds for value in candidates[name]]
        for world in worlds:
            seen.add(leaf.holds(world, self.context))
            if len(seen) > 1:
                return UNDECIDED
        return seen.pop()

    # -- the rule

    @property
    def undecided(self) -> set[Leaf]:
        """The leaves that the facts alone do not decide."""
        return {leaf for leaf in self.distinct if self.truths[leaf] is UNDECIDED}

    def open_splits(self) -> dict[str, Split]:
        """The splits of the attributes that an undecided leaf reads, by attribute: those of which a fact can tell more."""
        undecided = self.undecided
        return {
            s.name: s
            for s in self.splits
            if s.name is not None
            and (not s.told or len(s.told) > 1)
            and any(s.name in leaf.reads for leaf in undecided)
        }

    @property
    def has_gaps(self) -> bool:
        """Whether the vocabularies do not say enough of something recorded."""
        return any(split.told for split in self.splits)

    def gaps(self) -> list[ReferenceGap]:
        """What they do not say."""
        found: dict[ReferenceGap, None] = {}
        for split in self.splits:
            if split.told and split.name is not None:
                values = [value for choice in split.told if choice.ways for value in choice.values]
                worlds = ({**self.plain, split.name: value} for value in values)
                asked = [leaf for leaf in self.undecided if leaf.reads == {split.name}]
                found.update(dict.fromkeys(gap for w in worlds for leaf in asked for gap in leaf.gaps(w, self.context)))
        return sorted(found, key=lambda gap: (gap.attribute, gap.term, gap.missing))

    def judge(self, budget: int = WORLD_BUDGET) -> Judgement:
        """The exact verdict, or undecided with the limit named."""
        verdict = kleene_verdict(self.predicate, self.truths.__getitem__)
        if verdict is not UNDECIDED or self.context.none_as_null:
            return Judgement(verdict)
        if self._is_read_once():
            return Judgement(UNDECIDED, self.limit)
        seen, spent = self._verdicts_of_worlds(budget)
        if len(seen) == 1 and not spent:
            return Judgement(seen.pop())
        limit = BUDGET if spent and len(seen) < 2 else self.limit
        return Judgement(UNDECIDED, limit)

    def _is_read_once(self) -> bool:
        """Whether each open attribute affects one leaf, which occurs once: then Kleene's undecided is exact."""
        open_leaves = [leaf for leaf in self.occurrences if self.truths[leaf] is UNDECIDED]
        names = [name for leaf in open_leaves for name in leaf.reads if not has_plain_value(self.facts, name)]
        unsettled = sum(
            1 for leaf in open_leaves if leaf.reads and all(has_plain_value(self.facts, n) for n in leaf.reads)
        )
        if len(names) != len(set(names)) or len(set(open_leaves)) != len(open_leaves):
            return False
        return unsettled <= 1 and self.limit is None

    def _verdicts_of_worlds(self, budget: int) -> tuple[set[Verdict], bool]:
        """The verdicts that worlds give, and whether the budget was spent before all were tried."""
        undecided = self.undecided
        needed = {name for leaf in self.joint if leaf in undecided for name in leaf.reads}
        splits = [
            split
            for split in self.splits
            if split.name in needed or any(leaf in undecided for choice in split.choices for leaf in choice.truths)
        ]
        return self.descend(splits, self.truths, self.plain, budget)

    def fits_as_declared(self, budget: int = WORLD_BUDGET) -> bool:
        """Whether some choice among the recorded alternatives makes the rule true whatever the unrecorded facts are, or leaves
        no doubt but of the vocabularies; no, past the budget."""
        recorded = [split for split in self.splits if self._is_recorded(split)]
        for picked in islice(product(*(split.tellable for split in recorded)), _MOST_CHOICES):
            seen, spent = self._verdicts_when_known(recorded, picked, budget)
            if not spent and (seen == {YES} or (seen == {UNDECIDED} and self.has_gaps)):
                return True
        return False

    def is_by_reference(
        self,
        splits: Sequence[Split] = (),
        picked: Sequence[Choice] = (),
        part: Predicate | None = None,
        budget: int = WORLD_BUDGET,
    ) -> bool:
        """For a rule, or a part of it, that is undecided with these splits decided for these choices: whether it stays so
        when every fact is known, since the vocabularies do not say; no, past the budget."""
        if not self.has_gaps:
            return False
        seen, spent = self._verdicts_when_known(splits, picked, budget, part)
        return seen == {UNDECIDED} and not spent

    def _verdicts_when_known(
        self,
        fixed: Sequence[Split],
        picked: Iterable[Choice],
        budget: int,
        part: Predicate | None = None,
    ) -> tuple[set[Verdict], bool]:
        """The verdicts that facts can lead to, with these splits decided, up to the second; undecided where the vocabularies
        leave it so. And whether the budget was spent before."""
        picked = list(picked)
        others = [split for split in self.splits if split not in fixed]
        start, world = self.decided(fixed, picked)
        if not self.has_gaps:
            return self.descend(others, start, world, budget, part)
        rule = self.predicate if part is None else part
        others.sort(key=lambda split: len(split.tellable))
        telling = _Telling(self, rule, others, budget)
        finished = telling.descend(0, start, world, _ways_of(picked))
        self.steps += budget - telling.left
        return telling.seen, not finished

    def _is_recorded(self, split: Split) -> bool:
        if split.name is not None:
            return split.name in self.facts
        return all(name in self.facts for choice in split.choices for leaf in choice.truths for name in leaf.reads)

    def decided(
        self, splits: Iterable[Split], picked: Iterable[Choice]
    ) -> tuple[dict[Leaf, Verdict], dict[str, Value]]:
        """The verdicts of the leaves, and the world so far, with these splits decided for these choices."""
        truths, world = dict(self.truths), dict(self.plain)
        for split, choice in zip(splits, picked, strict=True):
            truths.update(choice.truths)
            if split.name is not None and choice.value is not None:
                world[split.name] = choice.value
        for leaf in self.joint:
            if leaf.reads <= world.keys():
                truths[leaf] = leaf.holds(world, self.context)
        return truths, world

    def decided_further(
        self, split: Split, choice: Choice, truths: Mapping[Leaf, Verdict], world: Mapping[str, Value]
    ) -> tuple[Mapping[Leaf, Verdict], Mapping[str, Value]]:
        """The same with one more split decided."""
        following = {**truths, **choice.truths}
        if split.name is None or choice.value is None:
            return following, world
        there = {**world, split.name: choice.value}
        for leaf in self.joint:
            if split.name in leaf.reads and leaf.reads <= there.keys():
                following[leaf] = leaf.holds(there, self.context)
        return following, there

    def verdict_given(
        self,
        splits: Sequence[Split],
        picked: Iterable[Choice],
        part: Predicate | None = None,
        budget: int = _FEW_WORLDS,
    ) -> Verdict:
        """The verdict with these splits decided for these choices and the others open; past the budget undecided. `part`
        is the rule, or one of the rules that it joins."""
        picked = list(picked)
        truths, world = self.decided(splits, picked)
        rule = self.predicate if part is None else part
        verdict = kleene_verdict(rule, truths.__getitem__)
        if verdict is not UNDECIDED or (part is None and self._is_read_once()):
            return verdict
        others = [split for split in self.splits if split not in splits]
        seen, spent = self.descend([*others, *_ways_of(picked)], truths, world, budget, rule)
        return UNDECIDED if spent or len(seen) > 1 else seen.pop()

    def descend(
        self,
        splits: Sequence[Split],
        start: Mapping[Leaf, Verdict],
        world: Mapping[str, Value],
        budget: int,
        part: Predicate | None = None,
    ) -> tuple[set[Verdict], bool]:
        """The verdicts that these splits can lead to from here, up to the second; and whether the budget was spent before."""
        rule = self.predicate if part is None else part
        splits = sorted(splits, key=lambda split: len(split.choices))
        descent = _Descent(self, rule, splits, budget)
        finished = descent.descend(0, start, world)
        self.steps += descent.steps
        return descent.seen, not finished


@dataclass(slots=True)
class _Descent:
    """Over splits of a case: the verdicts that were seen, up to the second."""

    case: Case
    rule: Predicate
    splits: Sequence[Split]
    budget: int
    steps: int = 0
    seen: set[Verdict] = field(default_factory=set)

    def descend(self, at: int, truths: Mapping[Leaf, Verdict], world: Mapping[str, Value]) -> bool:
        """From the split `at` on. False when the budget is spent."""
        self.steps += 1
        if self.steps > self.budget:
            return False
        verdict = kleene_verdict(self.rule, truths.__getitem__)
        if verdict is not UNDECIDED:
            self.seen.add(verdict)
            return True
        if at == len(self.splits):
            self.seen.update((YES, NO))
            return True
        split = self.splits[at]
        for choice in split.choices:
            if not self.descend(at + 1, *self.case.decided_further(split, choice, truths, world)):
                return False
            if len(self.seen) > 1:
                return True
        return True


@dataclass(slots=True)
class _Telling:
    """Over what facts can tell of the splits of a case: the verdicts that were seen, up to the second."""

    case: Case
    rule: Predicate
    splits: Sequence[Split]
    left: int
    seen: set[Verdict] = field(default_factory=set)

    def descend(
        self, at: int, truths: Mapping[Leaf, Verdict], world: Mapping[str, Value], ways: Sequence[Split]
    ) -> bool:
        """From the split `at` on. False when the budget is spent."""
        self.left -= 1
        verdict = kleene_verdict(self.rule, truths.__getitem__)
        if verdict is UNDECIDED and at < len(self.splits):
            split = self.splits[at]
            for choice in split.tellable:
                following = self.case.decided_further(split, choice, truths, world)
                if not self.descend(at + 1, *following, [*ways, *_ways_of([choice])]):
                    return False
                if len(self.seen) > 1:
                    return True
            return True
        if verdict is UNDECIDED and ways:
            answers, spent = self.case.descend(ways, truths, world, max(self.left, 1), self.rule)
            if spent:
                return False
            verdict = UNDECIDED if len(answers) > 1 else answers.pop()
        self.seen.add(verdict)
        return self.left > 0


# An attribute's value where that matters, the verdicts of its leaves, and what the value means; and the first value with that,
# the verdicts, all such values and the ways.
_Key = tuple[Value | None, tuple[Verdict | None, ...], str | None]
_Tried = tuple[Value, Mapping[Leaf, Verdict], list[Value], tuple[Mapping[Leaf, Verdict], ...]]


def _as_choices(table: Mapping[_Key, _Tried]) -> tuple[Choice, ...]:
    return tuple(
        Choice(first, truths, tuple(tried), words, ways)
        for (_, _, words), (first, truths, tried, ways) in table.items()
    )


def _either_way(fixed: Mapping[Leaf, Verdict], unsettled: list[Leaf]) -> list[Reading]:
    """Past the number of readings that are listed: each unsettled leaf may be either way, so nothing false is claimed."""
    readings = [dict(fixed)]
    for leaf in unsettled[:8]:
        readings = [{**reading, leaf: way} for reading in readings for way in (YES, NO)]
    return [Reading(None, reading) for reading in readings]


def _joined(one: str | None, other: str | None) -> str | None:
    return " and ".join(filter(None, (one, other))) or None


_Ways = tuple[tuple[str, Mapping[Leaf, Verdict]], ...]


def _both(ways: _Ways, others: _Ways) -> _Ways:
    """All ways of two clauses together."""
    if not ways or not others:
        return ways or others
    return tuple((f"{a} and {b}", {**one, **other}) for a, one in ways for b, other in others)


def _ways_of(picked: Iterable[Choice]) -> list[Split]:
    """What better vocabularies might say of the choices, as splits that no fact decides."""
    return [
        Split(None, tuple(Choice(None, {**choice.truths, **way}) for way in choice.ways))
        for choice in picked
        if choice.ways
    ]


def judge_view(
    predicate: Predicate, view: View, attributes: Mapping[str, Attribute], context: EvaluationContext
) -> Judgement:
    """The verdict for one view of a coin.

    `attributes` must have every attribute that the rule reads. Exact within the budget: yes and no are always right;
    undecided without a limit means that worlds of both kinds exist. An unrecorded fact has some value, so it is "none"
    only where the rule itself asks IS NULL of it.

    >>> from datetime import date
    >>> from service.facts.core_attributes import CORE
    >>> from service.facts.knowledge import Among, Between
    >>> from service.rules.cql2.expression import parse
    >>> from service.rules.operators import bind
    >>> def verdict(rule, **facts):
    ...     judgement = judge_view(bind(parse(rule), CORE, {}), View(facts), CORE, EvaluationContext(date(2026, 11, 25)))
    ...     return judgement.verdict.value
    >>> verdict("year_on_coin < 1900", year_on_coin=Among((1882,)))
    'yes'
    >>> verdict("year_on_coin < 1900", year_on_coin=Between(1890, 1910))
    'undecided'
    >>> verdict("year_on_coin < 1900")
    'undecided'

    Kleene's logic alone would leave this one undecided; every world agrees:

    >>> verdict("year_on_coin < 1900 OR year_on_coin >= 1900")
    'yes'
    """
    verdict = plain_verdict(predicate, view.facts, context)
    return Judgement(verdict) if verdict is not UNDECIDED else Case(predicate, view.facts, attributes, context).judge()


def plain_verdict(predicate: Predicate, facts: Facts, context: EvaluationContext) -> Verdict:
    """Kleene's verdict from the clauses that plain values decide. Its yes and no hold whatever the other facts are, and need no
    worlds."""
    plain = plain_values(facts)
    return kleene_verdict(
        predicate, lambda leaf: leaf.holds(plain, context) if leaf.reads <= plain.keys() else UNDECIDED
    )


def judged_with_doubt(
    predicate: Predicate, views: Iterable[View], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> tuple[Judgement, Doubt | None]:
    """The verdict for a coin with these views, one for each candidate issue: yes or no only when all of them agree. There
    is at least one view. `limit` is that of one of the views, where all are undecided. And for an undecided verdict what
    the doubt rests on (`doubt_in`)."""
    views = tuple(views)
    plain = {plain_verdict(predicate, view.facts, context) for view in views}
    if len(plain) == 1 and UNDECIDED not in plain:
        return Judgement(plain.pop()), None
    cases = [Case(predicate, view.facts, attributes, context) for view in views]
    judgements = [case.judge() for case in cases]
    verdicts = {judgement.verdict for judgement in judgements}
    if verdicts == {UNDECIDED}:
        return max(judgements, key=lambda one: one.limit or ""), doubt_in(cases)
    return (judgements[0], None) if len(verdicts) == 1 else (Judgement(UNDECIDED), doubt_in(cases))


def doubt_of(
    predicate: Predicate, views: Iterable[View], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> Doubt:
    """For a coin whose verdict is undecided: what the doubt rests on (`doubt_in`)."""
    return doubt_in([Case(predicate, view.facts, attributes, context) for view in views])


def doubt_in(cases: Sequence[Case]) -> Doubt:
    """What the doubt about a coin with the cases of its views rests on, where it is undecided. REFERENCE where it remains
    when every fact is known; ALTERNATIVES where some choice among what is declared (its candidate issues, alternatives,
    ranges, a term that has narrower ones) makes the verdict yes whatever the unrecorded facts are, or leaves no doubt but
    of the vocabularies; else UNKNOWN."""
    if all(case.has_gaps and case.judge().verdict is UNDECIDED and case.is_by_reference() for case in cases):
        return REFERENCE
    return ALTERNATIVES if any(case.fits_as_declared() for case in cases) else UNKNOWN

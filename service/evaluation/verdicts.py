"""Whether a coin fits a rule: yes when it is true in every world that the coin's facts allow, no when in none, else
undecided.

Kleene logic on the leaves comes first and is never wrong when it says yes or no. Where it says undecided the worlds
decide: the open attributes are split one by one into the regions that the rule's constants cut (rules/partitions.py), with
Kleene's verdict after each split, until both answers have been seen or every branch is decided. Past the budget the
verdict stays undecided and says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice, product

from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.knowledge import Value
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.partitions import Regions, cuts_of, plain_values, plainly_known
from service.rules.predicates import (
    EvaluationContext,
    Leaf,
    Predicate,
    Reading,
    judge,
    leaves,
)

WORLD_BUDGET = 20_000
_FEW_WORLDS = 500
_MOST_CHOICES = 2_000
BUDGET, ARITHMETIC, NO_CUTS = "budget", "arithmetic", "no-cuts"


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict; `limit` names what kept an exact answer away (the budget of worlds), else None."""

    verdict: Verdict
    limit: str | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """One region of one open attribute (or of one leaf that nothing settles): the truths it gives to leaves. `value` is
    one value of it, `values` are all that were tried; `meant` says in words what a recorded value is taken to mean."""

    value: Value | None
    truths: Mapping[Leaf, Verdict]
    values: tuple[Value, ...] = ()
    meant: str | None = None


@dataclass(frozen=True, slots=True)
class Split:
    """All regions of one open attribute. `name` is None for a leaf that the facts cannot settle."""

    name: str | None
    choices: tuple[Choice, ...]


class Case:
    """One rule put to one view of a coin: the leaves that the facts decide, and the splits of those they leave open. `steps`
    counts the worlds that were walked for it so far."""

    def __init__(
        self,
        predicate: Predicate,
        facts: Facts,
        attributes: Mapping[str, Attribute],
        context: EvaluationContext,
        *,
        with_none: bool = False,
    ) -> None:
        """`with_none`: facts that nobody recorded may also be known to be none (for checks, which ask of any coin at all)."""
        self.predicate, self.facts, self.context, self.with_none = predicate, facts, context, with_none
        self.occurrences = leaves(predicate)
        self.distinct = list(dict.fromkeys(self.occurrences))
        self.limit: str | None = None
        self.steps = 0
        self.truths: dict[Leaf, Verdict] = {}
        self.splits: list[Split] = []
        self.joint: list[Leaf] = []
        self.plain: dict[str, Value] = {}
        self.cuts: Mapping[str, frozenset[Value]] = {}
        self._settle_leaves(attributes)

    # -- the leaves

    def _settle_leaves(self, attributes: Mapping[str, Attribute]) -> None:
        plain = plain_values(self.facts)
        open_leaves = []
        for leaf in self.distinct:
            if leaf.reads <= plain.keys():
                verdict = leaf.holds(plain, self.context)
                self.truths[leaf] = verdict
                if verdict is UNDECIDED and not self.context.none_as_null:
                    open_leaves.append(leaf)
            elif self.context.none_as_null:
                self.truths[leaf] = UNDECIDED
            else:
                open_leaves.append(leaf)
        if open_leaves:
            self._split(open_leaves, plain, attributes)

    def _split(self, open_leaves: list[Leaf], plain: dict[str, Value], attributes: Mapping[str, Attribute]) -> None:
        regions = Regions(open_leaves, self.facts, attributes, self.context.vocabularies, with_none=self.with_none)
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
        self.joint, self.plain, self.cuts = joint, plain, regions.cuts
        apart = {name for leaf in joint for name in leaf.reads}
        for name in names:
            if name in candidates and (single[name] or name in apart):
                self._split_attribute(name, candidates[name], single[name], plain, name in apart)
        for leaf in joint:
            self.truths[leaf] = self._joint_verdict(leaf, candidates, plain)

    def _leave_open(self, leaf: Leaf) -> None:
        """A leaf whose worlds cannot be listed: it may go either way, which never claims too much."""
        self.limit = NO_CUTS if cuts_of(leaf) is None else ARITHMETIC if leaf.is_calculated else BUDGET
        self.truths[leaf] = UNDECIDED
        self.splits.append(Split(None, (Choice(None, {leaf: YES}), Choice(None, {leaf: NO}))))

    def _split_attribute(
        self, name: str, values: list[Value], own: list[Leaf], plain: dict[str, Value], keep_values: bool
    ) -> None:
        choices: dict[object, Choice] = {}
        for value in values:
            world = {**plain, name: value}
            for meant, truths in self._readings(own, world):
                key = (value if keep_values else None, tuple(truths[leaf] for leaf in own), meant)
                known = choices.get(key)
                tried = (value,) if known is None else (*known.values, value)
                choices[key] = Choice(value if known is None else known.value, truths, tried, meant)
        for leaf in own:
            seen = {choice.truths[leaf] for choice in choices.values()}
            self.truths[leaf] = next(iter(seen)) if len(seen) == 1 else UNDECIDED
        self.splits.append(Split(name, tuple(choices.values())))

    def _readings(self, own: list[Leaf], world: dict[str, Value]) -> list[Reading]:
        """What the value of the attribute may mean, with the truths of its leaves: `bird` may be a kiwi, an issuer without a
        date may have ended."""
        fixed = {leaf: leaf.holds(world, self.context) for leaf in own}
        unsettled = [leaf for leaf, verdict in fixed.items() if verdict is UNDECIDED]
        readings: list[Reading] = [(None, fixed)]
        for kind, first in {type(leaf): leaf for leaf in reversed(unsettled)}.items():
            meanings = first.readings([leaf for leaf in own if type(leaf) is kind], world, self.context)
            if meanings is None:
                self.limit = BUDGET
                return _either_way(fixed, unsettled)
            readings = [
                (" and ".join(filter(None, (before, words))) or None, {**truths, **more})
                for before, truths in readings
                for words, more in meanings
            ]
        return readings

    def _joint_verdict(self, leaf: Leaf, candidates: dict[str, list[Value]], plain: dict[str, Value]) -> Verdict:
        """The verdict of a leaf over several open attributes, by trying their values together, within the budget."""
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

    # -- the tree

    def judge(self, budget: int = WORLD_BUDGET) -> Judgement:
        """The exact verdict, or undecided with the limit named."""
        verdict = judge(self.predicate, self.truths.__getitem__)
        if verdict is not UNDECIDED or self.context.none_as_null:
            return Judgement(verdict)
        if self._is_read_once():
            return Judgement(UNDECIDED, self.limit)
        seen, spent = self.walk(budget)
        if len(seen) == 1 and not spent:
            return Judgement(seen.pop())
        limit = BUDGET if spent and len(seen) < 2 else self.limit
        return Judgement(UNDECIDED, limit)

    def _is_read_once(self) -> bool:
        """Each open attribute moves one leaf, once: then Kleene's undecided is exact."""
        moved = [leaf for leaf in self.occurrences if self.truths[leaf] is UNDECIDED]
        names = [name for leaf in moved for name in leaf.reads if not plainly_known(self.facts, name)]
        unsettled = sum(1 for leaf in moved if leaf.reads and all(plainly_known(self.facts, n) for n in leaf.reads))
        return len(names) == len(set(names)) and unsettled <= 1 and len(set(moved)) == len(moved) and self.limit is None

    def walk(self, budget: int) -> tuple[set[Verdict], bool]:
        """The verdicts that worlds give, and whether the budget was spent before all were tried."""
        undecided = {leaf for leaf in self.distinct if self.truths[leaf] is UNDECIDED}
        needed = {name for leaf in self.joint if leaf in undecided for name in leaf.reads}
        moving = [
            split
            for split in self.splits
            if split.name in needed or any(leaf in undecided for choice in split.choices for leaf in choice.truths)
        ]
        return self._descend(moving, self.truths, self.plain, budget)

    def fits_as_declared(self, budget: int = WORLD_BUDGET) -> bool:
        """Whether some choice among all that is recorded makes the rule true whatever the unrecorded facts are. Past the
        budget: no."""
        recorded = [split for split in self.splits if self._is_recorded(split)]
        unrecorded = [split for split in self.splits if split not in recorded]
        for picked in islice(product(*(split.choices for split in recorded)), _MOST_CHOICES):
            truths, world = self.settled(recorded, picked)
            seen, spent = self._descend(unrecorded, truths, world, budget)
            if seen == {YES} and not spent:
                return True
        return False

    def _is_recorded(self, split: Split) -> bool:
        if split.name is not None:
            return split.name in self.facts
        return all(name in self.facts for choice in split.choices for leaf in choice.truths for name in leaf.reads)

    def settled(
        self, splits: Iterable[Split], picked: Iterable[Choice]
    ) -> tuple[dict[Leaf, Verdict], dict[str, Value]]:
        """The truths of the leaves, and the world so far, once these splits are decided for these choices."""
        truths, world = dict(self.truths), dict(self.plain)
        for split, choice in zip(splits, picked, strict=True):
            truths.update(choice.truths)
            if split.name is not None and choice.value is not None:
                world[split.name] = choice.value
        for leaf in self.joint:
            if leaf.reads <= world.keys():
                truths[leaf] = leaf.holds(world, self.context)
        return truths, world

    def verdict_once(
        self,
        splits: Sequence[Split],
        picked: Iterable[Choice],
        part: Predicate | None = None,
        budget: int = _FEW_WORLDS,
    ) -> Verdict:
        """The verdict once these splits are decided for these choices and the others left open; past the budget Kleene's.
        `part` is the rule, or one of the rules that it joins."""
        truths, world = self.settled(splits, picked)
        rule = self.predicate if part is None else part
        verdict = judge(rule, truths.__getitem__)
        if verdict is not UNDECIDED or (part is None and self._is_read_once()):
            return verdict
        others = [split for split in self.splits if split not in splits]
        seen, spent = self._descend(others, truths, world, budget, rule)
        return UNDECIDED if spent or len(seen) > 1 else seen.pop()

    def _descend(
        self,
        splits: list[Split],
        start: Mapping[Leaf, Verdict],
        world: Mapping[str, Value],
        budget: int,
        part: Predicate | None = None,
    ) -> tuple[set[Verdict], bool]:
        rule = self.predicate if part is None else part
        splits = sorted(splits, key=lambda split: len(split.choices))
        seen: set[Verdict] = set()
        steps = 0

        def descend(at: int, truths: Mapping[Leaf, Verdict], world: Mapping[str, Value]) -> bool:
            """False when the budget is spent."""
            nonlocal steps
            steps += 1
            if steps > budget:
                return False
            verdict = judge(rule, truths.__getitem__)
            if verdict is not UNDECIDED:
                seen.add(verdict)
                return True
            if at == len(splits):
                seen.update((YES, NO))
                return True
            split = splits[at]
            for choice in split.choices:
                following, there = {**truths, **choice.truths}, world
                if split.name is not None and choice.value is not None:
                    there = {**world, split.name: choice.value}
                    for leaf in self.joint:
                        if split.name in leaf.reads and leaf.reads <= there.keys():
                            following[leaf] = leaf.holds(there, self.context)
                if not descend(at + 1, following, there):
                    return False
                if len(seen) > 1:
                    return True
            return True

        finished = descend(0, start, world)
        self.steps += steps
        return seen, not finished


def _either_way(fixed: Mapping[Leaf, Verdict], unsettled: list[Leaf]) -> list[Reading]:
    """Past the budget of meanings: each unsettled leaf may go either way, which never claims too much."""
    readings = [dict(fixed)]
    for leaf in unsettled[:8]:
        readings = [{**reading, leaf: way} for reading in readings for way in (YES, NO)]
    return [(None, reading) for reading in readings]


def judge_view(
    predicate: Predicate, view: View, attributes: Mapping[str, Attribute], context: EvaluationContext
) -> Judgement:
    """The verdict for one view of a coin."""
    return Case(predicate, view.facts, attributes, context).judge()


def judge_views(
    predicate: Predicate, views: Iterable[View], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> Judgement:
    """The verdict for all that the coin may be: yes or no only when every candidate issue says so."""
    judgements = [judge_view(predicate, view, attributes, context) for view in views]
    verdicts = {judgement.verdict for judgement in judgements}
    if len(verdicts) == 1:
        return judgements[0] if UNDECIDED not in verdicts else max(judgements, key=lambda j: j.limit or "")
    return Judgement(UNDECIDED)


def rests_on_unknown(
    predicate: Predicate, views: Iterable[View], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> bool:
    """For a coin whose verdict is undecided: whether no choice among what is declared (its candidate issues, alternatives,
    ranges, a term that stands above) makes it a yes while the facts that nobody recorded stay open. Then the doubt is
    plain ignorance."""
    return not any(Case(predicate, view.facts, attributes, context).fits_as_declared() for view in views)

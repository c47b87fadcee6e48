"""The search for a coin as wanted, where every clause reads one attribute: what clauses about an attribute divide its values
into is worked out once, however many questions ask about them.

The answer is that of `service.analysis.satisfiability`, to the last step that is counted; where that would not be sure
there is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.evaluation.verdicts import Case, Choice
from service.facts.attributes import Attribute
from service.facts.knowledge import NONE, Value
from service.facts.truth import NO, UNDECIDED, YES
from service.rules.predicates import And, EvaluationContext, Leaf, Not, Or, Predicate, leaves

# Kleene's logic in numbers: an `and` is the least, an `or` the greatest, a negation 2 minus the number.
_NO, _OPEN, _YES = 0, 1, 2
_NUMBER_OF = {NO: _NO, UNDECIDED: _OPEN, YES: _YES}

_Tree = int | tuple[type, tuple["_Tree", ...]]
_Truths = Mapping[int, int]


@dataclass(frozen=True, slots=True)
class _Rule:
    """A rule over numbered clauses: `own` has those about each attribute, `bare` those that read none, each once, in order;
    `occurrences` counts them as often as they stand there."""

    tree: _Tree
    own: Mapping[str, tuple[int, ...]]
    bare: tuple[int, ...]
    occurrences: int


class _Split(NamedTuple):
    """The choices of an attribute in the order in which they are tried, each with the truths of its clauses, and the truths
    before any is picked. `tried` is how often a clause was judged, `text_work` what it took to list texts."""

    choices: tuple[tuple[Value, _Truths], ...]
    before: _Truths
    tried: int
    text_work: int


class Found(NamedTuple):
    """What a search found: the picked value of every attribute, None where there is no such coin. `work` is what
    `satisfiability` counts for the same search."""

    values: Mapping[str, Value] | None
    work: int


@dataclass(frozen=True)
class RememberedSplits:
    """What was worked out so far for rules about these attributes. Rules are recognised by identity, and kept."""

    attributes: Mapping[str, Attribute]
    context: EvaluationContext
    _rules: dict[int, tuple[Predicate, _Rule | None]] = field(default_factory=dict, repr=False)
    _numbers: dict[Leaf, int] = field(default_factory=dict, repr=False)
    _leaves: list[Leaf] = field(default_factory=list, repr=False)
    _splits: dict[tuple[str, object], _Split | None] = field(default_factory=dict, repr=False)
    _bare: dict[int, int] = field(default_factory=dict, repr=False)

    def search(self, wanted: Sequence[tuple[Predicate, bool]], most_steps: int) -> Found | None:
        """A coin that fits each rule, or fails it where the second of a pair is false. None where a clause reads several
        attributes or leaves something open, and past the steps."""
        rules = [(self._rule(rule), fits) for rule, fits in wanted]
        own: dict[str, tuple[int, ...]] = {}
        bare: dict[int, None] = {}
        asked: list[tuple[_Tree, int]] = []
        steps_each = 0
        for rule, fits in rules:
            if rule is None:
                return None
            asked.append((rule.tree, _NO if fits else _YES))
            steps_each += rule.occurrences
            bare |= dict.fromkeys(rule.bare)
            for name, numbers in rule.own.items():
                known = own.get(name, ())
                if known != numbers:
                    own[name] = (*known, *(number for number in numbers if number not in known))
        truths: dict[int, int] = {number: self._bare[number] for number in bare}
        names = sorted(own)
        splits: list[_Split] = []
        for name in names:
            split = self._split(name, own[name])
            if split is None:
                return None
            splits.append(split)
            truths |= split.before
        order = sorted(range(len(names)), key=lambda at: len(splits[at].choices))
        search = _Search(asked, [splits[at].choices for at in order], steps_each, most_steps)
        picked = search.descend(0, truths)
        if search.is_open or search.steps > most_steps:
            return None
        distinct = len(bare) + sum(map(len, own.values()))
        listed = sum(2 * split.tried + split.text_work for split in splits)
        work = 20 * distinct + listed + search.steps
        if picked is None:
            return Found(None, work)
        by_name = {names[at]: value for at, value in zip(order, reversed(picked), strict=True)}
        return Found({name: by_name[name] for name in names}, work)

    def _rule(self, rule: Predicate) -> _Rule | None:
        known = self._rules.get(id(rule))
        if known is None:
            known = self._rules[id(rule)] = rule, self._numbered(rule)
        return known[1]

    def _numbered(self, rule: Predicate) -> _Rule | None:
        occurrences = leaves(rule)
        own: dict[str, dict[int, None]] = {}
        bare: dict[int, None] = {}
        for leaf in occurrences:
            number = self._numbers.setdefault(leaf, len(self._leaves))
            if number == len(self._leaves):
                self._leaves.append(leaf)
            if len(leaf.reads) > 1:
                return None
            if leaf.reads:
                own.setdefault(next(iter(leaf.reads)), {})[number] = None
                continue
            self._bare[number] = _NUMBER_OF[leaf.holds({}, self.context)]
            bare[number] = None
            if self._bare[number] == _OPEN:
                return None
        return _Rule(
            self._tree(rule), {name: tuple(numbers) for name, numbers in own.items()}, tuple(bare), len(occurrences)
        )

    def _tree(self, rule: Predicate) -> _Tree:
        if isinstance(rule, And | Or):
            return type(rule), tuple(map(self._tree, rule.items))
        return (Not, (self._tree(rule.item),)) if isinstance(rule, Not) else self._numbers[rule]

    def _split(self, name: str, numbers: tuple[int, ...]) -> _Split | None:
        # The samples of texts may depend on the order of the clauses.
        key = (name, numbers if self.attributes[name].type == "text" else frozenset(numbers))
        if key not in self._splits:
            self._splits[key] = self._worked_out(name, numbers)
        return self._splits[key]

    def _worked_out(self, name: str, numbers: tuple[int, ...]) -> _Split | None:
        own = {self._leaves[number]: number for number in numbers}
        case = Case(Or(tuple(own)), {}, self.attributes, self.context, with_none=True)
        if case.limit is not None or case.joint or [split.name for split in case.splits] != [name]:
            return None
        (split,) = case.splits
        if split.told or not all(_is_settled(choice, own) for choice in split.choices):
            return None
        choices = [
            (choice.value, {number: _NUMBER_OF[choice.truths[leaf]] for leaf, number in own.items()})
            for choice in split.choices
            if choice.value is not None
        ]
        # A value that is not none makes a better example.
        choices.sort(key=lambda choice: choice[0] is NONE)
        return _Split(
            tuple(choices),
            {number: _NUMBER_OF[case.truths[leaf]] for leaf, number in own.items()},
            sum(len(choice.truths) * len(choice.values) for choice in split.choices),
            case.text_work,
        )


def _is_settled(choice: Choice, own: Mapping[Leaf, int]) -> bool:
    """Whether the value of the choice decides every clause, without a reading of it."""
    is_plain = choice.value is not None and choice.meant is None and not choice.ways and bool(choice.values)
    return is_plain and choice.truths.keys() == own.keys() and UNDECIDED not in choice.truths.values()


class _Search:
    """A depth-first search over splits. `asked` are rules, each with the truth that it must not have. `is_open`: something
    stayed open with every split decided."""

    def __init__(
        self,
        asked: Sequence[tuple[_Tree, int]],
        splits: Sequence[Sequence[tuple[Value, _Truths]]],
        steps_each: int,
        most_steps: int,
    ) -> None:
        self.asked, self.splits, self.steps_each, self.most_steps = asked, splits, steps_each, most_steps
        self.steps = 0
        self.is_open = False

    def descend(self, at: int, truths: dict[int, int]) -> list[Value] | None:
        """The values picked, from the last split to this one; None where there are none."""
        self.steps += self.steps_each
        if self.steps > self.most_steps:
            return None
        is_settled = True
        for tree, barred in self.asked:
            truth = _truth(tree, truths)
            if truth == barred:
                return None
            is_settled = is_settled and truth != _OPEN
        if at == len(self.splits):
            self.is_open = self.is_open or not is_settled
            return [] if is_settled else None
        for value, following in self.splits[at]:
            rest = self.descend(at + 1, {**truths, **following})
            if rest is not None:
                rest.append(value)
                return rest
        return None


def _truth(tree: _Tree, truths: _Truths) -> int:
    if isinstance(tree, int):
        return truths[tree]
    kind, parts = tree
    if kind is Not:
        return 2 - _truth(parts[0], truths)
    decides = _NO if kind is And else _YES
    truth = 2 - decides
    for part in parts:
        found = truths[part] if isinstance(part, int) else _truth(part, truths)
        if found == decides:
            return decides
        if found == _OPEN:
            truth = _OPEN
    return truth

"""The author's own test cases, run: each example coin against the places that it has to fit, and those that it must not fit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.errors import Fault, Sentence
from service.evaluation.explanation import conjuncts, settle
from service.evaluation.keys import Collection, GroupKeys, keys_of
from service.evaluation.places import group_base, key_labels, key_tests, shows_a_key
from service.evaluation.verdicts import WORLD_BUDGET, Case
from service.evaluation.views import Views
from service.facts.attributes import Attributes
from service.facts.holding import Facts, Holding, View
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.definition import Definition, OnePer
from service.rules.keys import Key, key_address, key_at
from service.rules.labels import shortened
from service.rules.messages import FactPart, Message, PlacePart, message, message_of_fault
from service.rules.predicates import EvaluationContext, Predicate, all_of, leaves
from service.rules.rule import RulePart, joined, rule_parts
from service.rules.wording import RuleWording

MOST_WORK = 200_000
"""Leaves and worlds looked at for all examples of a definition together: some seconds."""
_PER_MESSAGE = 100


@dataclass(frozen=True, slots=True)
class FailedExample:
    """One expectation that does not hold. `pointer` leads to it, `about` to the slot, group or free choice (None: the set
    has no such place); the message says what the coin fails, or what the verdict depends on."""

    pointer: str
    about: str | None
    said: Message


class ExampleRuns:
    """Runs the examples of a definition within a budget of work; `is_cut`: some were not run, or not exactly."""

    def __init__(
        self,
        definition: Definition,
        catalogue: Mapping[str, Facts],
        keys: Mapping[str, GroupKeys],
        today: date,
        replaces: Mapping[str, str],
        narrows: Mapping[str, str],
    ) -> None:
        """`keys` are those of the closed one-per groups, by id; `replaces` says of issues in whose place they stand, `narrows`
        of which wider one they are a part."""
        self.definition, self.catalogue, self.keys = definition, catalogue, keys
        self.attributes: Attributes = definition.attributes
        self.context = EvaluationContext(today, definition.vocabularies)
        self.wording = RuleWording(definition.attributes, definition.vocabularies)
        self.views = Views(definition.attributes, self.context, catalogue, definition.presumptions, replaces, narrows)
        self.scope = rule_parts(definition.scope)
        self.left = MOST_WORK
        self.slots = {slot.id: (at, slot) for at, slot in enumerate(definition.slots)}
        self.choices = {choice.id: (at, choice) for at, choice in enumerate(definition.free_choice)}
        self.groups = {group.id: (at, group) for at, group in enumerate(definition.one_per)}

    @property
    def is_cut(self) -> bool:
        return self.left <= 0

    def failed(self) -> Iterator[FailedExample]:
        """Every expectation that does not hold, in the order of the document. An example is judged as a coin of the set is,
        with the definition's own presumptions and identification; an undecided verdict is neither a fit nor none."""
        for number, example in enumerate(self.definition.examples):
            seen = self.views.of(Holding(example.at, example.facts))
            if example.label:
                name = message("example-labelled", label=shortened(example.label))
            else:
                name = message("example-numbered", number=number + 1)
            for member, wanted, addresses in (("fits", YES, example.fits), ("not", NO, example.fails)):
                for place, address in enumerate(addresses):
                    if self.is_cut:
                        return
                    failure = self._failure(name, seen, address, wanted, f"{example.at}/{member}/{place}")
                    if failure is not None and not self.is_cut:
                        self.left -= _PER_MESSAGE
                        yield failure

    def _failure(
        self, name: Message, seen: tuple[View, ...], address: str, wanted: Verdict, pointer: str
    ) -> FailedExample | None:
        target = self._target(address, seen)
        if target is None:
            absent = Sentence("There is no place '{address}': that is no key of the group.", address=shortened(address))
            return FailedExample(pointer, None, message_of_fault(Fault("unknown-place", absent, pointer)))
        verdicts = [self._verdict(rules, seen) for rules in target.ways]
        verdict = YES if YES in verdicts else UNDECIDED if UNDECIDED in verdicts else NO
        if verdict is NO and target.may_have_another:
            verdict = UNDECIDED
        if verdict is wanted:
            return None
        told: dict[str, Any] = {"example": name, "place": PlacePart(address, shortened(target.label))}
        if wanted is NO and verdict is YES:
            what = message("example-should-not", **told)
        elif verdict is NO:
            what = message("example-should", **told, why=self._fails(target, seen))
        else:
            why = self._depends(target, [at for at, one in enumerate(verdicts) if one is UNDECIDED], seen)
            what = message("example-should-surely" if wanted is YES else "example-should-surely-not", **told, why=why)
        return FailedExample(pointer, target.pointer, message("example-fails", what=what))

    # -- what an address means

    def _target(self, address: str, seen: tuple[View, ...]) -> Target | None:
        group, slash, key = address.partition("/")
        if group in self.slots:
            at, slot = self.slots[group]
            return Target(slot.label, f"/slots/{at}/accepts", [(*self.scope, *rule_parts(slot.accepts))])
        if group in self.choices:
            at, choice = self.choices[group]
            return Target(choice.label, f"/free_choice/{at}/accepts", [(*self.scope, *rule_parts(choice.accepts))])
        at, one_per = self.groups[group]
        base = group_base(self.definition, one_per)
        found = self.keys.get(group) or self._keys_shown(one_per, base, seen)
        if not slash:
            ways = [(*base, *key_tests(self.definition, one_per, one, found)) for one in found.keys]
            return Target(
                one_per.name,
                f"/one_per/{at}",
                ways,
                base,
                one_per,
                one_per.keys.is_open and self._may_show(one_per, base, seen),
            )
        wanted = self._key(one_per, key, found)
        if wanted is None:
            return None
        (label,) = key_labels(self.definition, one_per, [wanted])
        tests = key_tests(self.definition, one_per, wanted, found)
        return Target(label, f"/one_per/{at}", [(*base, *tests)])

    def _key(self, group: OnePer, address: str, found: GroupKeys) -> Key | None:
        for key in found.keys:
            if key_address(key) == address:
                return key
        return key_at(address, group.parts, self.attributes) if group.keys.is_open else None

    def _keys_shown(self, group: OnePer, base: Sequence[RulePart], seen: tuple[View, ...]) -> GroupKeys:
        """The keys of an open-ended group that this coin shows."""
        collection = Collection([seen], self.catalogue, self.context)
        return keys_of(self.definition, group, collection, joined(base) if base else None)

    def _may_show(self, group: OnePer, base: Sequence[RulePart], seen: tuple[View, ...]) -> bool:
        """Whether a coin that shows no key of an open-ended group may have one all the same: a place that another coin
        opens may be its own."""
        rules = [*(predicate for _, predicate in base), *shows_a_key(group, self.attributes)]
        return not rules or self._of(all_of(*rules), seen) is not NO

    # -- verdicts

    def _verdict(self, parts: Sequence[RulePart], seen: tuple[View, ...]) -> Verdict:
        return self._of(joined(parts), seen)

    def _of(self, predicate: Predicate, seen: tuple[View, ...]) -> Verdict:
        size = 1 + sum(1 for _ in leaves(predicate))
        verdicts = set()
        for view in seen:
            case = Case(predicate, view.facts, self.attributes, self.context)
            verdicts.add(case.judge(max(1, min(WORLD_BUDGET, self.left))).verdict)
            self.left -= size + case.steps
        return verdicts.pop() if len(verdicts) == 1 else UNDECIDED

    # -- in words

    def _fails(self, target: Target, seen: tuple[View, ...]) -> Message:
        """The clauses that the coin fails of the place that it is closest to."""
        failing = [self._failing(way, seen) for way in target.ways[:_MOST_EXPLAINED]]
        if not failing and target.group is not None:
            failing = [self._failing(target.base, seen)]
            if not failing[0]:
                return message("example-without-key", facts=self._facts(target.group.attributes))
        words = min((one for one in failing if one), key=len, default=[])
        return message("example-needs", needs=words) if words else message("example-fails-together")

    def _failing(self, parts: Sequence[RulePart], seen: tuple[View, ...]) -> list[str]:
        failed = [clause for _, clause in conjuncts(parts) if self._of(clause, seen) is NO]
        return [self.wording.need(clause) for clause in failed]

    def _depends(self, target: Target, undecided: Sequence[int], seen: tuple[View, ...]) -> Message:
        names: dict[str, None] = {}
        for at in undecided[:1]:
            rule = joined(target.ways[at])
            for view in seen:
                names |= dict.fromkeys(fact.attribute for fact in settle(rule, view, self.attributes, self.context))
        if not undecided and target.group is not None:
            names = dict.fromkeys(target.group.attributes)
        if not names:
            return message("example-nothing-settles")
        return message("example-to-record", facts=self._facts(names))

    def _facts(self, names: Iterable[str]) -> list[FactPart]:
        return [FactPart(name, self.wording.name(name)) for name in names]


_MOST_EXPLAINED = 50


@dataclass(frozen=True, slots=True)
class Target:
    """What an address names: the rules of its places, the scope among them. Of a group: `base`, what its places have in common;
    `may_have_another`: the coin may take a place of it that other coins open."""

    label: str
    pointer: str
    ways: Sequence[Sequence[RulePart]]
    base: Sequence[RulePart] = ()
    group: OnePer | None = None
    may_have_another: bool = False

"""One coin against one rule, explained: every clause with its verdict and the facts that it read, and for a doubt the
shortest list of facts that would settle it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations, product
from math import prod
from typing import Any

from service.evaluation.verdicts import WORLD_BUDGET, Case, Judgement, Split
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import NONE, Among, Between, Knowledge, Value, in_words, written_knowledge
from service.facts.truth import UNDECIDED, Verdict
from service.rules.cql2.text import to_text
from service.rules.predicates import (
    And,
    EvaluationContext,
    Leaf,
    Not,
    Or,
    Predicate,
    leaves,
)
from service.rules.rule import Rule
from service.rules.wording import RuleWording

MOST_SETTLING_FACTS = 12
MOST_COMBINATIONS = 5_000
_MOST_STEPS = 60_000


class StepBudget:
    """Verdicts for one explanation: each rule is put to a view once, and all of them together walk a limited number of
    worlds; past it a verdict that worlds would have to decide stays undecided and says that it was the budget."""

    def __init__(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> None:
        self.attributes, self.context, self.left = attributes, context, _MOST_STEPS
        self._known: dict[tuple[Predicate, int], Judgement] = {}
        self._views: list[View] = []

    def judge(self, predicate: Predicate, view: View) -> Judgement:
        number = next((at for at, known in enumerate(self._views) if known is view), None)
        if number is None:
            number = len(self._views)
            self._views.append(view)
        if (predicate, number) not in self._known:
            self._known[predicate, number] = self.of(Case(predicate, view.facts, self.attributes, self.context))
        return self._known[predicate, number]

    def of(self, case: Case) -> Judgement:
        """The verdict of a case that was made already."""
        before = case.steps
        judgement = case.judge(min(WORLD_BUDGET, self.left))
        self.left = max(0, self.left - (case.steps - before))
        return judgement


@dataclass(frozen=True, slots=True)
class SettledOutcome:
    """One way that a fact may turn out: the values in words, and what the verdict then is."""

    values: tuple[str, ...]
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class SettlingFact:
    """A fact that would settle a doubt. `outcomes` are given when this fact alone settles it."""

    attribute: str
    look_at: str
    outcomes: tuple[SettledOutcome, ...]


def explain_clauses(
    parts: Iterable[tuple[Rule | str, Predicate]],
    view: View,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    speak: RuleWording | None = None,
    sparing: StepBudget | None = None,
) -> list[dict[str, Any]]:
    """The clauses of every part as plain values: {"rule", "in_words", "verdict", "facts", "clauses"}."""
    speak = speak or RuleWording(attributes, context.vocabularies)
    sparing = sparing or StepBudget(attributes, context)

    def clause(words: Rule | str, node: Predicate) -> dict[str, Any]:
        judgement = sparing.judge(node, view)
        told: dict[str, Any] = {"rule": clause_text(words, node), "in_words": speak.clause(node)}
        told["verdict"] = judgement.verdict.value
        if judgement.limit is not None:
            told["limit"] = judgement.limit
        if isinstance(node, And | Or):
            told["op"] = "and" if isinstance(node, And) else "or"
            told["clauses"] = [clause(words, item) for item in node.items]
        elif isinstance(node, Not):
            told["op"] = "not"
            told["clauses"] = [clause(words, node.item)]
        else:
            told["facts"] = [_fact(name, view, attributes) for name in sorted(node.reads)]
        return told

    return [clause(words, predicate) for words, predicate in parts]


def _fact(name: str, view: View, attributes: Mapping[str, Attribute]) -> dict[str, Any]:
    knowledge = view.facts.get(name)
    if knowledge is None:
        return {"attribute": name, "recorded": False, "look_at": attributes[name].look_at}
    fact = {"attribute": name, "recorded": True, "value": written_knowledge(knowledge), "from": view.source_of(name)}
    if view.issue is not None and fact["from"] == "issue":
        fact["issue"] = view.issue
    return fact


def clause_text(words: Rule | str, node: Predicate) -> str:
    """The clause in the author's language: the part of the rule's canonical text that this node is."""
    if isinstance(words, str):
        return words
    here: Any = words.expression.json
    for step in node.at.split("/")[1:]:
        here = here[int(step)] if isinstance(here, list) else here[step]
    return to_text(here)


def failing_clauses(
    parts: Iterable[tuple[Rule | str, Predicate]],
    views: tuple[View, ...],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> list[str]:
    """The smallest clauses of an and that the coin fails whatever it may be, in words; else the whole of what it fails."""
    found: list[str] = []
    for words, predicate in parts:
        conjuncts = _conjuncts(predicate)
        failed = [node for node in conjuncts if _fails(node, views, attributes, context)]
        if not failed and _fails(predicate, views, attributes, context):
            failed = [predicate]
        found.extend(clause_text(words, node) for node in failed)
    return found


def conjuncts(parts: Iterable[tuple[Rule | str, Predicate]]) -> list[tuple[Rule | str, Predicate]]:
    """The clauses of all parts, ands taken apart."""
    return [(words, clause) for words, predicate in parts for clause in _conjuncts(predicate)]


def _conjuncts(predicate: Predicate) -> list[Predicate]:
    if not isinstance(predicate, And):
        return [predicate]
    return [inner for item in predicate.items for inner in _conjuncts(item)]


def _fails(
    predicate: Predicate, views: tuple[View, ...], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> bool:
    return all(Case(predicate, view.facts, attributes, context).judge().verdict.value == "no" for view in views)


# --- what would settle a doubt -----------------------------------------------------------------------------------


def settle(
    predicate: Predicate,
    view: View,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    sparing: StepBudget | None = None,
) -> list[SettlingFact]:
    """The shortest list of facts that, once known, decide the rule for this coin whatever they turn out to be (ties: the
    order of the rule). Empty when no fact can settle it; past the budget, every fact that an undecided clause reads."""
    sparing = sparing or StepBudget(attributes, context)
    if sparing.judge(predicate, view).verdict is not UNDECIDED:
        return []
    case = Case(predicate, view.facts, attributes, context)
    undecided = {leaf for leaf in case.distinct if case.truths[leaf] is UNDECIDED}
    names = [split.name for split in case.splits if split.name is not None and _moves(split, undecided)]
    reading = [name for leaf in leaves(predicate) for name in sorted(leaf.reads)]
    names = sorted(set(names), key=reading.index)
    if len(names) <= MOST_SETTLING_FACTS:
        for size in range(1, len(names) + 1):
            for chosen in combinations(names, size):
                outcomes = _outcomes(case, chosen)
                if outcomes is None:
                    break
                if UNDECIDED not in outcomes.values():
                    return [_settling(name, chosen, outcomes, attributes, case) for name in chosen]
    return [SettlingFact(name, attributes[name].look_at, ()) for name in names]


def _moves(split: Split, undecided: set[Leaf]) -> bool:
    return any(leaf in undecided for choice in split.choices for leaf in choice.truths) or any(
        split.name in leaf.reads for leaf in undecided
    )


Region = tuple[str | None, tuple[Value, ...]]


def _outcomes(case: Case, names: tuple[str, ...]) -> dict[tuple[Region, ...], Verdict] | None:
    """The verdict for every combination of regions of these facts, the others left as they are, up to the first that
    stays undecided; None past the budget."""
    splits = [next(split for split in case.splits if split.name == name) for name in names]
    if prod(len(split.choices) for split in splits) > MOST_COMBINATIONS:
        return None
    outcomes: dict[tuple[Region, ...], Verdict] = {}
    for picked in product(*(split.choices for split in splits)):
        region = tuple((choice.meant, choice.values) for choice in picked)
        outcomes[region] = case.verdict_once(splits, picked)
        if outcomes[region] is UNDECIDED:
            break
    return outcomes


def _settling(
    name: str,
    chosen: tuple[str, ...],
    outcomes: Mapping[tuple[Region, ...], Verdict],
    attributes: Mapping[str, Attribute],
    case: Case,
) -> SettlingFact:
    attribute = attributes[name]
    at = chosen.index(name)
    by_region: dict[Region, set[Verdict]] = {}
    for regions, verdict in outcomes.items():
        by_region.setdefault(regions[at], set()).add(verdict)
    told: dict[Verdict, list[Region]] = {}
    for region, verdicts in by_region.items():
        told.setdefault(next(iter(verdicts)) if len(verdicts) == 1 else UNDECIDED, []).append(region)
    every = [value for _, values in by_region for value in values]
    ordered = sorted(told.items(), key=lambda item: item[0].value, reverse=True)
    words = RegionWording(attribute, every, case.facts.get(name), constants_of(case, name))
    return SettlingFact(
        name, attribute.look_at, tuple(SettledOutcome(words.of(regions), verdict) for verdict, regions in ordered)
    )


def constants_of(case: Case, name: str) -> set[object]:
    """The values that the rule or the facts themselves name, and those where the answer may change; other samples stand
    for 'anything else'."""
    named: set[object] = set(case.cuts.get(name, ()))
    known = case.facts.get(name)
    if known is not None:
        named.update(getattr(known, "values", ()))
    if name not in case.cuts:
        # A number that a rule names need not be where its answer changes: weight + 0.5 = 2.5 changes at 2.
        named.update(value for leaf in case.distinct if name in leaf.reads for value in leaf.constants)
    return named


class RegionWording:
    """Regions of one attribute in words: ranges for numbers and dates, names for texts, `anything else` for samples that
    neither the rule nor the facts name. `every` is all that was tried."""

    def __init__(
        self, attribute: Attribute, every: list[Value], known: Knowledge | None, constants: set[object]
    ) -> None:
        self.attribute, self.constants = attribute, constants
        self.line: list[Any] = sorted(v for v in every if v is not NONE) if attribute.is_ordered else []
        self.low_end = isinstance(known, Among) or (isinstance(known, Between) and known.low is not None)
        self.high_end = isinstance(known, Among) or (isinstance(known, Between) and known.high is not None)
        self.scattered = isinstance(known, Among)

    def of(self, regions: Iterable[Region]) -> tuple[str, ...]:
        """The regions, one entry for each value or range."""
        meant = [words for words, _ in regions if words is not None]
        values = [value for words, held in regions if words is None for value in held]
        none = ("none",) if NONE in values else ()
        values = [value for value in values if value is not NONE]
        if self.attribute.is_ordered:
            return (*dict.fromkeys(meant), *self._ranges(set(values)), *none)
        named = [v for v in values if v in self.constants or self.attribute.values or isinstance(v, frozenset | bool)]
        rest = ("anything else",) if len(named) < len(values) else ()
        return (*dict.fromkeys(meant), *(in_words(value) for value in named), *rest, *none)

    def _ranges(self, chosen: set[Any]) -> list[str]:
        """Neighbouring samples as ranges; the samples at an open end of the line stand for all beyond."""
        if self.scattered:
            return [in_words(value) for value in self.line if value in chosen]
        runs: list[list[Any]] = []
        for at, value in enumerate(self.line):
            if value not in chosen:
                continue
            if runs and at and runs[-1][-1] == self.line[at - 1]:
                runs[-1].append(value)
            else:
                runs.append([value])
        return [self._run(run) for run in runs]

    def _run(self, run: list[Any]) -> str:
        opens = run[0] == self.line[0] and not self.low_end
        closes = run[-1] == self.line[-1] and not self.high_end
        if opens and closes:
            return "any value"
        if len(run) == 1 and not opens and not closes and not self._is_sample(run[0]):
            return in_words(run[0])
        low = "" if opens else self._end(run[0], -1)
        high = "" if closes else self._end(run[-1], 1)
        if opens:
            return high if high.startswith("less") else f"up to {high}"
        if closes:
            return low if low.startswith("more") else f"{low} or more"
        return (
            f"{low} to {high}"
            if not low.startswith("more")
            else f"{low} and {'' if 'less' in high else 'up to '}{high}"
        )

    def _is_sample(self, value: Any) -> bool:
        """Whether the value stands for a gap between two constants, as only numbers that need not be whole do."""
        ends = (0 if self.low_end else -1, len(self.line) - 1 if self.high_end else -1)
        return self.attribute.type == "decimal" and value not in self.constants and self.line.index(value) not in ends

    def _end(self, value: Any, step: int) -> str:
        """The end of a run: a value that belongs to it, or the constant that bounds the gap of a sample."""
        if not self._is_sample(value):
            return in_words(value)
        at = self.line.index(value) + step
        while 0 < at < len(self.line) - 1 and self._is_sample(self.line[at]):
            at += step
        return f"{'less' if step > 0 else 'more'} than {in_words(self.line[at])}"

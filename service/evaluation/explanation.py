"""One coin and one rule, explained: every clause with its verdict and the facts that it read, and for a doubt the
shortest list of facts that would settle it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import prod
from typing import Annotated, Any, Literal

from msgspec import UNSET, Meta, Struct, UnsetType, field

from service.evaluation.outcomes import ways_of
from service.evaluation.verdicts import WORLD_BUDGET, Case, Judgement, Split
from service.facts.attributes import Attribute
from service.facts.holding import View
from service.facts.knowledge import Value, knowledge_as_json
from service.facts.recorded import RecordedFact
from service.facts.truth import NO, UNDECIDED, Verdict
from service.rules.cql2.text import to_text
from service.rules.labels import Labels
from service.rules.predicates import And, EvaluationContext, Not, Or, Predicate, leaves
from service.rules.rule import Rule, RulePart
from service.rules.wording import RuleWording

MOST_SETTLING_FACTS = 12
"""With more open facts than this no shortest list is looked for."""
MOST_COMBINATIONS = 5_000
"""The largest number of combinations of regions that are tried for one list of facts."""
_MOST_STEPS = 60_000


class BudgetedVerdicts:
    """Verdicts for one explanation. Each rule is judged once for a view, and all of them together visit at most 60,000
    nodes; past it a verdict that needs more stays undecided with the limit `budget`."""

    def __init__(self, attributes: Mapping[str, Attribute], context: EvaluationContext) -> None:
        self.attributes, self.context = attributes, context
        self._left = _MOST_STEPS
        self._known: dict[tuple[Predicate, int], Judgement] = {}
        self._views: list[View] = []

    def judge(self, predicate: Predicate, view: View) -> Judgement:
        """The verdict of the rule for the view."""
        number = next((at for at, known in enumerate(self._views) if known is view), None)
        if number is None:
            number = len(self._views)
            self._views.append(view)
        if (predicate, number) not in self._known:
            case = Case(predicate, view.facts, self.attributes, self.context)
            self._known[predicate, number] = case.judge(min(WORLD_BUDGET, self._left))
            self._left = max(0, self._left - case.steps)
        return self._known[predicate, number]


@dataclass(frozen=True, slots=True)
class SettledOutcome:
    """One way that a fact may turn out: the values in words, one that can be recorded (None: none was found), and the
    verdict then."""

    when: str
    example: Value | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class SettlingFact:
    """A fact that would settle a doubt, alone or with the others of its list; `look_at` is where to look. `outcomes` have
    an undecided one where the other facts of the list matter too, and are empty where the list is not the shortest."""

    attribute: str
    look_at: str
    outcomes: tuple[SettledOutcome, ...]


class PresumedBy(Struct, frozen=True):
    """A presumption: which list it is in, and where, from 0."""

    list: Literal["definition", "account", "request"]
    index: int


class ReadFact(Struct, frozen=True, kw_only=True):
    """A fact that a clause reads."""

    attribute: str
    recorded: bool
    look_at: Annotated[str | UnsetType, Meta(description="Where to look, if it is not recorded.")] = UNSET
    value: Annotated[RecordedFact, Meta(description="What is recorded.")] = UNSET
    source: Annotated[
        Literal["holding", "issue", "identified", "presumed"] | UnsetType,
        Meta(
            description="Whether the holding has it, its issue, the issue that it was identified as, or a presumption."
        ),
    ] = field(default=UNSET, name="from")
    issue: Annotated[str | UnsetType, Meta(description="The issue that it is from.")] = UNSET
    entry: Annotated[PresumedBy | UnsetType, Meta(description="The presumption that it is from.")] = UNSET


class ExplainedClause(Struct, frozen=True, kw_only=True):
    """A clause of a rule with its verdict: `op` with the clauses that it joins, or the facts that it reads."""

    rule: Annotated[str, Meta(description="The clause as the author wrote it.")]
    in_words: str
    verdict: Verdict
    limit: Annotated[str | UnsetType, Meta(description="What prevented an exact verdict.")] = UNSET
    op: Literal["and", "or", "not"] | UnsetType = UNSET
    clauses: list[ExplainedClause] | UnsetType = UNSET
    facts: list[ReadFact] | UnsetType = UNSET


def explain_clauses(
    parts: Iterable[RulePart],
    view: View,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    wording: RuleWording | None = None,
    verdicts: BudgetedVerdicts | None = None,
) -> list[ExplainedClause]:
    """The clauses of every part. `wording` and `verdicts` are shared by explanations that belong together."""
    wording = wording or RuleWording(attributes, context.vocabularies)
    verdicts = verdicts or BudgetedVerdicts(attributes, context)
    explaining = _Explaining(view, attributes, wording, verdicts)
    return [explaining.clause(words, predicate) for words, predicate in parts]


@dataclass(frozen=True, slots=True)
class _Explaining:
    """Of one holding, as it may be."""

    view: View
    attributes: Mapping[str, Attribute]
    wording: RuleWording
    verdicts: BudgetedVerdicts

    def clause(self, words: Rule | str, node: Predicate) -> ExplainedClause:
        judgement = self.verdicts.judge(node, self.view)
        parts: dict[str, Any] = {}
        if isinstance(node, And | Or):
            parts["op"] = "and" if isinstance(node, And) else "or"
            parts["clauses"] = [self.clause(words, item) for item in node.items]
        elif isinstance(node, Not):
            parts = {"op": "not", "clauses": [self.clause(words, node.item)]}
        else:
            parts["facts"] = [_fact(name, self.view, self.attributes) for name in sorted(node.reads)]
        return ExplainedClause(
            rule=clause_text(words, node),
            in_words=self.wording.clause(node),
            verdict=judgement.verdict,
            limit=judgement.limit or UNSET,
            **parts,
        )


def _fact(name: str, view: View, attributes: Mapping[str, Attribute]) -> ReadFact:
    knowledge = view.facts.get(name)
    if knowledge is None:
        return ReadFact(attribute=name, recorded=False, look_at=attributes[name].look_at)
    source = view.source_of(name)
    value = knowledge_as_json(knowledge)
    if source == "presumed":
        entry, look_at = view.presumed[name], attributes[name].look_at
        where = PresumedBy(entry.list, entry.index)
        return ReadFact(attribute=name, recorded=False, look_at=look_at, value=value, source=source, entry=where)
    issue = view.issue if source != "holding" and view.issue is not None else UNSET
    return ReadFact(attribute=name, recorded=True, value=value, source=source, issue=issue)


def clause_text(words: Rule | str, node: Predicate) -> str:
    """The clause as the author wrote it: the part of the rule's canonical text that this node is."""
    if isinstance(words, str):
        return words
    here: Any = words.expression.json
    for step in node.at.split("/")[1:]:
        here = here[int(step)] if isinstance(here, list) else here[step]
    return to_text(here)


def failing_clauses(
    parts: Iterable[RulePart],
    views: tuple[View, ...],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> list[RulePart]:
    """The clauses that the coin fails as each of its views, each with the rule that it is from: the smallest operands of
    `and` that fail by themselves, or else the whole part where that fails. Empty where it fails no part."""
    found: list[RulePart] = []
    for words, predicate in parts:
        failed = [node for node in _conjuncts(predicate) if _fails(node, views, attributes, context)]
        if not failed and _fails(predicate, views, attributes, context):
            failed = [predicate]
        found.extend((words, node) for node in failed)
    return found


def conjuncts(parts: Iterable[RulePart]) -> list[RulePart]:
    """The clauses of all parts, with every `and` taken apart."""
    return [(words, clause) for words, predicate in parts for clause in _conjuncts(predicate)]


def _conjuncts(predicate: Predicate) -> list[Predicate]:
    if not isinstance(predicate, And):
        return [predicate]
    return [inner for item in predicate.items for inner in _conjuncts(item)]


def _fails(
    predicate: Predicate, views: tuple[View, ...], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> bool:
    return all(Case(predicate, view.facts, attributes, context).judge().verdict is NO for view in views)


# --- what would settle a doubt -----------------------------------------------------------------------------------


def settle(
    predicate: Predicate,
    view: View,
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    verdicts: BudgetedVerdicts | None = None,
    labels: Labels | None = None,
) -> list[SettlingFact]:
    """The shortest list of facts that, once known, decide the rule for this coin whatever they turn out to be. `labels` has the
    words for how they may turn out; None: in English.

    Ties: the first list in the order in which the rule reads the attributes. Empty when the verdict is decided, or no
    fact can decide it. What the vocabularies do not say may leave it undecided even then. By enumeration of lists and
    regions: past 12 open facts or 5,000 combinations for a list, every open fact is returned, without outcomes.
    """
    verdicts = verdicts or BudgetedVerdicts(attributes, context)
    if verdicts.judge(predicate, view).verdict is not UNDECIDED:
        return []
    case = Case(predicate, view.facts, attributes, context)
    if case.is_by_reference():
        return []
    in_rule = [name for leaf in leaves(predicate) for name in sorted(leaf.reads)]
    splits = case.open_splits()
    names = sorted(splits, key=in_rule.index)
    if len(names) <= MOST_SETTLING_FACTS:
        for size in range(1, len(names) + 1):
            for chosen in combinations(names, size):
                outcomes, is_settled = _outcomes(case, [splits[name] for name in chosen])
                if outcomes is None:
                    break
                if is_settled:
                    return [
                        _settling(at, splits[name], outcomes, attributes[name], case, labels)
                        for at, name in enumerate(chosen)
                    ]
    return [SettlingFact(name, attributes[name].look_at, ()) for name in names]


def _outcomes(case: Case, splits: Sequence[Split]) -> tuple[dict[tuple[int, ...], Verdict] | None, bool]:
    """The verdict for every combination of choices of these facts, by their numbers, the others left open, up to the first
    that other facts may still decide, and whether there is none; None past the number of combinations."""
    if prod(len(split.tellable) for split in splits) > MOST_COMBINATIONS:
        return None, False
    outcomes: dict[tuple[int, ...], Verdict] = {}
    for numbers in product(*(range(len(split.tellable)) for split in splits)):
        picked = [split.tellable[at] for split, at in zip(splits, numbers, strict=True)]
        outcomes[numbers] = case.verdict_given(splits, picked)
        if outcomes[numbers] is UNDECIDED and not case.is_by_reference(splits, picked, budget=MOST_COMBINATIONS):
            return outcomes, False
    return outcomes, True


def _settling(
    at: int,
    split: Split,
    outcomes: Mapping[tuple[int, ...], Verdict],
    attribute: Attribute,
    case: Case,
    labels: Labels | None,
) -> SettlingFact:
    """The fact of this split, which is number `at` of those chosen."""
    by_choice: list[set[Verdict]] = [set() for _ in split.tellable]
    for numbers, verdict in outcomes.items():
        by_choice[numbers[at]].add(verdict)
    keys = [next(iter(verdicts)) if len(verdicts) == 1 else UNDECIDED for verdicts in by_choice]
    ways = sorted(ways_of(case, attribute, split.tellable, keys, labels), key=lambda way: way.key.value, reverse=True)
    return SettlingFact(
        attribute.name, attribute.look_at, tuple(SettledOutcome(way.when, way.example, way.key) for way in ways)
    )

"""Whether any coin at all can fit some rules and fail others: exact, over the regions that the rules cut, with an
example.

The open attributes are split one by one, with Kleene's verdict after each; past a number of steps CP-SAT decides, with
one choice of region for each attribute. Where the regions cannot be listed nothing is claimed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any

from service.analysis.remembered_splits import Found, RememberedSplits
from service.evaluation.verdicts import BUDGET, WORLD_BUDGET, Case, Choice, judge_view
from service.facts.attributes import Attribute
from service.facts.holding import Facts, View
from service.facts.knowledge import NONE, Among, Knowledge, Value, knowledge_as_json, value_as_json
from service.facts.truth import NO, UNDECIDED, YES, Verdict
from service.rules.predicates import (
    And,
    EvaluationContext,
    Leaf,
    Not,
    Or,
    Predicate,
    kleene_verdict,
)

_MOST_STEPS = 300_000
_SOLVER_SECONDS = 1.0
_SOLVER_WORK = 300_000
_NOTHING_KNOWN: Facts = {}


@dataclass(frozen=True, slots=True)
class WantedVerdict:
    """A rule that the coin must fit, or must fail where `fits` is false."""

    rule: Predicate
    fits: bool = True


@dataclass(frozen=True, slots=True)
class Witness:
    """`possible`: whether such a coin can exist; undecided where `limit` was met. `example` are facts of one, as JSON,
    checked by evaluating them; None where none was found, or none that plain facts can describe. `work` is what the
    answer cost, about in microseconds, counted so that it is the same on every machine."""

    possible: Verdict
    example: dict[str, Any] | None = None
    work: int = 0
    limit: str | None = None


def find_witness(
    wanted: Sequence[WantedVerdict],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
    facts: Facts = _NOTHING_KNOWN,
    *,
    with_none: bool = True,
    remembered: RememberedSplits | None = None,
) -> Witness:
    """Whether a coin of which these `facts` are known can fit and fail the rules as wanted. Without `with_none` only
    coins count of which nothing is known to be none (unless a rule asks for that).

    Exact: yes comes with choices of regions that do it, no when none exist. A leaf whose regions cannot be listed may be
    either way: what is impossible even then is impossible, and what is possible then is claimed only with an example that
    was checked. By depth-first search within 300,000 steps (satisfiability of a rule is NP-hard), then by CP-SAT within a
    deterministic second; past both undecided. `remembered` are splits of earlier questions about the same attributes in the
    same context; it changes no answer."""
    if remembered is not None and not facts and with_none and not context.none_as_null:
        found = remembered.search([(one.rule, one.fits) for one in wanted], _MOST_STEPS)
        if found is not None:
            return _remembered_witness(found, wanted, attributes, context)
    case = Case(Or(tuple(one.rule for one in wanted)), facts, attributes, context, with_none=with_none)
    picked, spent, steps = _descend(case, wanted)
    work = _work_of(case) + steps
    if spent and not case.joint:
        work += _SOLVER_WORK
        picked, spent = _solve(case, wanted)
    if picked is None:
        return Witness(UNDECIDED, work=work, limit=case.limit or BUDGET) if spent else Witness(NO, work=work)
    example = _example(case, picked, wanted, attributes, context)
    if case.limit is not None and example is None:
        return Witness(UNDECIDED, work=work, limit=case.limit)
    return Witness(YES, example, work)


def _work_of(case: Case) -> int:
    """About how many microseconds it took to list the regions and judge the leaves in them."""
    sizes = {split.name: len(split.choices) for split in case.splits}
    tried = sum(len(choice.truths) * len(choice.values or (1,)) for split in case.splits for choice in split.choices)
    together = sum(min(WORLD_BUDGET, prod(sizes.get(name, 1) for name in leaf.reads)) for leaf in case.joint)
    return 20 * len(case.distinct) + 2 * (tried + together) + case.text_work


def _descend(case: Case, wanted: Sequence[WantedVerdict]) -> tuple[list[Choice] | None, bool, int]:
    """A depth-first search over the splits. Returns the choices of one such coin in the order of the case's splits, or
    None; whether, with none found, there may still be one (the steps were used up, or a verdict stayed open with every
    split decided); and the steps taken, counted in leaves."""
    order = sorted(range(len(case.splits)), key=lambda at: len(case.splits[at].choices))
    search = _Search(case, wanted, order)
    found = search.descend(0, case.truths, case.plain)
    if found is None:
        return None, search.left_open or search.steps > _MOST_STEPS, search.steps
    by_split = dict(zip(order, found, strict=True))
    return [by_split[at] for at in range(len(case.splits))], False, search.steps


@dataclass(slots=True)
class _Search:
    """Over the splits of a case in this order. `left_open`: a verdict stayed open with every split decided."""

    case: Case
    wanted: Sequence[WantedVerdict]
    order: Sequence[int]
    steps: int = 0
    left_open: bool = False

    def descend(self, at: int, truths: Mapping[Leaf, Verdict], world: Mapping[str, Value]) -> list[Choice] | None:
        """The choices from the split `at` on, or None."""
        case, wanted = self.case, self.wanted
        self.steps += len(case.occurrences) + len(case.joint)
        if self.steps > _MOST_STEPS:
            return None
        verdicts = [kleene_verdict(one.rule, truths.__getitem__) for one in wanted]
        if any(verdict is (NO if one.fits else YES) for verdict, one in zip(verdicts, wanted, strict=True)):
            return None
        if at == len(self.order):
            if UNDECIDED not in verdicts:
                return []
            self.left_open = True
            return None
        split = case.splits[self.order[at]]
        # A value with a single reading makes a better example, and so does one that is not none.
        for choice in sorted(split.choices, key=lambda c: (c.meant is not None, c.value is NONE)):
            rest = self.descend(at + 1, *case.decided_further(split, choice, truths, world))
            if rest is not None:
                return [choice, *rest]
        return None


def _solve(case: Case, wanted: Sequence[WantedVerdict]) -> tuple[list[Choice] | None, bool]:
    """The same by CP-SAT: one choice for each split, a literal for each leaf and each part of a rule. Returns the
    choices, or None and whether that is unproven."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    picks = [[model.new_bool_var("") for _ in split.choices] for split in case.splits]
    literals: dict[Leaf, Any] = {}
    for leaf in case.distinct:
        literals[leaf] = model.new_bool_var("")
        if case.truths[leaf] is not UNDECIDED:
            model.add(literals[leaf] == (case.truths[leaf] is YES))
    for split, chosen in zip(case.splits, picks, strict=True):
        model.add_exactly_one(chosen)
        for choice, pick in zip(split.choices, chosen, strict=True):
            for leaf, verdict in choice.truths.items():
                if verdict is not UNDECIDED:
                    model.add(literals[leaf] == (verdict is YES)).only_enforce_if(pick)
    for one in wanted:
        model.add(_literal(model, one.rule, literals) == one.fits)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = _SOLVER_SECONDS
    status = solver.solve(model)
    if status == cp_model.INFEASIBLE:
        return None, False
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None, True
    return [
        next(choice for choice, pick in zip(split.choices, chosen, strict=True) if solver.value(pick))
        for split, chosen in zip(case.splits, picks, strict=True)
    ], False


def _literal(model: Any, rule: Predicate, literals: Mapping[Leaf, Any]) -> Any:
    """Of a CP-SAT model: true where the rule fits."""
    if isinstance(rule, Not):
        return _literal(model, rule.item, literals).negated()
    if not isinstance(rule, And | Or):
        return literals[rule]
    parts = [_literal(model, item, literals) for item in rule.items]
    whole = model.new_bool_var("")
    if isinstance(rule, And):
        model.add_bool_and(parts).only_enforce_if(whole)
        model.add_bool_or([part.negated() for part in parts]).only_enforce_if(whole.negated())
    else:
        model.add_bool_or(parts).only_enforce_if(whole)
        model.add_bool_and([part.negated() for part in parts]).only_enforce_if(whole.negated())
    return whole


def _example(
    case: Case,
    picked: Sequence[Choice],
    wanted: Sequence[WantedVerdict],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> dict[str, Any] | None:
    """Facts that were checked to do what is wanted: with readable texts where possible, else as they were found."""
    plain = dict(case.plain)
    plain |= {s.name: c.value for s, c in zip(case.splits, picked, strict=True) if s.name and c.value is not None}
    return _checked_example(plain, wanted, attributes, context)


def _checked_example(
    plain: Mapping[str, Value],
    wanted: Sequence[WantedVerdict],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> dict[str, Any] | None:
    for values in ({name: _readable(value) for name, value in plain.items()}, plain):
        facts: dict[str, Knowledge] = {name: Among((value,)) for name, value in values.items()}
        if _is_as_wanted(facts, wanted, attributes, context):
            return {name: knowledge_as_json(knowledge) for name, knowledge in sorted(facts.items())}
    return None


def _remembered_witness(
    found: Found,
    wanted: Sequence[WantedVerdict],
    attributes: Mapping[str, Attribute],
    context: EvaluationContext,
) -> Witness:
    if found.values is None:
        return Witness(NO, work=found.work)
    if all(_readable(value) == value for value in found.values.values()):
        # The search itself judged every clause by these values.
        example = {name: value_as_json(value) for name, value in found.values.items()}
        return Witness(YES, example, found.work)
    return Witness(YES, _checked_example(found.values, wanted, attributes, context), found.work)


def _readable(value: Value) -> Value:
    return "another text" if isinstance(value, str) and (not value or not value.isprintable()) else value


def _is_as_wanted(
    facts: Facts, wanted: Sequence[WantedVerdict], attributes: Mapping[str, Attribute], context: EvaluationContext
) -> bool:
    return all(
        judge_view(one.rule, View(facts), attributes, context).verdict is (YES if one.fits else NO) for one in wanted
    )

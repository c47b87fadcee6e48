"""Which unknown fact changes most: for every doubtful coin each fact that could be looked at, and what the sets would be
if it turned out one way or the other. Pure.

Every gain is exact for the value that is tried: the figures of the evaluation with the fact recorded, minus those of the
evaluation as it is. Values are tried one for each region into which all the rules in doubt, of all the sets together, and
the keys of their set-level rules cut the attribute; within a region no verdict tells values apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import prod
from typing import Any

from service.evaluation.distinguishing import distinguishing_features
from service.evaluation.places import key_test
from service.evaluation.region_wording import region_wording
from service.evaluation.settling import TrialBudget, settle_places
from service.evaluation.verdicts import Case, Split
from service.facts.attributes import Attribute, Attributes
from service.facts.holding import Holding, View
from service.facts.knowledge import Among, Value, in_words, written, written_knowledge
from service.facts.truth import UNDECIDED
from service.progress.whatif import Evaluated
from service.rules.cuts import Below
from service.rules.labels import listed
from service.rules.predicates import Comparison, EvaluationContext, Or, Predicate
from service.rules.terms import Const, Ref

MOST_DOUBTS = 500
MOST_EDGES = 1_000_000
MOST_OUTCOMES = 60
MOST_TOGETHER = 120
MOST_OTHER_KEYS = 40
ISSUE = "issue"


@dataclass
class DoubtfulFact:
    """One coin in doubt: by the number of each set, what it may fit there."""

    holding: str
    rules: dict[int, dict[str, Predicate]]

    def named(self) -> dict[str, Predicate]:
        return {f"{number}/{name}": rule for number, rules in self.rules.items() for name, rule in rules.items()}


def weigh_facts(sets: Sequence[Evaluated]) -> dict[str, Any]:
    """{"facts": [...], "features": [...], "left_out": n}.

    `facts`, the ones that change most first: {"holding", "attributes", "look_at", "best", "worst", "outcomes", "proven",
    "message"}. `attributes` are looked at together; there are several where no single fact settles the coin. An outcome
    is {"values": {attribute: words}, "recorded": {attribute: value}, "certain_gain", "possible_gain", "sets": [{"set",
    "certain_gain", "possible_gain", "opens"}]}; `best` and `worst` are the gains of the best and the worst outcome.
    `features`: for each coin with several candidate issues the smallest set of features that tells them apart.
    `left_out`: how many facts were not weighed, past the work that one answer may cost.
    """
    weighing = _Weighing(sets)
    facts = [entry for doubt in weighing.doubts() for entry in weighing.weigh(doubt)]
    facts.sort(
        key=lambda e: (
            -e["best"]["certain_gain"],
            -e["best"]["possible_gain"],
            e["worst"]["possible_gain"],
            len(e["attributes"]),
            e["holding"],
            e["attributes"],
        )
    )
    return {"facts": facts, "features": list(weighing.features()), "left_out": weighing.left_out}


class _Weighing:
    def __init__(self, sets: Sequence[Evaluated]) -> None:
        self.sets = sets
        self.coins = [{holding.id: at for at, holding in enumerate(one.board.holdings)} for one in sets]
        self.left = MOST_EDGES
        self.left_out = 0
        self.allowance = TrialBudget(200_000)

    def doubts(self) -> Iterator[DoubtfulFact]:
        """The coins that may fit some place, and those whose key under a set-level rule is not settled; those that sit
        somewhere first, then by id."""
        found: dict[str, DoubtfulFact] = {}
        sitting: set[str] = set()
        for number, one in enumerate(self.sets):
            board = one.board
            sitting |= {board.holdings[seat.holding].id for seat in one.whole.solution.placements}
            for at, place in enumerate(board.places):
                for coin, fit in board.fits[at].items():
                    if fit.verdict is UNDECIDED:
                        name = place.group if place.kind == "free_choice" else place.address
                        rules = _doubt(found, board.holdings[coin].id).rules.setdefault(number, {})
                        rules[name] = place.predicate
            for rule in board.problem.rules:
                for coin, keys in rule.keys.items():
                    if keys.possible != keys.settled:
                        _doubt(found, board.holdings[coin].id).rules.setdefault(number, {})
        order = sorted(found, key=lambda name: (name not in sitting, name))
        self.left_out += max(0, len(order) - MOST_DOUBTS)
        for name in order[:MOST_DOUBTS]:
            yield found[name]

    def weigh(self, doubt: DoubtfulFact) -> Iterator[dict[str, Any]]:
        """The entries of one coin."""
        if any(len(self._views(number, doubt)) > 1 for number in doubt.rules):
            yield from self._weigh_issue(doubt)
            return
        first = next(iter(doubt.rules))
        attributes, context = self._attributes(doubt), self._around(doubt)
        facts = self._views(first, doubt)[0].facts
        rules = {**doubt.named(), **dict(self._key_rules(doubt))}
        if not rules:
            return
        case = Case(Or(tuple(rules.values())), facts, attributes, context)
        splits = case.open_splits()
        for name, split in splits.items():
            yield from self._weigh_one(
                doubt, case, attributes, (split,), {name: _options(split, case, attributes[name])}
            )
        together = settle_places(doubt.named(), (View(facts),), attributes, context, self.allowance).facts
        names = [fact.attribute for fact in together]
        if len(names) > 1 and splits.keys() >= set(names):
            options = {name: _options(splits[name], case, attributes[name]) for name in names}
            yield from self._weigh_one(doubt, case, attributes, tuple(splits[name] for name in names), options)

    # -- one coin

    def _weigh_one(
        self,
        doubt: DoubtfulFact,
        case: Case,
        attributes: Mapping[str, Attribute],
        splits: Sequence[Split],
        options: Mapping[str, Sequence[Value]],
    ) -> Iterator[dict[str, Any]]:
        size = prod(len(values) for values in options.values())
        if size < 2 or size > (MOST_OUTCOMES if len(options) == 1 else MOST_TOGETHER):
            self.left_out += size > 1
            return
        words = [_words_by_value(split, case, attributes[split.name or ""]) for split in splits]
        tries = []
        for values in product(*options.values()):
            recorded = dict(zip(options, values, strict=True))
            said = {name: words[at].get(value, in_words(value)) for at, (name, value) in enumerate(recorded.items())}
            knowledge = {name: Among((value,)) for name, value in recorded.items()}
            plain = {name: written(value) for name, value in recorded.items()}
            tries.append((said, plain, lambda held, known=knowledge: replace(held, facts={**held.facts, **known})))
        look_at = {name: attributes[name].look_at for name in options}
        entry = self._tried(doubt, list(options), look_at, tries)
        if entry is not None:
            yield entry

    def _weigh_issue(self, doubt: DoubtfulFact) -> Iterator[dict[str, Any]]:
        number = next(number for number in doubt.rules if len(self._views(number, doubt)) > 1)
        names = [view.issue for view in self._views(number, doubt)]
        tries = [
            ({ISSUE: str(name)}, {ISSUE: name}, lambda held, issue=name: replace(held, issues=(issue,)))
            for name in names
        ]
        entry = self._tried(doubt, [ISSUE], {ISSUE: "what tells its candidate issues apart: see `features`"}, tries)
        if entry is not None:
            yield entry

    def _tried(
        self, doubt: DoubtfulFact, attributes: list[str], look_at: dict[str, str], tries: Sequence[tuple[Any, Any, Any]]
    ) -> dict[str, Any] | None:
        reached = {
            number: one.touched(
                at for at, fits in enumerate(one.board.fits) if self.coins[number][doubt.holding] in fits
            )
            for number, one in enumerate(self.sets)
            if number in doubt.rules
        }
        cost = sum(self.sets[number].weight_of(touched) for number, touched in reached.items()) * len(tries)
        if cost > self.left:
            self.left_out += 1
            return None
        self.left -= cost
        outcomes, proven = [], True
        for said, recorded, known_as in tries:
            gains: list[dict[str, Any]] = []
            for number, touched in reached.items():
                one = self.sets[number]
                held = known_as(one.board.holdings[self.coins[number][doubt.holding]])
                if one.opens_places(held):
                    before, after = one.whole, one.anew([held]).whole
                else:
                    before, after = one.as_is(touched), one.with_facts(touched, held)
                proven = proven and before.proven and after.proven
                old = before.seats()
                gains.append(
                    {
                        "set": number,
                        "certain_gain": after.certain - before.certain,
                        "possible_gain": after.possible - before.possible,
                        "opens": [address for address in after.seats() if address not in old],
                    }
                )
            outcomes.append(
                {
                    "values": said,
                    "recorded": recorded,
                    "certain_gain": sum(gain["certain_gain"] for gain in gains),
                    "possible_gain": sum(gain["possible_gain"] for gain in gains),
                    "sets": gains,
                }
            )
        if all(_gains(outcome) == (0, 0) for outcome in outcomes):
            return None
        best, worst = max(outcomes, key=_gains), min(outcomes, key=_gains)
        entry: dict[str, Any] = {
            "holding": doubt.holding,
            "attributes": attributes,
            "look_at": look_at,
            "best": {name: best[name] for name in ("values", "certain_gain", "possible_gain")},
            "worst": {name: worst[name] for name in ("values", "certain_gain", "possible_gain")},
            "outcomes": outcomes,
            "proven": proven,
        }
        return {**entry, "message": _message(entry)}

    # -- what stands behind it

    def _views(self, number: int, doubt: DoubtfulFact) -> tuple[View, ...]:
        return self.sets[number].board.views[self.coins[number][doubt.holding]]

    def _attributes(self, doubt: DoubtfulFact) -> Attributes:
        """All attributes of the sets that are in doubt about the coin; for one that two declare differently the
        first's."""
        found: dict[str, Attribute] = {}
        for number in doubt.rules:
            for name, attribute in self.sets[number].request.definition.attributes.items():
                found.setdefault(name, attribute)
        return Attributes(found.values())

    def _around(self, doubt: DoubtfulFact) -> EvaluationContext:
        schemes = {
            name: scheme
            for number in reversed(doubt.rules)
            for name, scheme in self.sets[number].request.vocabularies.items()
        }
        return EvaluationContext(self.sets[0].request.today, schemes)

    def _key_rules(self, doubt: DoubtfulFact) -> Iterator[tuple[str, Predicate]]:
        """What else a fact may change: the keys of set-level rules and of open-ended groups, as comparisons with the keys
        that other coins show."""
        for number in doubt.rules:
            one = self.sets[number]
            definition = one.request.definition
            for constraint in one.board.constraints:
                if constraint.where is not None:
                    yield f"{number}/{constraint.id}", constraint.where.predicate
                for name in constraint.by:
                    if not definition.attributes[name].many:
                        for value in self._shown(number, name):
                            yield f"{number}/{constraint.id}/{value}", Comparison("=", Ref(name), Const(value))
            for group in definition.one_per:
                if group.keys.is_open:
                    for value in self._shown(number, group.attribute):
                        for key in sorted(value) if isinstance(value, frozenset) else [value]:
                            yield f"{number}/{group.id}/{key}", key_test(definition, group, str(key))[1]

    def _shown(self, number: int, name: str) -> list[Value]:
        """Some of the values that coins of the set show, those that fit some place first."""
        board = self.sets[number].board
        fitting = {coin for fits in board.fits for coin in fits}
        found: dict[Value, None] = {}
        for coin in sorted(fitting):
            for view in board.views[coin]:
                known = view.facts.get(name)
                if isinstance(known, Among):
                    found.update(dict.fromkeys(known.values))
        return list(found)[:MOST_OTHER_KEYS]

    def features(self) -> Iterator[dict[str, Any]]:
        """What tells the candidate issues of each coin apart."""
        told: set[str] = set()
        for one in self.sets:
            attributes, issues = one.request.definition.attributes, one.request.issues
            for holding in one.board.holdings:
                if len(holding.issues) > 1 and holding.id not in told:
                    told.add(holding.id)
                    yield features_of(holding, issues, attributes)


def features_of(holding: Holding, issues: Mapping[str, Any], attributes: Mapping[str, Attribute]) -> dict[str, Any]:
    """{"holding", "features": [{"attribute", "look_at", "values": {issue: value}}], "alike", "ruled_out", "is_smallest",
    "message"}."""
    candidates = {issue: issues.get(issue, {}) for issue in holding.issues}
    found = distinguishing_features(candidates, holding.facts, attributes)
    features = [
        {
            "attribute": name,
            "look_at": attributes[name].look_at,
            "values": {
                issue: written_knowledge(facts[name])
                for issue, facts in candidates.items()
                if name in facts and issue not in found.ruled_out
            },
        }
        for name in found.attributes
    ]
    words = listed(list(found.attributes), "and")
    left = len(candidates) - len(found.ruled_out)
    if left <= 1:
        message = f"What is recorded of {holding.id} leaves {'one candidate issue' if left else 'no candidate issue'}."
    elif not found.attributes:
        message = f"Nothing that the catalogue records tells the candidate issues of {holding.id} apart."
    else:
        rest = " as far as the catalogue records what they are" if found.alike else ""
        message = f"Look at {words}: together they tell the {left} candidate issues of {holding.id} apart{rest}."
    return {
        "holding": holding.id,
        "features": features,
        "alike": [list(pair) for pair in found.alike],
        "ruled_out": [{"issue": issue, "attribute": name} for issue, name in found.ruled_out.items()],
        "is_smallest": found.is_smallest,
        "message": message,
    }


def _doubt(found: dict[str, DoubtfulFact], holding: str) -> DoubtfulFact:
    return found.setdefault(holding, DoubtfulFact(holding, {}))


def _gains(outcome: Mapping[str, Any]) -> tuple[int, int]:
    return outcome["certain_gain"], outcome["possible_gain"]


def _options(split: Split, case: Case, attribute: Attribute) -> list[Value]:
    """One value to record for each way that the fact may turn out. A term that stands above others (a bird) may turn out
    to be any of those below it, one for each way the rules tell them apart."""
    values: dict[Value, None] = {}
    for choice in split.choices:
        if choice.value is not None:
            values[choice.value] = None
            if choice.meant is not None:
                values.update(dict.fromkeys(_narrowed(choice.value, case, attribute)))
    return list(values)


def _narrowed(value: Value, case: Case, attribute: Attribute) -> list[Value]:
    cuts = [cut for leaf in case.distinct for cut in leaf.cuts() or ()]
    below = [cut for cut in cuts if isinstance(cut, Below) and cut.name == attribute.name]
    schemes = {cut.vocabulary for cut in below}
    found: dict[tuple[bool, ...], Value] = {}
    for name in sorted(schemes):
        scheme = case.context.vocabularies[name]
        for term in value if isinstance(value, frozenset) else (value,):
            for lower in sorted(scheme.below.get(term, ())) if isinstance(term, str) else ():
                pattern = tuple(scheme.is_at_or_below(lower, cut.term) for cut in below)
                narrower = frozenset((*(value - {term}), lower)) if isinstance(value, frozenset) else lower
                found.setdefault(pattern, narrower)
    return list(found.values())


def _words_by_value(split: Split, case: Case, attribute: Attribute) -> dict[Value, str]:
    words = region_wording(case, attribute, (choice.region for choice in split.choices))
    return {
        choice.value: ", ".join(words.of([choice.region]))
        for choice in split.choices
        if choice.value is not None and choice.meant is None
    }


def _message(entry: Mapping[str, Any]) -> str:
    facts = listed(entry["attributes"], "and")
    best, worst = entry["best"], entry["worst"]
    return (
        f"Look at {facts} of {entry['holding']}: at best {_places(best['certain_gain'])} won for certain "
        f"({listed(list(best['values'].values()), 'and')}), at worst {_turn(worst)}."
    )


def _turn(gains: Mapping[str, Any]) -> str:
    if gains["certain_gain"] > 0:
        return f"{_places(gains['certain_gain'])} won"
    if gains["possible_gain"] < 0:
        return f"{_places(-gains['possible_gain'])} that may be filled now can no longer be"
    return "nothing changes"


def _places(count: int) -> str:
    return "no place" if count == 0 else "1 place" if count == 1 else f"{count} places"

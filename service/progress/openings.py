"""Which empty places some coin could fill under the set-level rules, and which rules keep the others empty. Pure.

A place is open when a coin can be thought of that fits it for certain and with which one place more is filled (of required
places and places, in this order, with as many pins honoured), whatever coins have to move. Imaginary coins stand for all:
within the rule of the place one for each combination of what the set-level rules around it look at: every key that a coin
shows, one that none shows, and whether it fits each `where`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice, product
from math import prod

import numpy as np

from service.analysis.satisfiability import WantedVerdict, find_witness
from service.assignment.build import Instance, set_rule
from service.assignment.cp_sat import SolverBudget
from service.assignment.edges import Edges, joined
from service.assignment.fits import no_fits
from service.assignment.neighbours import leaders_of
from service.assignment.problem import AssignmentProblem, Basis, Edge, Placement, SetRule
from service.assignment.solve import most_filled
from service.evaluation.places import ONE_PER, Place, group_base, shows_a_key, where_to_look
from service.evaluation.table import Table
from service.facts.holding import View
from service.facts.kinds import read_fact
from service.facts.knowledge import NONE, Among, Between, Subsets, Value
from service.facts.truth import NO
from service.progress.conflicts import only_places
from service.rules.constraints import AT_MOST, MATCHES, SAME, Constraint
from service.rules.definition import REQUIRED, Definition
from service.rules.predicates import Always, Comparison, IsNull, Not, Predicate, SetComparison, all_of
from service.rules.terms import Const, Ref

MOST_COINS = 300
"""Imaginary coins for one place."""
MOST_WITNESSES = 2_000
"""Imaginary coins that are looked for, over all places."""
_SHARE_OF_A_TRIAL = 0.5
"""The most of the solver's time that one trial may use."""
MOST_WORK = 600_000
"""Edges times rules, over all trials."""
MOST_LEAVING = 20
"""Coins of which it is tried whether a place opens when they leave."""

_Reached = tuple[int, int, int]
"""Pins honoured, required places and places filled."""


@dataclass(frozen=True, slots=True)
class KeptEmpty:
    """Why no coin fills an empty place. `rules` keep it empty: without them a coin could fill it; none: no coin can fit the
    place. `leaving` are coins, by their numbers, one of which has to leave its place for it; `count` is what the one rule
    would have to allow; `partners`: places in which a coin that matches is needed first. `each`: of several rules each does
    so alone; else they do so together."""

    rules: tuple[Constraint, ...]
    leaving: tuple[int, ...] = ()
    count: int | None = None
    partners: tuple[int, ...] = ()
    each: bool = False


@dataclass(frozen=True, slots=True)
class Openings:
    """`kept_empty`: the empty places that no coin could fill, by number, each with the reason. `limited`: some place was not
    tried, past the work that one answer may cost; it counts as open."""

    kept_empty: Mapping[int, KeptEmpty]
    limited: bool


def with_open_groups(instance: Instance, definition: Definition) -> Instance:
    """The same with one empty place more for each open-ended group, for a key that no coin shows; its address is the group's
    id."""
    places, rules = list(instance.places), list(instance.problem.rules)
    by_id = {constraint.id: constraint for constraint in instance.constraints}
    for group in definition.one_per:
        if not group.keys.is_open:
            continue
        base = [test for _, test in group_base(definition, group)]
        # The parts of a place are those of its group, then those of its key.
        shown = [
            all_of(*(test for _, test in place.parts[len(base) :]))
            for place in instance.places
            if place.kind == ONE_PER and place.group == group.id
        ]
        tests = [*base, *shows_a_key(group, definition.attributes), *(Not(test) for test in shown)]
        rule = all_of(*tests) if tests else Always(True)
        rules = [
            replace(one, places=one.places | {len(places)})
            if not by_id[one.name].places or group.id in by_id[one.name].places
            else one
            for one in rules
        ]
        places.append(
            Place(
                address=group.id,
                label=group.name,
                kind=ONE_PER,
                tier=group.tier,
                predicate=rule,
                parts=(),
                prefer=(),
                group=group.id,
                look_at=where_to_look(definition, group),
                note=group.note,
                group_label=group.name,
            )
        )
    more = len(places) - len(instance.places)
    required = (*instance.problem.required, *(place.tier == REQUIRED for place in places[len(instance.places) :]))
    return replace(
        instance,
        places=tuple(places),
        fits=(*instance.fits, *(no_fits() for _ in range(more))),
        problem=replace(instance.problem, required=required, rules=tuple(rules)),
    )


def openings_of(
    instance: Instance, table: Table, seats: Mapping[int, Placement], budget_seconds: float = 10.0
) -> Openings:
    """Tries every empty place of an instance that is solved; `seats` are its placements by place. `budget_seconds` of the
    solver are for all trials together."""
    trials = _Trials(instance, table, seats, budget_seconds)
    kept = {at: why for at in trials.empty if (why := trials.kept_empty(at)) is not None}
    return Openings(kept, trials.limited)


@dataclass(frozen=True, slots=True, eq=False)
class _Kind:
    """Empty places that have one answer. `around`: the rules that look at them, by number; `coins`: the numbers of the
    imaginary coins that fit; `never`: none can."""

    around: Sequence[int]
    coins: range
    never: bool


class _Trials:
    def __init__(self, instance: Instance, table: Table, seats: Mapping[int, Placement], budget_seconds: float) -> None:
        self.instance, self.table, self.seats, self.budget_seconds = instance, table, seats, budget_seconds
        self.limited = False
        self._budget = SolverBudget(budget_seconds)
        self._left, self._witnesses = MOST_WORK, MOST_WITNESSES
        self._reached: dict[object, _Reached | None] = {}
        by_id = {constraint.id: constraint for constraint in instance.constraints}
        ruled = [(rule, by_id[rule.name]) for rule in instance.problem.rules if not rule.kind.is_goal]
        self.constraints = [constraint for _, constraint in ruled]
        eligible = np.unique(instance.edges.holding).tolist()
        self.shown: dict[str, list[Value]] = {
            name: self._shown(name, eligible) for name in {n for c in self.constraints for n in c.by}
        }
        self.empty = [at for at, place in enumerate(instance.places) if at not in seats and not place.is_open]
        views = list(instance.views)
        kinds: dict[object, _Kind] = {}
        self.kinds: dict[int, _Kind] = {}
        for at in self.empty:
            around = [number for number, (rule, _) in enumerate(ruled) if _looks_at(rule, at)]
            key = self._kind(at, around, [rule for rule, _ in ruled])
            if key not in kinds:
                coins, never = self._imaginary(at, [self.constraints[number] for number in around])
                kinds[key] = _Kind(around, range(len(views), len(views) + len(coins)), never)
                views += [(coin,) for coin in coins]
            self.kinds[at] = kinds[key]
        facts: dict[str, int] = {}
        self.imaginary = imaginary = range(len(instance.views), len(views))
        self.rules = [
            replace(rule, keys=set_rule(constraint, instance.places, [*eligible, *imaginary], views, table, facts).keys)
            for rule, constraint in ruled
        ]
        self._answers: dict[_Kind, KeptEmpty | None] = {}

    @cached_property
    def leader(self) -> Sequence[int]:
        """Which places hang together, by a place of theirs."""
        return leaders_of(self.instance.problem)

    @cached_property
    def problem(self) -> AssignmentProblem:
        """The instance with the imaginary coins, which have no edges yet."""
        bare = only_places(self.instance.problem)
        return replace(bare, quantity=(*bare.quantity, *(1 for _ in self.imaginary)))

    def _kind(self, at: int, around: Sequence[int], rules: Sequence[SetRule]) -> object:
        """Places with one rule, where the same coins may be, and at which the same set-level rules look in the same way."""
        place = self.instance.places[at]
        ways = tuple((number, at in rules[number].places, rules[number].bound == at) for number in around)
        return place.predicate, place.tier, ways, frozenset(self.instance.edges_at(at))

    def kept_empty(self, at: int) -> KeptEmpty | None:
        """Why no coin could fill this empty place; None where one could."""
        kind = self.kinds[at]
        if kind not in self._answers:
            self._answers[kind] = self._why(at, kind)
        return self._answers[kind]

    def _why(self, at: int, kind: _Kind) -> KeptEmpty | None:
        if kind.never:
            return KeptEmpty(())
        if not kind.around or not kind.coins:
            return None
        rules = [self.rules[number] for number in kind.around]
        if any(all(self._allows(rule, at, coin) for rule in rules) for coin in kind.coins):
            return None
        trial = _Trial(self, at, kind.coins)
        opens = trial.opens(self.rules, "")
        if opens is not False:
            self.limited = self.limited or opens is None
            return None
        return trial.explained()

    def _allows(self, rule: SetRule, at: int, coin: int) -> bool:
        """Whether the rule surely allows the coin there with all others where they are; no where that is not plain."""
        (key,) = rule.keys[coin].settled or (None,)
        inside = [seat.holding for place, seat in self.seats.items() if place in rule.places]
        others = inside
        if rule.kind.looks_outside:
            others = (
                inside if at not in rule.places else [s.holding for p, s in self.seats.items() if p not in rule.places]
            )
        keys = [rule.keys[other] for other in others]
        if rule.kind.binds_one:
            firm = [s.holding for p, s in self.seats.items() if p in rule.places and s.basis is Basis.FIRM]
            return rule.bound != at or any(rule.keys[other].settled == {key} for other in firm)
        alike = sum(one.possible is None or key in one.possible for one in keys)
        if rule.kind is AT_MOST:
            return key is None or alike < rule.count
        if rule.kind is SAME:
            return all(one.settled == {key} for one in keys)
        return alike == 0

    # -- imaginary coins

    def _imaginary(self, at: int, around: Sequence[Constraint]) -> tuple[list[View], bool]:
        """Coins that fit the place, one for each combination of what the rules look at; and whether none can fit at all.

        What no coin shows is never worse under rules that only keep equal keys apart or count them: where such a coin can be
        thought of, no other is needed for these."""
        predicate = self.instance.places[at].predicate
        plain = find_witness([WantedVerdict(predicate)], self.table.attributes, self.table.context)
        # Past the work that one answer may cost no coin is kept, so none is looked for.
        if plain.possible is NO or not around or self.limited:
            return [], plain.possible is NO
        tight = sorted({name for c in around if c.kind in (SAME, MATCHES) for name in c.by})
        loose = sorted({name for c in around for name in c.by}.difference(tight))
        wheres = list({c.where.predicate: None for c in around if c.where is not None})
        free = [self._tests(name) for name in loose]
        free += [[(WantedVerdict(where, fits=False),), (WantedVerdict(where),)] for where in wheres]
        found: list[View] = []
        bound = [self._possible(predicate, self._tests(name)) for name in tight]
        # Each combination takes a coin to look for at least.
        self.limited = self.limited or prod(map(len, bound)) > self._witnesses
        for fixed in product(*bound):
            if self.limited:
                return [], False
            wanted = [test for tests in fixed for test in tests]
            best = self._witness(predicate, [*wanted, *(test for options in free for test in options[0])])
            if best is not None:
                found.append(best)
                continue
            others = [self._possible(predicate, options) for options in free]
            if len(found) + prod(map(len, others)) > MOST_COINS:
                self.limited = True
                return [], False
            for combination in product(*others):
                one = self._witness(predicate, [*wanted, *(test for tests in combination for test in tests)])
                if one is not None:
                    found.append(one)
        return ([] if self.limited else found), False

    def _possible(
        self, predicate: Predicate, options: list[tuple[WantedVerdict, ...]]
    ) -> list[tuple[WantedVerdict, ...]]:
        return [tests for tests in options if self._witness(predicate, tests) is not None]

    def _shown(self, name: str, eligible: Sequence[int]) -> list[Value]:
        found: dict[Value, None] = {}
        for coin in eligible:
            for view in self.instance.views[coin]:
                known = view.facts.get(name)
                if isinstance(known, Among):
                    found.update(dict.fromkeys(known.values))
                elif isinstance(known, Subsets):
                    found.update(dict.fromkeys(islice(known.lists(), MOST_COINS)))
                elif isinstance(known, Between) and isinstance(known.low, int) and isinstance(known.high, int):
                    found.update(dict.fromkeys(range(known.low, min(known.high, known.low + MOST_COINS) + 1)))
        return list(found)

    def _tests(self, name: str) -> list[tuple[WantedVerdict, ...]]:
        """What a coin's value of the attribute may be to the rules: one that no coin shows, or each that some coin shows."""
        shown = self.shown[name]
        # The attribute is named even where no coin shows a value, so that the imaginary one has one.
        other = [WantedVerdict(IsNull(Ref(name)), fits=False)]
        other += [WantedVerdict(_equals(name, value), fits=False) for value in shown if value is not NONE]
        if NONE in shown:
            return [tuple(other), *((WantedVerdict(_equals(name, value)),) for value in shown)]
        return [tuple(other), *((WantedVerdict(_equals(name, value)),) for value in (*shown, NONE))]

    def _witness(self, predicate: Predicate, tests: Sequence[WantedVerdict]) -> View | None:
        """A coin that fits the place, and the tests as they are wanted."""
        self._witnesses -= 1
        if self._witnesses < 0:
            self.limited = True
            return None
        found = find_witness((WantedVerdict(predicate), *tests), self.table.attributes, self.table.context)
        if found.example is None:
            # What may be, but cannot be shown, is not ruled out.
            self.limited = self.limited or found.possible is not NO
            return None
        return View({n: read_fact(self.table.attributes[n], fact) for n, fact in found.example.items()})

    def reached(self, problem: AssignmentProblem, key: object) -> _Reached | None:
        """The most pins, required places and places of the problem; None past the work that one answer may cost."""
        if key not in self._reached:
            cost = max(1, len(problem.edges)) * max(1, len(problem.rules))
            if cost > self._left:
                return None
            self._left -= cost
            self._reached[key] = self._most_filled(problem)
        return self._reached[key]

    def _most_filled(self, problem: AssignmentProblem) -> _Reached:
        with self._budget.lent(_SHARE_OF_A_TRIAL * self.budget_seconds) as lent:
            return most_filled(problem, lent)


def _looks_at(rule: SetRule, at: int) -> bool:
    return at in rule.places or rule.bound == at or rule.kind.looks_outside


def _equals(name: str, value: Value) -> Predicate:
    if value is NONE:
        return IsNull(Ref(name))
    if isinstance(value, frozenset):
        return SetComparison("a_equals", Ref(name), Const(value))
    return Comparison("=", Ref(name), Const(value))


class _Trial:
    """The places that hang together with one empty place, closed as it is or open to imaginary coins."""

    def __init__(self, trials: _Trials, at: int, coins: range) -> None:
        self._trials, self._at = trials, at
        levels = trials.problem.preference_levels
        edges = Edges.of(trials.problem.edges, levels)
        here = edges.at(np.array(trials.leader, np.int64)[edges.place] == trials.leader[at])
        self._closed = here.at(here.place != at)
        imaginary = (Edge(place=at, holding=coin, basis=Basis.FIRM) for coin in coins)
        self._open = joined([here, Edges.of(imaginary, levels)], levels)

    def opens(self, rules: Sequence[SetRule], key: object, without: int | None = None) -> bool | None:
        """Whether under these rules (`key` tells them apart) more is filled with the place open than with it closed; None
        past the work that one answer may cost. `without`: a coin that is not there."""
        before, after = (
            self._trials.reached(
                replace(
                    self._trials.problem,
                    edges=edges if without is None else edges.at(edges.holding != without),
                    rules=tuple(rules),
                ),
                (self._at, is_open, key, without),
            )
            for is_open, edges in ((False, self._closed), (True, self._open))
        )
        return None if before is None or after is None else after > before

    def _opens_without(self, left_out: frozenset[int]) -> bool:
        rules = [rule for number, rule in enumerate(self._trials.rules) if number not in left_out]
        return bool(self.opens(rules, left_out))

    def explained(self) -> KeptEmpty:
        """The rules that keep the place empty, and what would open it."""
        rules, constraints = self._trials.rules, self._trials.constraints
        blamed = [number for number in range(len(rules)) if self._opens_without(frozenset((number,)))]
        group = frozenset(range(len(rules)))
        if not blamed:
            # No rule alone: a group of them, no part of which would do.
            for number in sorted(group):
                if len(group) > 1 and self._opens_without(group - {number}):
                    group -= {number}
        told = blamed or sorted(group)
        first = rules[told[0]]
        if first.bound == self._at:
            return KeptEmpty(
                tuple(constraints[number] for number in told), partners=tuple(sorted(first.places - {self._at}))
            )
        count = None
        if blamed and first.kind.has_count:
            changed = [replace(rule, count=rule.count + 1) if rule is first else rule for rule in rules]
            count = first.count + 1 if self.opens(changed, ("count", told[0])) else None
        leaving = self._leaving([rules[number] for number in told])
        return KeptEmpty(tuple(constraints[number] for number in told), leaving, count, each=not blamed)

    def _leaving(self, group: Sequence[SetRule]) -> tuple[int, ...]:
        """The coins without one of which a coin could fill the place."""
        sitting = [
            seat.holding
            for at, seat in sorted(self._trials.seats.items())
            if any(_looks_at(rule, at) for rule in group)
        ]
        coins = list(dict.fromkeys(sitting))[:MOST_LEAVING]
        return tuple(coin for coin in coins if self.opens(self._trials.rules, "leaving", coin))

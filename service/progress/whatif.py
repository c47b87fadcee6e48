"""A collection evaluated once, asked again and again what a change would do. Every answer equals evaluating twice.

Only the places that a change can reach are solved again: those that share coins with the places it touches, or stand
under one set-level rule with them. What such a part gains does not depend on the rest (`service.assignment.components`).
A missing fact counts one below the worst among all coins eligible for a preference, so the coin that is worst comes along,
wherever it sits; then costs in the part compare as they do in the whole.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from service.assignment.build import FixedPlacements, Instance, assembled, build
from service.assignment.cp_sat import SolverBudget
from service.assignment.fits import fit_of, fits_in_order, joined_fits
from service.assignment.neighbours import leaders_of
from service.assignment.problem import AssignmentProblem, Basis, Placement, SetRule, Solution
from service.assignment.solve import most_certain, most_possible, solve
from service.evaluation.coins import Coins
from service.evaluation.cost import Cost, Sizes, cost_of_evaluation
from service.evaluation.keys import Collection as CoinsAndCatalogue
from service.evaluation.keys import keys_of
from service.evaluation.places import group_base
from service.evaluation.table import Fit
from service.facts.holding import Holding, View
from service.facts.knowledge import Number
from service.facts.truth import NO, YES
from service.progress.alternates import standings_of
from service.progress.evaluate import EvaluationRequest, build_instance, fixed_placements
from service.progress.readings import Reading, at_its_best
from service.rules.definition import OnePer
from service.rules.keys import Key
from service.rules.predicates import all_of
from service.rules.preferences import Preference, value_of


@dataclass(frozen=True, slots=True)
class Occupant:
    """Who sits in a place, and how surely."""

    holding: str
    basis: Basis


@dataclass(frozen=True)
class Part:
    """Some places of a set with their best answer. The numbers speak of these places only."""

    instance: Instance
    solution: Solution

    @property
    def certain(self) -> int:
        return self.solution.certain

    @property
    def possible(self) -> int:
        return self.solution.possible

    @property
    def required(self) -> int:
        """How many required places are filled, tentatively or not."""
        return sum(1 for placement in self.solution.placements if self.instance.problem.required[placement.place])

    @property
    def proven(self) -> bool:
        return self.solution.proven and self.solution.certain_proven and self.solution.possible_proven

    @property
    def standing(self) -> tuple[int, ...]:
        """Pins kept, required places filled, places filled: what counts before everything else."""
        values = {level.name: level.value for level in self.solution.levels}
        return values["pins"], values["required"], values["places"]

    def seats(self) -> dict[str, Occupant]:
        """Who sits where, by the address of the place."""
        return {
            self.instance.places[seat.place].address: Occupant(self.instance.holdings[seat.holding].id, seat.basis)
            for seat in self.solution.placements
        }


_Newcomer = tuple[Holding, tuple[View, ...], Callable[[int], Fit]]
"""A coin with its views, and whether it fits a place, by its number."""
_NO_FIT = Fit(NO)
# Measured as whole sets of 500 places were kept: columns, fits and verdicts take their part of these.
_PLACE_BYTES, _COIN_BYTES, _SEAT_BYTES = 4_000, 100, 300
_Worst = Mapping[tuple[int, int], tuple[tuple[Number, int, int], ...]]
"""For each preference of a level, by its identity, the two coins that lose most under it (another one, should the first be
known otherwise): how much, which coin, and a place that it fits."""


def shared_seconds(budget_seconds: float, tries: int) -> float:
    """The most of the solver's time for each of so many changes: what they do not need is there for the others."""
    return budget_seconds * min(1, 6 / max(tries, 1))


class Evaluated:
    """An evaluation that was made, and the changes that can be tried on it."""

    def __init__(self, request: EvaluationRequest, *, tries: int = 1) -> None:
        """`tries` is how many changes will be tried about: under set-level rules they share the solver's time of the request
        once more; what then is not proven says so."""
        self.request = request
        self.seconds = shared_seconds(request.budget_seconds, tries)
        self.instance, self.table = build_instance(request)
        # Shared by all branches.
        self._solved_whole: list[Part] = []
        self._budget = SolverBudget(request.budget_seconds)
        self._wishes = fixed_placements(request)
        self._leaders = leaders_of(self.instance.problem)
        self._regions: dict[int, list[int]] = {}
        for at, leader in enumerate(self._leaders):
            self._regions.setdefault(leader, []).append(at)
        self._worst = _worst(self.instance)
        self._kept: dict[frozenset[int], frozenset[int]] = {}
        self._parts: dict[tuple[frozenset[int], frozenset[int]], Part] = {}

    @property
    def whole(self) -> Part:
        """The evaluation without any change. It is made when it is asked for first: so many sets can be judged, and what they
        take be known, before any of them is solved."""
        if not self._solved_whole:
            budget = SolverBudget(self.request.budget_seconds)
            self._solved_whole.append(Part(self.instance, _seats(self.instance.problem, budget)))
        return self._solved_whole[0]

    def branch(self) -> Evaluated:
        """The same for other changes, which are tried as if no others had been; nothing is evaluated again."""
        branch = copy(self)
        branch.table, branch._parts = self.table.branch(), {}
        branch._budget = SolverBudget(self.request.budget_seconds)
        return branch

    @property
    def nbytes(self) -> int:
        """About what it takes: the edges and, more roughly, what there is for each place and coin."""
        instance = self.instance
        return (
            instance.edges.nbytes
            + _PLACE_BYTES * len(instance.places)
            + _COIN_BYTES * len(instance.coins)
            + _SEAT_BYTES * sum(len(part.solution.placements) for part in self._solved_whole)
        )

    def judge(self, coins: Sequence[Holding]) -> Instance:
        """Coins that are not in the collection, in the order of their ids, against every place of it."""
        seen = tuple(self.request.views_of(coin) for coin in coins)
        judged = Coins(tuple(coins), seen)
        # The rules were taken apart for the collection.
        judged.columns(self.table.attributes, self.table.context).plans = self.instance.columns.plans
        return build(
            self.request.definition, self.instance.places, judged, self.table, FixedPlacements(), is_solved=False
        )

    def opens_places(self, coin: Holding) -> bool:
        """Whether the coin shows a key of an open-ended group that no coin shows yet: the set then has other places."""
        for group in self._open_groups():
            known = {place.key for place in self.instance.places if place.group == group.id}
            if not known.issuperset(self._shown_by(coin, group)):
                return True
        return False

    def closes_places(self, number: int, known: Holding) -> bool:
        """Whether the coin of this number in the collection, known as `known` says, no longer shows a key of an open-ended
        group whose place other coins may take, and none of those is sure to show the key: the set may then have fewer
        places."""
        old = self.instance.holdings[number]
        for group in self._open_groups():
            gone = set(self._shown_by(old, group)).difference(self._shown_by(known, group))
            for at, place in enumerate(self.instance.places):
                if place.group == group.id and place.key in gone:
                    others = [fit.verdict for coin, fit in self.instance.fits[at].items() if coin != number]
                    if others and YES not in others:
                        return True
        return False

    def _open_groups(self) -> Iterator[OnePer]:
        return (group for group in self.request.definition.one_per if group.keys.is_open)

    def _shown_by(self, coin: Holding, group: OnePer) -> tuple[Key, ...]:
        """The keys that the coin alone shows."""
        definition, request = self.request.definition, self.request
        seen = CoinsAndCatalogue([request.views_of(coin)], request.issues, self.table.context)
        rules = [test for _, test in group_base(definition, group)]
        return keys_of(definition, group, seen, all_of(*rules) if rules else None).keys

    @property
    def everything(self) -> frozenset[int]:
        """All parts of the set."""
        return frozenset(self._leaders)

    def is_decided(self, holding: str) -> bool:
        """Whether the owner decided about this coin, or it had its place before."""
        wishes = self._wishes
        return any(holding == name for name, _ in (*wishes.pins, *wishes.nevers)) or any(
            holding == name for _, name in wishes.previous
        )

    def touched(self, places: Iterable[int]) -> frozenset[int]:
        """The parts of the set that a change at these places reaches, each by a number."""
        return frozenset(self._leaders[at] for at in places)

    def as_is(self, touched: frozenset[int], also: frozenset[int] = frozenset()) -> Part:
        """These parts without any change; `also` are numbers of coins to take along."""
        if not also and self.whole.proven and touched == self.everything:
            return self.whole
        if (touched, also) not in self._parts:
            kept = None if also or self.is_under_rules(touched) else self._best(touched)
            self._parts[touched, also] = self._solved(self._laid(touched, {}, self._wishes, also, kept))
        return self._parts[touched, also]

    def with_coins(
        self,
        touched: frozenset[int],
        coins: Sequence[Holding],
        judged: Instance,
        nevers: frozenset[tuple[str, str]] = frozenset(),
    ) -> Part:
        """These parts with coins that the collection does not have. The parts are all that the coins may fit into; `judged`
        is the instance of `judge` that has them; `nevers` are added to those of the request."""
        kept = None
        if not self.is_under_rules(touched) and not self._lowers_the_worst(
            touched, {coin.id for coin in coins}, judged
        ):
            kept = self._best(touched)
        wishes = replace(self._wishes, nevers=self._wishes.nevers | nevers)
        numbers = {coin.id: number for number, coin in enumerate(judged.holdings)}
        more = {coin.id: (coin, judged.views[numbers[coin.id]], _fits_in(judged, numbers[coin.id])) for coin in coins}
        return self._solved(self._laid(touched, more, wishes, frozenset(), kept))

    def with_facts(
        self,
        touched: frozenset[int],
        coin: Holding,
        budget: SolverBudget | None = None,
        counts: tuple[int, int] | None = None,
    ) -> Part:
        """These parts when a coin of the collection is known as `coin` says, which has its id. The parts are all that the
        coin fitted or may have fitted before. `counts` are `certain` and `possible` of the answer, where they are proven."""
        laid = self.laid_with_facts(touched, coin)
        return self._solved(laid, budget, self._kept_by(laid, touched, coin.id), counts)

    def laid_with_facts(self, touched: frozenset[int], coin: Holding) -> Instance:
        """The same, laid out and not solved."""
        views, kept = self.request.views_of(coin), None
        if not self.is_under_rules(touched) and not self._may_be_the_worst(touched, coin, views):
            kept = self._best(touched)
        newcomer = (coin, views, partial(self._fit, views))
        return self._laid(touched, {coin.id: newcomer}, self._wishes, frozenset(), kept)

    def possible_with_facts(self, touched: frozenset[int], coin: Holding, budget: SolverBudget) -> tuple[int, bool]:
        """What is possible in these parts when the coin is known as `coin` says, and whether that is proven."""
        laid = self.laid_with_facts(touched, coin)
        return most_possible(laid.problem, self._kept_by(laid, touched, coin.id), budget)

    def certain_with_facts(self, touched: frozenset[int], coin: Holding, budget: SolverBudget) -> tuple[int, bool]:
        """The same of what is certain."""
        laid = self.laid_with_facts(touched, coin)
        return most_certain(laid.problem, self._kept_by(laid, touched, coin.id), budget)

    def certain_at_best(self, touched: frozenset[int], coin: Holding, budget: SolverBudget) -> tuple[int, bool]:
        """The most that can be certain in these parts whatever the facts of the coin turn out to be, and whether that is
        proven."""
        laid = self.laid_with_facts(touched, coin)
        number = next(number for number, holding in enumerate(laid.holdings) if holding.id == coin.id)
        return most_certain(at_its_best(laid.problem, number), self._kept_by(laid, touched, coin.id), budget)

    def _kept_by(self, laid: Instance, touched: frozenset[int], coin: str) -> list[Placement]:
        """Who sits somewhere now, but for the coin: an empty place keeps the rules, unless others need the coin there."""
        if any(rule.kind.binds_one for rule in laid.problem.rules):
            return []
        places = {place.address: at for at, place in enumerate(laid.places)}
        numbers = {holding.id: number for number, holding in enumerate(laid.holdings)}
        return [
            Placement(places[address], numbers[seat.holding], seat.basis, forced=False)
            for address, seat in self.as_is(touched).seats().items()
            if seat.holding != coin
        ]

    def reading(self, touched: frozenset[int], coin: Holding) -> Reading:
        """All that solving these parts reads of a coin of the collection when it is known as `coin` says: where readings are
        equal the answers are."""
        views = self.request.views_of(coin)
        fits = {at: self._fit(views, at) for at in sorted(self._inside(touched))}
        there = [at for at, fit in fits.items() if fit.verdict is not NO]
        prefers = {id(prefer): prefer for at in there for prefer in self.instance.places[at].prefer}
        reached = {rule.name for rule in self.instance.problem.rules if _reads_a_coin_at(rule, there)}
        keys = (
            (
                constraint.id,
                tuple(tuple(view.facts.get(name) for name in constraint.by) for view in views)
                if constraint.where is None
                else self.table.fit(constraint.where.predicate, views),
            )
            for constraint in self.instance.constraints
            if constraint.id in reached
        )
        return Reading(tuple(fits.values()), tuple(self._value(one, views) for one in prefers.values()), tuple(keys))

    def binds(self, touched: frozenset[int]) -> bool:
        """Whether a rule asks for another coin in these parts: an empty place may then break it."""
        inside = self._inside(touched)
        return any(rule.kind.binds_one and rule.bound in inside for rule in self.instance.problem.rules)

    @property
    def cost_again(self) -> Cost:
        """What it takes to evaluate all of it anew, with more coins."""
        sizes = Sizes(
            coins=len(self.instance.coins), places=len(self.instance.places), pairs=len(self.instance.problem.edges)
        )
        return cost_of_evaluation(sizes)

    def weight_of(self, touched: frozenset[int]) -> int:
        """How many fits of coins to places solving these parts has to lay out."""
        return sum(len(self.instance.fits[at]) for at in self._inside(touched))

    def reach_of(self, touched: frozenset[int]) -> Sizes:
        """How many places solving these parts has to lay out, and how many fits of coins to them."""
        return Sizes(places=len(self._inside(touched)), pairs=self.weight_of(touched))

    def with_wishes(self, touched: frozenset[int], wishes: FixedPlacements, also: frozenset[int]) -> Part:
        """These parts under other pins and nevers."""
        return self._solved(self._laid(touched, {}, wishes, also))

    def with_rules(self, problem: AssignmentProblem) -> Part:
        """The whole set under other set-level rules."""
        with self._budget.lent(self.seconds) as lent:
            return Part(self.instance, _seats(problem, lent))

    def anew(self, coins: Sequence[Holding], nevers: frozenset[tuple[str, str]] = frozenset()) -> Evaluated:
        """Everything from the start, with more coins, or with coins of the collection known otherwise; `nevers` are added to
        those of the request."""
        names = {coin.id for coin in coins}
        kept = (holding for holding in self.request.holdings if holding.id not in names)
        every = (*self.request.nevers, *sorted(nevers))
        return Evaluated(replace(self.request, holdings=(*kept, *coins), nevers=every))

    def _solved(
        self,
        laid: Instance,
        budget: SolverBudget | None = None,
        known: Sequence[Placement] = (),
        counts: tuple[int, int] | None = None,
    ) -> Part:
        if budget is not None:
            return Part(laid, _seats(laid.problem, budget, known, counts))
        with self._budget.lent(self.seconds) as lent:
            return Part(laid, _seats(laid.problem, lent, known, counts))

    def _laid(
        self,
        touched: frozenset[int],
        more: Mapping[str, _Newcomer],
        wishes: FixedPlacements,
        also: frozenset[int],
        kept: frozenset[int] | None = None,
    ) -> Instance:
        """The parts with their coins, without any that `more` has by its id, and with those of `more`. Only these are
        judged; `kept` are the coins of the collection that matter, None: all."""
        base = self.instance
        inside = self._inside(touched)
        coins = set(kept) if kept is not None else {coin for at in inside for coin in base.fits[at]} | also
        for name in self._compared(inside) & self._worst.keys():
            for _, coin, at in self._worst[name]:
                coins.add(coin)
                inside.add(at)
        ids = base.coins.ids
        held = [coin for coin in sorted(coins) if ids[coin] not in more]
        order = sorted((*(ids[coin] for coin in held), *more))
        number_of = {name: number for number, name in enumerate(order)}
        kept_coins = np.array(held, np.int64)
        numbers = np.array([number_of[ids[coin]] for coin in held], np.int64)
        places = sorted(inside)
        fits, barred = [], dict[int, frozenset[int]]()
        for here, at in enumerate(places):
            place = base.places[at]
            new = {number_of[name]: fit_at(at) for name, (_, _, fit_at) in more.items()}
            out = (coin for coin in base.barred.get(at, ()) if coin in coins and ids[coin] not in more)
            new |= {number_of[ids[coin]]: self._fit(base.views[coin], at) for coin in out}
            fitting = joined_fits(base.fits[at].renumbered(kept_coins, numbers), fits_in_order(new))
            named = (name for name, there in wishes.nevers if there in (place.address, place.group))
            never = frozenset(number_of[name] for name in named if name in number_of and number_of[name] in fitting)
            if never:
                barred[here] = never
            fits.append(fitting.without(never))
        coin_of = {ids[coin]: coin for coin in held}
        pairs = [
            more[name][:2] if name in more else (base.holdings[coin_of[name]], base.views[coin_of[name]])
            for name in order
        ]
        laid = Coins(tuple(holding for holding, _ in pairs), tuple(seen for _, seen in pairs))
        here_places = tuple(base.places[at] for at in places)
        return assembled(self.request.definition, here_places, laid, self.table, wishes, (tuple(fits), barred))

    def _value(self, preference: Preference, views: tuple[View, ...]) -> Number | None:
        return value_of(preference, views, lambda rule, seen: self.table.verdict(rule.predicate, seen))

    def _fit(self, views: tuple[View, ...], at: int) -> Fit:
        return fit_of(self.instance.places[at].predicate, views, self.table)

    def _inside(self, touched: frozenset[int]) -> set[int]:
        return {at for leader in touched for at in self._regions[leader]}

    def _compared(self, places: Iterable[int]) -> set[tuple[int, int]]:
        """The preferences that these places use, each by its level and identity."""
        return {(level, id(prefer)) for at in places for level, prefer in enumerate(self.instance.places[at].prefer)}

    def is_under_rules(self, touched: frozenset[int]) -> bool:
        """Whether a set-level rule speaks of these parts."""
        inside = self._inside(touched)
        rules = self.instance.problem.rules
        return any(
            rule.kind.looks_outside or rule.bound in inside or not inside.isdisjoint(rule.places) for rule in rules
        )

    def _lowers_the_worst(self, touched: frozenset[int], names: set[str], judged: Instance) -> bool:
        """Whether one of the coins is worth less under some preference than any coin here: what a missing fact counts then
        changes."""
        coins = [number for number, coin in enumerate(judged.holdings) if coin.id in names]
        for at in self._inside(touched):
            for level, preference in enumerate(judged.places[at].prefer):
                losses = (_loss(preference, judged.worth[level, at].get(coin)) for coin in coins)
                if any(self._is_worse((level, id(preference)), loss) for loss in losses):
                    return True
        return False

    def _may_be_the_worst(self, touched: frozenset[int], coin: Holding, views: tuple[View, ...]) -> bool:
        """Whether the coin is worth least of all under some preference of these parts, as it was or as the views say."""
        compared = self._compared(self._inside(touched))
        if any(self.instance.holdings[self._worst[name][0][1]].id == coin.id for name in compared & self._worst.keys()):
            return True
        prefers = (
            (level, one) for at in self._inside(touched) for level, one in enumerate(self.instance.places[at].prefer)
        )
        return any(self._is_worse((n, id(one)), _loss(one, self._value(one, views))) for n, one in prefers)

    def _is_worse(self, name: tuple[int, int], loss: Number | None) -> bool:
        known = self._worst.get(name)
        return loss is not None and (known is None or loss > known[0][0])

    def _best(self, touched: frozenset[int]) -> frozenset[int]:
        """The coins that can matter to parts without set-level rules: of r places each has an unused coin among its best r,
        so no best answer, and none that is first among equals, takes another. One more for each, since a coin may be
        known otherwise."""
        if touched not in self._kept:
            inside, found = self._inside(touched), set[int]()
            edges = self.instance.edges
            is_in_group = {(pin.holding, at) for pin in self.instance.problem.group_pins for at in pin.places}
            for at in inside:
                here = edges.at(edges.of_place(at))
                pinned = here.pinned | np.array([(coin, at) in is_in_group for coin in here.holding.tolist()], bool)
                # The first key last.
                first = (here.holding, *standings_of(here, pinned)[::-1])
                best = np.lexsort(first)[: len(inside) + int(pinned.sum()) + 1]
                found.update(here.holding[best].tolist())
            self._kept[touched] = frozenset(found)
        return self._kept[touched]


def _seats(
    problem: AssignmentProblem,
    budget: SolverBudget,
    known: Sequence[Placement] = (),
    counts: tuple[int, int] | None = None,
) -> Solution:
    return solve(problem, budget=budget, with_standings=False, known=known, counts=counts)


def _fits_in(judged: Instance, number: int) -> Callable[[int], Fit]:
    return lambda at: judged.fits[at].get(number, _NO_FIT)


def _reads_a_coin_at(rule: SetRule, places: Collection[int]) -> bool:
    return rule.kind.looks_outside or rule.bound in places or not rule.places.isdisjoint(places)


def _loss(preference: Preference, value: Number | None) -> Number | None:
    if value is None:
        return None
    return -value if preference.more_is_better else value


def _worst(instance: Instance) -> _Worst:
    found: dict[tuple[int, int], list[tuple[Number, int, int]]] = {}
    for at, place in enumerate(instance.places):
        coins = instance.fits[at].coins
        for level, preference in enumerate(place.prefer):
            worth = instance.worth[level, at]
            codes = worth.codes[coins]
            losses = [_loss(preference, value) for value in worth.distinct]
            here: list[tuple[Number, int, int]] = []
            for code in sorted(
                (code for code in np.unique(codes).tolist() if losses[code] is not None),
                key=lambda code: -losses[code],  # type: ignore[operator]
            )[:2]:
                loss = losses[code]
                assert loss is not None
                here += [(loss, coin, at) for coin in coins[codes == code][:2].tolist()]
            worst = found.setdefault((level, id(preference)), [])
            for entry in here:
                if all(entry[1] != other for _, other, _ in worst):
                    worst.append(entry)
            worst.sort(key=lambda entry: -entry[0])
            del worst[2:]
    return {name: tuple(worst) for name, worst in found.items() if worst}

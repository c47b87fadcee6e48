"""A collection evaluated once, asked again and again what a change would do. Every answer equals evaluating twice.

Only the places that a change can reach are solved again: those that share coins with the places it touches, or stand
under one set-level rule with them. What such a part gains does not depend on the rest (`service.assignment.components`).
A missing fact counts one below the worst among all coins eligible for a preference, so the coin that is worst comes along,
wherever it sits; then costs in the part compare as they do in the whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from service.assignment.build import FixedPlacements, Instance, build
from service.assignment.neighbours import leaders_of
from service.assignment.problem import AssignmentProblem, Basis, Solution
from service.assignment.solve import solve
from service.evaluation.coins import Coins
from service.evaluation.keys import Collection, keys_of
from service.evaluation.places import group_base
from service.facts.holding import Holding
from service.facts.knowledge import Number
from service.facts.truth import YES
from service.progress.alternates import standing
from service.progress.evaluate import EvaluationRequest, build_instance, fixed_placements
from service.rules.definition import OnePer
from service.rules.keys import Key
from service.rules.predicates import all_of
from service.rules.preferences import Preference


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


class Evaluated:
    """An evaluation that was made, and the changes that can be tried on it."""

    def __init__(self, request: EvaluationRequest, *, tries: int = 1) -> None:
        """`tries` is how many changes will be tried about: under set-level rules they share six times the solver's time
        of the request, half a second each at least; what then is not proven says so."""
        self.request = request
        self._seconds = max(0.5, request.budget_seconds * min(1, 6 / max(tries, 1)))
        self.instance, self.table = build_instance(request)
        self.whole = Part(self.instance, solve(self.instance.problem, budget_seconds=request.budget_seconds))
        self._wishes = fixed_placements(request)
        self._leaders = leaders_of(self.instance.problem)
        self._regions: dict[int, list[int]] = {}
        for at, leader in enumerate(self._leaders):
            self._regions.setdefault(leader, []).append(at)
        self._coins_at = [tuple(fits) for fits in self.instance.fits]
        found = _worst(self.instance)
        self._worst = {name: (coin, at) for name, (_, coin, at) in found.items()}
        self._worst_loss = {name: loss for name, (loss, _, _) in found.items()}
        self._kept: dict[frozenset[int], frozenset[int]] = {}
        self._parts: dict[tuple[frozenset[int], frozenset[int]], Part] = {}

    def judge(self, coins: Sequence[Holding]) -> Instance:
        """Coins that are not in the collection, in the order of their ids, against every place of it."""
        seen = tuple(self.request.views_of(coin) for coin in coins)
        judged = Coins(tuple(coins), seen)
        return build(self.request.definition, self.instance.places, judged, self.table, FixedPlacements())

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
        seen = Collection([request.views_of(coin)], request.issues, self.table.context)
        rules = [test for _, test in group_base(definition, group)]
        return keys_of(definition, group, seen, all_of(*rules) if rules else None).keys

    def touched(self, places: Iterable[int]) -> frozenset[int]:
        """The parts of the set that a change at these places reaches, each by a number."""
        return frozenset(self._leaders[at] for at in places)

    def as_is(self, touched: frozenset[int], also: frozenset[int] = frozenset()) -> Part:
        """These parts without any change; `also` are numbers of coins to take along."""
        if (touched, also) not in self._parts:
            self._parts[touched, also] = self._solved(touched, (), self._wishes, also)
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
        if not self._under_rules(touched) and not self._lowers_the_worst(touched, {coin.id for coin in coins}, judged):
            kept = self._best(touched)
        wishes = replace(self._wishes, nevers=self._wishes.nevers | nevers)
        return self._solved(touched, coins, wishes, frozenset(), kept)

    def with_facts(self, touched: frozenset[int], coin: Holding) -> Part:
        """These parts when a coin of the collection is known as `coin` says, which has its id. The parts are all that the
        coin fitted or may have fitted before."""
        return self._solved(touched, (coin,), self._wishes, frozenset())

    def weight_of(self, touched: frozenset[int]) -> int:
        """How many fits of coins to places solving these parts has to lay out."""
        return sum(len(self._coins_at[at]) for at in self._inside(touched))

    def with_wishes(self, touched: frozenset[int], wishes: FixedPlacements, also: frozenset[int]) -> Part:
        """These parts under other pins and nevers."""
        return self._solved(touched, (), wishes, also)

    def with_rules(self, problem: AssignmentProblem) -> Part:
        """The whole set under other set-level rules."""
        return Part(self.instance, solve(problem, budget_seconds=self._seconds))

    def anew(self, coins: Sequence[Holding], nevers: frozenset[tuple[str, str]] = frozenset()) -> Evaluated:
        """Everything from the start, with more coins, or with coins of the collection known otherwise; `nevers` are added to
        those of the request."""
        names = {coin.id for coin in coins}
        kept = (holding for holding in self.request.holdings if holding.id not in names)
        every = (*self.request.nevers, *sorted(nevers))
        return Evaluated(replace(self.request, holdings=(*kept, *coins), nevers=every))

    def _solved(
        self,
        touched: frozenset[int],
        more: Sequence[Holding],
        wishes: FixedPlacements,
        also: frozenset[int],
        kept: frozenset[int] | None = None,
    ) -> Part:
        instance, request = self.instance, self.request
        inside = self._inside(touched)
        coins = set(kept) if kept is not None else {coin for at in inside for coin in self._coins_at[at]} | also
        for name in self._compared(inside) & self._worst.keys():
            coin, at = self._worst[name]
            coins.add(coin)
            inside.add(at)
        held = {instance.holdings[coin].id: (instance.holdings[coin], instance.views[coin]) for coin in coins}
        held |= {coin.id: (coin, request.views_of(coin)) for coin in more}
        pairs = [held[identity] for identity in sorted(held)]
        laid = build(
            request.definition,
            tuple(instance.places[at] for at in sorted(inside)),
            Coins(tuple(holding for holding, _ in pairs), tuple(seen for _, seen in pairs)),
            self.table,
            wishes,
        )
        return Part(laid, solve(laid.problem, budget_seconds=self._seconds))

    def _inside(self, touched: frozenset[int]) -> set[int]:
        return {at for leader in touched for at in self._regions[leader]}

    def _compared(self, places: Iterable[int]) -> set[tuple[int, int]]:
        """The preferences that these places use, each by its level and identity."""
        return {(level, id(prefer)) for at in places for level, prefer in enumerate(self.instance.places[at].prefer)}

    def _under_rules(self, touched: frozenset[int]) -> bool:
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
                known = self._worst_loss.get((level, id(preference)))
                losses = (_loss(preference, judged.worth[level, at].get(coin)) for coin in coins)
                if any(loss is not None and (known is None or loss > known) for loss in losses):
                    return True
        return False

    def _best(self, touched: frozenset[int]) -> frozenset[int]:
        """The coins that can matter to parts without set-level rules: of r places each has an unused coin among its best r,
        so no best answer, and none that is first among equals, takes another."""
        if touched not in self._kept:
            inside, found = self._inside(touched), set[int]()
            for at in inside:
                edges = sorted(self.instance.edges_at(at).values(), key=lambda edge: standing(self.instance, edge))
                pinned = sum(1 for edge in edges if self.instance.is_pinned(at, edge.holding))
                found.update(edge.holding for edge in edges[: len(inside) + pinned])
            self._kept[touched] = frozenset(found)
        return self._kept[touched]


def _loss(preference: Preference, value: Number | None) -> Number | None:
    if value is None:
        return None
    return -value if preference.more_is_better else value


def _worst(instance: Instance) -> Mapping[tuple[int, int], tuple[Number, int, int]]:
    """For each preference of a level, by its identity: the most that a coin loses under it, which coin that is, and a place
    that it fits."""
    found: dict[tuple[int, int], tuple[Number, int, int]] = {}
    for at, place in enumerate(instance.places):
        for level, preference in enumerate(place.prefer):
            name, worth = (level, id(preference)), instance.worth[level, at]
            for coin in instance.fits[at]:
                loss = _loss(preference, worth[coin])
                if loss is not None and (name not in found or loss > found[name][0]):
                    found[name] = (loss, coin, at)
    return found

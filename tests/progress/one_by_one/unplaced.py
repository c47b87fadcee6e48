"""Why coins sit nowhere, coin by coin: what `service.progress.unplaced` does on arrays, as it was first written."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Placement
from service.evaluation.explanation import clause_text, conjuncts, failing_clauses
from service.evaluation.places import Place
from service.evaluation.table import Table
from service.facts.holding import Holding, View
from service.facts.truth import NO, YES
from service.progress.result import ClosestPlace, UnplacedHolding
from service.rules.predicates import Predicate
from service.rules.rule import Rule
from service.rules.wording import RuleWording
from tests.progress.one_by_one.presumed import KeptOut

_MOST_CLAUSES = 2_000


def unplaced(
    instance: Instance, table: Table, seats: Mapping[int, Placement], holdings: Sequence[Holding]
) -> list[UnplacedHolding]:
    """Every holding that sits nowhere, by id; of several like pieces those that are left over, with `pieces`.

    `spare`: it fits the places named. `undecided`: it may fit them. `outside`: it fits none; `closest` is the place with the
    fewest clauses that it fails (ties: the order of the document). `never`:
    it is never to be in the places named, and fits no other. `not_held`: its status keeps it out.
    """
    used = Counter(placement.holding for placement in seats.values())
    fitting: dict[int, list[int]] = {}
    for at in range(len(instance.places)):
        for coin in instance.fits[at]:
            fitting.setdefault(coin, []).append(at)
    barred: dict[int, list[int]] = {}
    for at in sorted(instance.barred):
        for coin in instance.barred[at]:
            barred.setdefault(coin, []).append(at)
    outside = [
        c for c, h in enumerate(instance.holdings) if h.quantity > used[c] and c not in fitting and c not in barred
    ]
    closest, kept_out = Closest(instance, table).of(outside), KeptOut(instance, table)
    entries: list[UnplacedHolding] = []
    for coin, holding in enumerate(instance.holdings):
        left = holding.quantity - used[coin]
        if left == 0:
            continue
        pieces = left if holding.quantity > 1 else UNSET
        places = fitting.get(coin, [])
        if places:
            sure = [at for at in places if instance.fits[at][coin].verdict is YES]
            reason: Literal["spare", "undecided"] = "spare" if sure else "undecided"
            where = addresses(instance, sure or places)
            entries.append(UnplacedHolding(holding=holding.id, pieces=pieces, reason=reason, places=where))
        elif coin in barred:
            where = addresses(instance, barred[coin])
            entries.append(UnplacedHolding(holding=holding.id, pieces=pieces, reason="never", places=where))
        else:
            near = closest.get(coin)
            because = kept_out.by(instance.views[coin]) or UNSET
            entries.append(
                UnplacedHolding(holding=holding.id, pieces=pieces, reason="outside", closest=near, presumed=because)
            )
    counted = {holding.id for holding in instance.holdings}
    entries.extend(
        UnplacedHolding(holding=holding.id, reason="not_held", status=holding.status)
        for holding in holdings
        if holding.id not in counted
    )
    return sorted(entries, key=lambda entry: entry.holding)


def addresses(instance: Instance, places: Sequence[int]) -> list[str]:
    """Slots and one-per places by address; the places of a free choice once, by the group."""
    named = (
        instance.places[at].group if instance.places[at].kind == "free_choice" else instance.places[at].address
        for at in places
    )
    return list(dict.fromkeys(named))


class Closest:
    """Finds for coins outside the set the place that each comes closest to: the one with the fewest clauses that it surely
    fails, the first in the order of the document among equals."""

    def __init__(self, instance: Instance, table: Table) -> None:
        self.instance, self.table = instance, table
        firsts: dict[int, Place] = {}
        for place in instance.places:
            firsts.setdefault(id(place.predicate), place)
        self.places = [(place, conjuncts(place.parts)) for place in firsts.values()]
        self.words: dict[int, tuple[str, str]] = {}
        self.wording = RuleWording(table.attributes, table.context.vocabularies)

    def of(self, coins: Sequence[int]) -> dict[int, ClosestPlace]:
        """The closest place of every coin; nothing when the set has no place."""
        if not self.places:
            return {}
        row_of = self.instance.coins.row_of
        single = [coin for coin in coins if coin in row_of]
        rows = np.array([row_of[coin] for coin in single], np.int64)
        fewest = np.full(len(rows), len(self.places[0][1]) + _MOST_CLAUSES, np.int64)
        nearest = np.zeros(len(rows), np.int64)
        for number, (_, clauses) in enumerate(self.places):
            failed = np.zeros(len(rows), np.int64)
            for _, clause in clauses:
                failed += self.instance.columns.fails(clause)[rows]
            # A place that is failed only as a whole, by no clause alone, counts one.
            failed = np.maximum(failed, 1)
            nearest[failed < fewest] = number
            fewest = np.minimum(failed, fewest)
        found = {coin: self._told(coin, int(number)) for coin, number in zip(single, nearest, strict=True)}
        for coin in coins:
            if coin not in row_of:
                found[coin] = self._told(coin, self._look(self.instance.views[coin]))
        return found

    def _look(self, views: tuple[View, ...]) -> int:
        """The number of the closest place for a coin with several candidate issues."""
        failed = (
            sum(1 for _, clause in clauses if self.table.verdict(clause, views) is NO) or 1
            for _, clauses in self.places
        )
        return min(enumerate(failed), key=lambda entry: (entry[1], entry[0]))[0]

    def _told(self, coin: int, number: int) -> ClosestPlace:
        place, clauses = self.places[number]
        views = self.instance.views[coin]
        failing = [(rule, clause) for rule, clause in clauses if self.table.verdict(clause, views) is NO]
        if not failing:
            failing = failing_clauses(place.parts, views, self.table.attributes, self.table.context)
        words = [self._words(rule, clause) for rule, clause in failing]
        address = place.group if place.kind == "free_choice" else place.address
        return ClosestPlace(address, place.label, [said for said, _ in words], [text for _, text in words])

    def _words(self, rule: Rule | str, clause: Predicate) -> tuple[str, str]:
        words = self.words.get(id(clause))
        if words is None:
            words = self.words[id(clause)] = self.wording.need(clause), clause_text(rule, clause)
        return words

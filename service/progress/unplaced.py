"""The coins that sit nowhere, and why: spare, undecided, outside (with the closest place), or not held."""

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
from service.progress.presumed import KeptOut
from service.progress.result import ClosestPlace, UnplacedHolding
from service.rules.predicates import Predicate
from service.rules.rule import Rule
from service.rules.wording import RuleWording

MOST_CLAUSES = 2_000


def unplaced(
    board: Instance, table: Table, seats: Mapping[int, Placement], holdings: Sequence[Holding]
) -> list[UnplacedHolding]:
    """Every holding that sits nowhere, by id; of several like pieces those that are left over, with `pieces`.

    `spare`: it fits the places named. `undecided`: it may fit them. `outside`: it fits none; `closest` is the place with the
    fewest clauses that it fails (ties: the order of the document). `never`:
    it is never to be in the places named, and fits no other. `not_held`: its status keeps it out.
    """
    used = Counter(placement.holding for placement in seats.values())
    fitting: dict[int, list[int]] = {}
    for at in range(len(board.places)):
        for coin in board.fits[at]:
            fitting.setdefault(coin, []).append(at)
    barred: dict[int, list[int]] = {}
    for at in sorted(board.barred):
        for coin in board.barred[at]:
            barred.setdefault(coin, []).append(at)
    outside = [c for c, h in enumerate(board.holdings) if h.quantity > used[c] and c not in fitting and c not in barred]
    closest, kept_out = Closest(board, table).of(outside), KeptOut(board, table)
    entries: list[UnplacedHolding] = []
    for coin, holding in enumerate(board.holdings):
        left = holding.quantity - used[coin]
        if left == 0:
            continue
        pieces = left if holding.quantity > 1 else UNSET
        places = fitting.get(coin, [])
        if places:
            sure = [at for at in places if board.fits[at][coin].verdict is YES]
            reason: Literal["spare", "undecided"] = "spare" if sure else "undecided"
            where = addresses(board, sure or places)
            entries.append(UnplacedHolding(holding=holding.id, pieces=pieces, reason=reason, places=where))
        elif coin in barred:
            where = addresses(board, barred[coin])
            entries.append(UnplacedHolding(holding=holding.id, pieces=pieces, reason="never", places=where))
        else:
            near = closest.get(coin)
            because = kept_out.by(board.views[coin]) or UNSET
            entries.append(
                UnplacedHolding(holding=holding.id, pieces=pieces, reason="outside", closest=near, presumed=because)
            )
    counted = {holding.id for holding in board.holdings}
    entries.extend(
        UnplacedHolding(holding=holding.id, reason="not_held", status=holding.status)
        for holding in holdings
        if holding.id not in counted
    )
    return sorted(entries, key=lambda entry: entry.holding)


def addresses(board: Instance, places: Sequence[int]) -> list[str]:
    """Slots and one-per places by address; the places of a free choice once, by the group."""
    named = (
        board.places[at].group if board.places[at].kind == "free_choice" else board.places[at].address for at in places
    )
    return list(dict.fromkeys(named))


class Closest:
    """Finds for coins outside the set the place that each comes closest to: the one with the fewest clauses that it surely
    fails, the first in the order of the document among equals."""

    def __init__(self, board: Instance, table: Table) -> None:
        self.board, self.table = board, table
        firsts: dict[int, Place] = {}
        for place in board.places:
            firsts.setdefault(id(place.predicate), place)
        self.places = [(place, conjuncts(place.parts)) for place in firsts.values()]
        self.words: dict[int, tuple[str, str]] = {}
        self.wording = RuleWording(table.attributes, table.context.vocabularies)

    def of(self, coins: Sequence[int]) -> dict[int, ClosestPlace]:
        """The closest place of every coin; nothing when the set has no place."""
        if not self.places:
            return {}
        row_of = self.board.row_of
        single = [coin for coin in coins if coin in row_of]
        rows = np.array([row_of[coin] for coin in single], np.int64)
        fewest = np.full(len(rows), len(self.places[0][1]) + MOST_CLAUSES, np.int64)
        nearest = np.zeros(len(rows), np.int64)
        for number, (_, clauses) in enumerate(self.places):
            failed = np.zeros(len(rows), np.int64)
            for _, clause in clauses:
                failed += self.board.columns.fails(clause)[rows]
            # A place that is failed only as a whole, by no clause alone, counts one.
            failed = np.maximum(failed, 1)
            nearest[failed < fewest] = number
            fewest = np.minimum(failed, fewest)
        found = {coin: self._told(coin, int(number)) for coin, number in zip(single, nearest, strict=True)}
        for coin in coins:
            if coin not in row_of:
                found[coin] = self._told(coin, self._look(self.board.views[coin]))
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
        views = self.board.views[coin]
        failing = [(rule, clause) for rule, clause in clauses if self.table.verdict(clause, views) is NO]
        if not failing:
            failing = failing_clauses(place.parts, views, self.table.attributes, self.table.context)
        words = [self._words(rule, clause) for rule, clause in failing]
        address = place.group if place.kind == "free_choice" else place.address
        return ClosestPlace(address, place.label, [said for said, _ in words], [text for _, text in words])

    def _words(self, rule: Rule | str, clause: Predicate) -> tuple[str, str]:
        words = self.words.get(id(clause))
        if words is None:
            words = self.words[id(clause)] = self.wording.clause(clause), clause_text(rule, clause)
        return words

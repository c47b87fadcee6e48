"""The coins that sit nowhere, and why: spare, undecided, outside (with the closest place), or not held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.column_index import CERTAIN
from service.evaluation.explanation import clause_text, conjuncts, failing_clauses
from service.evaluation.grouping import grouped
from service.evaluation.places import Place
from service.evaluation.table import Table
from service.facts.holding import Holding, View
from service.facts.truth import NO
from service.progress.presumed import KeptOut
from service.progress.result import ClosestPlace, UnplacedHolding
from service.rules.predicates import Predicate, reads
from service.rules.rule import Rule
from service.rules.wording import RuleWording


def unplaced(
    instance: Instance, table: Table, seats: Mapping[int, Placement], others: Iterable[Holding]
) -> list[UnplacedHolding]:
    """Every holding that sits nowhere, by id; of several like pieces those that are left over, with `pieces`. `others` are the
    holdings that do not count.

    `spare`: it fits the places named. `undecided`: it may fit them. `outside`: it fits none; `closest` is the place with the
    fewest clauses that it fails (ties: the order of the document). `never`:
    it is never to be in the places named, and fits no other. `not_held`: its status keeps it out.
    """
    coins, edges = instance.coins, instance.edges
    left = left_over(instance, seats)
    fits, fits_surely = np.zeros(len(coins), bool), np.zeros(len(coins), bool)
    fits[edges.holding] = True
    fits_surely[edges.holding[edges.basis == Basis.FIRM]] = True
    where = _Places(instance, (left > 0)[edges.holding] & ((edges.basis == Basis.FIRM) | ~fits_surely[edges.holding]))
    barred: dict[int, list[int]] = {}
    for at in sorted(instance.barred):
        for coin in instance.barred[at]:
            if left[coin] > 0 and not fits[coin]:
                barred.setdefault(coin, []).append(at)
    is_outside = (left > 0) & ~fits
    is_outside[list(barred)] = False
    closest = Closest(instance, table).of(np.flatnonzero(is_outside).tolist())
    kept_out = KeptOut(instance, table)
    entries: list[UnplacedHolding] = []
    is_several = (coins.quantity > 1).tolist()
    reasons = np.where(fits_surely, "spare", "undecided").tolist()
    pieces_left, has_place, ids = left.tolist(), fits.tolist(), coins.ids
    for coin in np.flatnonzero(left > 0).tolist():
        pieces = pieces_left[coin] if is_several[coin] else UNSET
        if has_place[coin]:
            entries.append(
                UnplacedHolding(holding=ids[coin], pieces=pieces, reason=reasons[coin], places=where.of(coin))
            )
        elif coin in barred:
            names = addresses(instance, barred[coin])
            entries.append(UnplacedHolding(holding=ids[coin], pieces=pieces, reason="never", places=names))
        else:
            near, because = closest.get(coin), kept_out.by(coin) or UNSET
            entries.append(
                UnplacedHolding(holding=ids[coin], pieces=pieces, reason="outside", closest=near, presumed=because)
            )
    not_held = [UnplacedHolding(holding=other.id, reason="not_held", status=other.status) for other in others]
    return sorted([*entries, *not_held], key=lambda entry: entry.holding) if not_held else entries


def count_unplaced(instance: Instance, seats: Mapping[int, Placement]) -> int:
    """How many holdings that count have a piece that sits nowhere."""
    return int((left_over(instance, seats) > 0).sum())


def left_over(instance: Instance, seats: Mapping[int, Placement]) -> npt.NDArray[np.int64]:
    """How many pieces of each coin sit nowhere, shape (coins,)."""
    placed = np.fromiter((seat.holding for seat in seats.values()), np.int64, len(seats))
    return instance.coins.quantity - np.bincount(placed, minlength=len(instance.coins))


class _Places:
    """The addresses of the places of coins, by the edges that are `chosen`. Coins with the same places share one list."""

    def __init__(self, instance: Instance, chosen: npt.NDArray[np.bool_]) -> None:
        place, holding = instance.edges.place[chosen], instance.edges.holding[chosen]
        # Edges are in order of their places, so those of one coin stay so.
        order = np.argsort(holding, kind="stable")
        place = place[order]
        coins, starts, counts = np.unique(holding[order], return_index=True, return_counts=True)
        self._lists: list[list[str]] = []
        kind_of = np.zeros(len(instance.coins), np.int64)
        for count in np.unique(counts).tolist():
            here = counts == count
            those = place[starts[here][:, None] + np.arange(count)]
            firsts, kinds = grouped(list(those.T), len(those))
            kind_of[coins[here]] = kinds + len(self._lists)
            self._lists += [addresses(instance, one) for one in those[firsts].tolist()]
        self._kind_of: list[int] = kind_of.tolist()

    def of(self, coin: int) -> list[str]:
        """The addresses of the places of a coin that has some, in the order of the document."""
        return self._lists[self._kind_of[coin]]


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
        coins_left = np.array(coins, np.int64)
        single = coins_left[np.isin(coins_left, self.instance.coins.single, assume_unique=True)]
        rows = np.searchsorted(self.instance.coins.single, single)
        nearest = self._nearest(rows)
        found: dict[int, ClosestPlace] = {}
        for number in np.unique(nearest).tolist():
            here = np.flatnonzero(nearest == number)
            firsts, kinds = self._alike(number, rows[here])
            told = [self._told(coin, number) for coin in single[here[firsts]].tolist()]
            found |= zip(single[here].tolist(), (told[kind] for kind in kinds.tolist()), strict=True)
        for coin in coins:
            if coin not in found:
                found[coin] = self._told(coin, self._look(self.instance.views[coin]))
        return found

    def _alike(self, number: int, rows: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Rows of which the same is told of a place: each of its clauses is decided alike, or, where one of them is not decided,
        nothing that its rule reads differs. One of each kind, and the kind of each; shapes (kinds,) and (rows,)."""
        columns, (place, clauses) = self.instance.columns, self.places[number]
        plans = [columns.plans.of(clause)[0] for _, clause in clauses]
        marks = [columns.marks_at(plan, rows) for plan in plans if plan is not None]
        is_decided = np.full(len(rows), None not in plans)
        for one in marks:
            is_decided &= (one == 0) | (one & CERTAIN != 0)
        read = [columns.column(name).codes[rows] for name in sorted(reads(place.predicate))]
        # A row that is decided has 0 where others have what the rule reads, and the other way round.
        apart = [np.where(is_decided, one, 0) for one in marks] + [np.where(is_decided, 0, one + 1) for one in read]
        return grouped(apart, len(rows))

    def _nearest(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The numbers of the closest places of rows of the columns."""
        uses = Counter(clause for _, clauses in self.places for _, clause in clauses)
        # What one place alone asks is not kept: there may be thousands of places.
        failing: dict[Predicate, npt.NDArray[np.bool_]] = {}
        fewest = np.full(len(rows), np.iinfo(np.uint16).max, np.uint16)
        nearest = np.zeros(len(rows), np.int64)
        for number, (_, clauses) in enumerate(self.places):
            failed = np.zeros(len(rows), np.uint16)
            for _, clause in clauses:
                fails = failing.get(clause)
                if fails is None:
                    fails = self.instance.columns.fails(clause)[rows]
                    if uses[clause] > 1:
                        failing[clause] = fails
                failed += fails
            # A place that is failed only as a whole, by no clause alone, counts one.
            np.maximum(failed, 1, out=failed)
            nearest[failed < fewest] = number
            np.minimum(failed, fewest, out=fewest)
            if (fewest == 1).all():
                break
        return nearest

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

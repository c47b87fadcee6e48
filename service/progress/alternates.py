"""The runners-up of a place: coins that could sit there and sit nowhere, with what each loses on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any

import numpy as np
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.edges import Edges, Flags, Integers
from service.assignment.problem import Basis, Placement
from service.facts.knowledge import plain_number
from service.progress.result import Alternate, Criterion, LosesOn, criterion_of, doubt_name
from service.progress.unplaced import left_over
from service.rules.preferences import Preference

MOST_ALTERNATES = 20

_LEVELS = ("pin", "doubt", "to_check", "presumed")
_SET, _PIN = LosesOn(set=True), LosesOn(pin=True)
_PRESUMED, _STAYS = LosesOn(presumed=True), LosesOn(stays=True)


def standings_of(edges: Edges, pinned: Flags) -> Integers:
    """How good each edge is by itself, shape (levels, edges): `_LEVELS`, one for each preference, `stays`; less is better.
    `pinned`, shape (edges,), counts the pins to groups too."""
    counted = np.where(edges.basis == Basis.REFERENCE, np.int64(Basis.UNKNOWN), edges.basis)
    to_check = np.where(edges.basis == Basis.FIRM, 0, edges.to_check)
    return np.stack((~pinned, counted, to_check, edges.presumed, *edges.cost, ~edges.stays)).astype(np.int64)


class RunnersUp:
    """The runners-up of all places of an instance that is solved."""

    def __init__(self, instance: Instance, seats: Mapping[int, Placement]) -> None:
        self._instance, self._seats = instance, seats
        self._edges = instance.edges
        self._known: dict[object, LosesOn] = {}
        self._criteria: dict[int, Criterion] = {}

    def of(self, at: int) -> list[Alternate]:
        """Up to 20 runners-up of a place, the best first. `loses_on` is the first level on which the coin is worse than the one
        placed; `set` where it is not worse by itself but the set as a whole would be."""
        order, starts = self._order
        best = order[starts[at] : starts[at] + min(MOST_ALTERNATES, starts[at + 1] - starts[at])]
        seat = self._seats.get(at)
        placed = None if seat is None else self._edges.positions([(at, seat.holding)])[0]
        return list(self._told(at, best, placed))

    @cached_property
    def _levels(self) -> Integers:
        edges = self._edges
        pinned = edges.pinned.copy()
        for pin in self._instance.problem.group_pins:
            pinned |= (edges.holding == pin.holding) & np.isin(edges.place, list(pin.places))
        return standings_of(edges, pinned)

    @cached_property
    def _order(self) -> tuple[Integers, list[int]]:
        """The edges of coins of which a piece is left over, without those of the coin in the place; by place, the best first.
        And where those of each place begin, shape (places + 1,)."""
        instance, edges = self._instance, self._edges
        placed = np.full(len(instance.places), -1, np.int64)
        for at, seat in self._seats.items():
            placed[at] = seat.holding
        is_left = left_over(instance, self._seats) > 0
        free = np.flatnonzero(is_left[edges.holding] & (placed[edges.place] != edges.holding))
        levels = self._levels[:, free]
        # Edges are in order of place, then holding, and the sort is stable; a level on which all are alike sorts nothing.
        keys = [level for level in levels if len(level) and (level != level[0]).any()]
        order = free[np.lexsort((*reversed(keys), edges.place[free]))] if len(free) else free
        starts: list[int] = np.searchsorted(edges.place[order], np.arange(len(instance.places) + 1)).tolist()
        return order, starts

    def _told(self, at: int, best: Integers, placed: int | None) -> Iterator[Alternate]:
        ids = self._instance.coins.ids
        coins = self._edges.holding[best].tolist()
        if placed is None:
            yield from (Alternate(ids[coin], _SET) for coin in coins)
            return
        there = self._levels[:, placed, np.newaxis]
        here = self._levels[:, best]
        differs = here != there
        first = np.where(differs.any(axis=0), differs.argmax(axis=0), len(here))
        is_better = (here < there)[np.minimum(first, len(here) - 1), np.arange(len(best))] & (first < len(here))
        sitting = int(self._edges.holding[placed])
        for edge, coin, level, better in zip(best.tolist(), coins, first.tolist(), is_better.tolist(), strict=True):
            if better or (level == len(here) and coin < sitting):
                yield Alternate(ids[coin], _SET)
            else:
                yield Alternate(ids[coin], self._loses_on(at, level, edge, placed))

    def _loses_on(self, at: int, level: int, edge: int, placed: int) -> LosesOn:
        edges, preferences = self._edges, len(self._edges.cost)
        if level < len(_LEVELS):
            return self._on_doubt(_LEVELS[level], edge, placed)
        if level < len(_LEVELS) + preferences:
            return self._on_preference(at, level - len(_LEVELS), edge, placed)
        if level == len(_LEVELS) + preferences:
            return _STAYS
        ids = self._instance.coins.ids
        return LosesOn(order="holding", this=ids[int(edges.holding[edge])], placed=ids[int(edges.holding[placed])])

    def _on_doubt(self, level: str, edge: int, placed: int) -> LosesOn:
        edges = self._edges
        if level == "pin":
            return _PIN
        if level == "doubt":
            this, best = (doubt_name(Basis(int(edges.basis[one]))) for one in (edge, placed))
            return LosesOn(doubt=this or UNSET, placed=best)
        if level == "to_check":
            return LosesOn(to_check=True, this=int(edges.to_check[edge]), placed=int(edges.to_check[placed]))
        return _PRESUMED

    def _on_preference(self, at: int, level: int, edge: int, placed: int) -> LosesOn:
        preference: Preference = self._instance.places[at].prefer[level]
        worth = self._instance.worth[level, at]
        values = tuple(worth[int(self._edges.holding[one])] for one in (edge, placed))
        key = (level, id(preference), values)
        found = self._known.get(key)
        if found is None:
            if id(preference) not in self._criteria:
                self._criteria[id(preference)] = criterion_of(preference)
            told: list[Any] = [None if value is None else plain_number(value) for value in values]
            criterion = self._criteria[id(preference)]
            found = self._known[key] = LosesOn(prefer=level, criterion=criterion, this=told[0], placed=told[1])
        return found

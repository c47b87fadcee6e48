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
from service.evaluation.grouping import grouped
from service.facts.knowledge import Number, plain_number
from service.progress.result import Alternate, LosesOn, criterion_of, doubt_name
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
        self._instance, self._edges = instance, instance.edges
        self._left = left_over(instance, seats) > 0
        # Who sits in each place, and over which edge; -1 for nobody.
        self._sitting = np.full(len(instance.places), -1, np.int64)
        self._sitting[list(seats)] = [seat.holding for seat in seats.values()]
        self._placed = np.full(len(instance.places), -1, np.int64)
        own = np.flatnonzero(self._sitting[self._edges.place] == self._edges.holding)
        self._placed[self._edges.place[own]] = own

    def of(self, at: int) -> list[Alternate]:
        """Up to 20 runners-up of a place, the best first. `loses_on` is the first level on which the coin is worse than the one
        placed; `set` where it is not worse by itself but the set as a whole would be."""
        told, starts = self._told
        return told[starts[at] : starts[at + 1]]

    @cached_property
    def _levels(self) -> Integers:
        edges = self._edges
        pinned = edges.pinned.copy()
        for pin in self._instance.problem.group_pins:
            pinned |= (edges.holding == pin.holding) & np.isin(edges.place, list(pin.places))
        return standings_of(edges, pinned)

    @cached_property
    def _best(self) -> tuple[Integers, list[int]]:
        """The edges of coins of which a piece is left over, without those of the coin in the place; by place, the best 20 of each
        first to last. And where those of each place begin, shape (places + 1,)."""
        edges, every = self._edges, np.arange(len(self._sitting) + 1)
        free = np.flatnonzero(self._left[edges.holding] & (self._sitting[edges.place] != edges.holding))
        levels = self._levels[:, free]
        # Edges are in order of place, then holding, and the sort is stable; a level on which all are alike sorts nothing.
        keys = [level for level in levels if len(level) and (level != level[0]).any()]
        order = free[np.lexsort((*reversed(keys), edges.place[free]))] if len(free) else free
        starts = np.searchsorted(edges.place[order], every)
        counts = np.minimum(MOST_ALTERNATES, np.diff(starts))
        ends = np.cumsum(np.concatenate(([0], counts)))
        within = np.arange(ends[-1]) - np.repeat(ends[:-1], counts)
        return order[np.repeat(starts[:-1], counts) + within], ends.tolist()

    @cached_property
    def _told(self) -> tuple[list[Alternate], list[int]]:
        """The runners-up of one place after the other, and where those of each begin."""
        best, starts = self._best
        edges, ids, preferences = self._edges, self._instance.coins.ids, len(self._edges.cost)
        coins, placed = edges.holding[best], self._placed[edges.place[best]]
        here, there = self._levels[:, best], self._levels[:, placed]
        differs = here != there
        first = np.where(differs.any(axis=0), differs.argmax(axis=0), len(here))
        is_better = (here < there)[np.minimum(first, len(here) - 1), np.arange(len(best))] & (first < len(here))
        is_better |= (first == len(here)) & (coins < edges.holding[placed])
        loses = [_SET] * len(best)
        for level in np.unique(first).tolist():
            rows = np.flatnonzero((first == level) & ~is_better & (placed >= 0))
            pairs = best[rows], placed[rows]
            if level < len(_LEVELS):
                told = [self._on_doubt(_LEVELS[level], *pair) for pair in _paired(pairs)]
            elif level < len(_LEVELS) + preferences:
                told = self._on_preference(level - len(_LEVELS), *pairs)
            elif level == len(_LEVELS) + preferences:
                told = [_STAYS] * len(rows)
            else:
                both = _paired((edges.holding[pairs[0]], edges.holding[pairs[1]]))
                told = [LosesOn(order="holding", this=ids[this], placed=ids[other]) for this, other in both]
            for row, one in zip(rows.tolist(), told, strict=True):
                loses[row] = one
        return [Alternate(ids[coin], one) for coin, one in zip(coins.tolist(), loses, strict=True)], starts

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

    def _on_preference(self, level: int, best: Integers, placed: Integers) -> list[LosesOn]:
        """What edges lose on a preference, beside those placed; of equal values it is one object."""
        edges, told = self._edges, [_SET] * len(best)
        by_preference: dict[int, tuple[Preference, list[int]]] = {}
        for at in np.unique(edges.place[best]).tolist():
            preference: Preference = self._instance.places[at].prefer[level]
            by_preference.setdefault(id(preference), (preference, []))[1].append(at)
        for preference, places in by_preference.values():
            rows = np.flatnonzero(np.isin(edges.place[best], places))
            worth, criterion = self._instance.worth[level, places[0]], criterion_of(preference)
            codes = [worth.codes[edges.holding[edge[rows]]] for edge in (best, placed)]
            firsts, kind = grouped(codes, len(rows))
            values = [[_number(worth.distinct[code]) for code in one[firsts].tolist()] for one in codes]
            made = [
                LosesOn(prefer=level, criterion=criterion, this=this, placed=other)
                for this, other in zip(*values, strict=True)
            ]
            for row, number in zip(rows.tolist(), kind.tolist(), strict=True):
                told[row] = made[number]
        return told


def _paired(pairs: tuple[Integers, Integers]) -> Iterator[tuple[int, int]]:
    return zip(*(edges.tolist() for edges in pairs), strict=True)


def _number(value: Number | None) -> Any:
    return None if value is None else plain_number(value)

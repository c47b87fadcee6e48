"""Swaps as whole numbers: cycles of coins among parties that each lack what another has to spare. Pure; nothing of coins in it.

A cycle goes over 2 to 4 different parties; in it each gives one coin to the next, who puts it into an empty place that it
fits. A coin is given as often as it has pieces, a place is filled once. A party may be part of several cycles. What is
asked, in strict order (each level is optimised, its value kept, then the next):

1. `places`  as many places filled as can be
2. `people`  as few parties taking part as can be
3. `cycles`  as many cycles as can be: short ones need fewer people to agree
4. `order`   cycles of parties in their order, each as often as can be, then from which coins to which places in order

This is the exchange of kidney donors with cycles of bounded length, of which the formulations are taken: Abraham, Blum,
Sandholm, "Clearing algorithms for barter exchange markets" (EC 2007), for cycles as variables, and Constantino, Klimentova,
Viana, Rais, "New insights on integer-programming models for the kidney exchange problem" (EJOR 2013), for bounds (both
cited from memory). From three parties in a cycle on it is NP-hard (the first of the two). Here a party gives and takes
many coins, and whom a coin goes to is chosen too; without the bound on length that is a flow, which is the bound used
(`service.exchange.circulation`).

Parts that no cycle joins are solved one by one. Where the cycles of parties of a part can all be listed the
search is exact on all levels, if its budget suffices; past that it starts from the flow and improves it in
neighbourhoods: then `places` is proven when it reaches the flow's bound, `people` when it reaches a bound by the flow's
prices, and the rest is only fixed: the same exchange has the same answer, in whatever order it is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.assignment.problem import Level

LONGEST = 4
LEVELS = ("places", "people", "cycles", "order")


@dataclass(frozen=True, slots=True)
class Offer:
    """A coin that may be given, in so many pieces, and all places that it fits, whoever lacks them."""

    coin: int
    places: frozenset[int]
    pieces: int = 1


@dataclass(frozen=True, slots=True)
class Party:
    """The places that are empty, and what is to spare. The party can do without all of it at once: whoever states the
    exchange has made sure of that."""

    holes: frozenset[int]
    offers: tuple[Offer, ...]


@dataclass(frozen=True, slots=True)
class AtMost:
    """Of these (giver, coin) at most `count` pieces are given: to the receiver, or to anybody."""

    coins: frozenset[tuple[int, int]]
    receiver: int | None
    count: int


TransferLimit = tuple[AtMost, ...]
"""At least one of these holds."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """Parties by their numbers. Numbers of parties, coins (each party's own) and places are in the order that ties go by."""

    parties: Mapping[int, Party]
    limits: tuple[TransferLimit, ...] = ()


@dataclass(frozen=True, slots=True, order=True)
class Transfer:
    """One coin goes from one to the other, into a place of the other."""

    giver: int
    coin: int
    receiver: int
    place: int


Cycle = tuple[Transfer, ...]


@dataclass(frozen=True, slots=True)
class ExchangeSolution:
    """The cycles in order, each from its lowest party on. `levels` as in `service.assignment.problem.Level`: `people` is
    better when less, the others when more; a bound holds given the levels before it. `order` counts the choices that are
    not proven to be the first."""

    cycles: tuple[Cycle, ...]
    levels: tuple[Level, ...]

    @property
    def proven(self) -> bool:
        """Whether every level is."""
        return all(level.proven for level in self.levels)

    def level(self, name: str) -> Level:
        """A level by its name."""
        return next(level for level in self.levels if level.name == name)

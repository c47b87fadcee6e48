"""The exchange problem as whole numbers: cycles of coins among parties that each lack what another has to spare. Pure; it
knows nothing of coins.

A cycle goes over 2 to 4 different parties; in it each gives one coin to the next, who puts it into an empty place that it
fits. A coin is given as often as it has pieces, a place is filled once. A party may be in several cycles. The objective
is lexicographic; each level is optimised in turn, and its value is kept while the next is optimised:

1. `places`  the largest number of places filled
2. `people`  the smallest number of parties taking part
3. `cycles`  the largest number of cycles: short ones need fewer people to agree
4. `order`   among equals: cycles of parties in their order, each as often as possible; then from which coins to which
             places, in order

This is the kidney exchange problem with cycles of bounded length. The formulations are taken from D. Abraham, A. Blum, T.
Sandholm, "Clearing algorithms for barter exchange markets" (EC 2007), for cycles as variables, and M. Constantino, X.
Klimentova, A. Viana, A. Rais, "New insights on integer-programming models for the kidney exchange problem" (EJOR 2013),
for bounds (both from memory). From three parties in a cycle on it is NP-hard (the first of the two). Here a party gives
and takes many coins, and the receiver of a coin is chosen too; without the bound on length that is a flow, which gives
the upper bound (`service.exchange.circulation`).

Parts that no cycle can connect are solved separately. Where all cycles of parties of a part can be listed, the search is
exact on all levels, within its budget. Otherwise it starts from the flow and improves it by local search: then `places`
is proven when it reaches the flow's bound, `people` when it reaches a bound by the flow's dual prices, and the rest is
not proven. In either case the same exchange has the same answer, in whatever order it is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.assignment.problem import Level

LONGEST = 4
"""The largest number of parties in a cycle."""
LEVELS = ("places", "people", "cycles", "order")


@dataclass(frozen=True, slots=True)
class Offer:
    """A coin that may be given, its number of pieces, and all places that it fits, whoever lacks them."""

    coin: int
    places: frozenset[int]
    pieces: int = 1


@dataclass(frozen=True, slots=True)
class Party:
    """The places that are empty (`holes`), and what the party offers. The caller ensures that it can spare all of its
    offers at once."""

    holes: frozenset[int]
    offers: tuple[Offer, ...]


@dataclass(frozen=True, slots=True)
class AtMost:
    """Of these coins, as (giver, coin), at most `count` pieces are given to the receiver, or (None) to all together."""

    coins: frozenset[tuple[int, int]]
    receiver: int | None
    count: int


TransferLimit = tuple[AtMost, ...]
"""At least one of these conditions holds."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """Parties by number. The numbers of parties, coins (each party's own) and places give the order that breaks ties."""

    parties: Mapping[int, Party]
    limits: tuple[TransferLimit, ...] = ()


@dataclass(frozen=True, slots=True, order=True)
class Transfer:
    """One piece of a coin goes from the giver into a place of the receiver."""

    giver: int
    coin: int
    receiver: int
    place: int


Cycle = tuple[Transfer, ...]


@dataclass(frozen=True, slots=True)
class ExchangeSolution:
    """The cycles in order, each starting from its lowest party. `levels` as in `service.assignment.problem.Level`: less
    is better on `people` and `order`, more on the others; a bound holds given the values of the levels before it. `order`
    counts the choices that are not proven to be the first."""

    cycles: tuple[Cycle, ...]
    levels: tuple[Level, ...]

    @property
    def proven(self) -> bool:
        """Whether every level is proven optimal."""
        return all(level.proven for level in self.levels)

    def level(self, name: str) -> Level:
        """A level by its name."""
        return next(level for level in self.levels if level.name == name)

"""An exchange cut down to what can matter: parts that cycles can join, coins and places that are alike taken together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from service.exchange.problem import Exchange, Offer

Link = tuple[int, int]
"""A supply and a demand that it fits."""
LinkCycle = tuple[Link, ...]
"""Links from party to party and back, from the lowest party on."""
Condition = tuple[int, int]
"""A limit, and which of its conditions."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Coins of one giver that are alike: they fit the same kinds of places, for the same receivers, under the same limits.
    A coin of several pieces stands there as often."""

    giver: int
    kinds: frozenset[int]
    coins: tuple[int, ...]
    barred: frozenset[int] = frozenset()
    limits: frozenset[Condition] = frozenset()


@dataclass(frozen=True, slots=True)
class Demand:
    """Empty places of one receiver that the same coins fit."""

    receiver: int
    kind: int
    places: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReducedAtMost:
    """Of the supplies under this condition at most `count` coins go to the receiver, or to anybody."""

    receiver: int | None
    count: int


@dataclass(frozen=True)
class ReducedExchange:
    """One part. Supplies are in the order of their givers and first coins, demands of their receivers and first places."""

    parties: tuple[int, ...]
    supplies: tuple[Supply, ...]
    demands: tuple[Demand, ...]
    limits: dict[int, tuple[ReducedAtMost, ...]]
    """By number: of the conditions of a limit at least one holds."""

    def fits(self, supply: Supply, demand: Demand) -> bool:
        """Whether a coin of the supply may go into a place of the demand."""
        return demand.kind in supply.kinds and demand.receiver != supply.giver and demand.receiver not in supply.barred

    def links(self) -> Iterator[Link]:
        """Every supply with every demand that it fits."""
        by_kind: dict[int, list[int]] = defaultdict(list)
        for number, demand in enumerate(self.demands):
            by_kind[demand.kind].append(number)
        for at, supply in enumerate(self.supplies):
            fitting = sorted(number for kind in supply.kinds for number in by_kind[kind])
            yield from ((at, number) for number in fitting if self.fits(supply, self.demands[number]))

    def terms(self, link: Link) -> Iterator[Condition]:
        """The conditions that count the link."""
        for term in self.supplies[link[0]].limits:
            receiver = self.limits[term[0]][term[1]].receiver
            if receiver is None or receiver == self.demands[link[1]].receiver:
                yield term

    def parties_of(self, ring: LinkCycle) -> tuple[int, ...]:
        """Who takes part in the ring, in its order."""
        return tuple(self.supplies[supply].giver for supply, _ in ring)


def link_count(market: ReducedExchange) -> int:
    """How many links there are, or a few more."""
    wanting: dict[int, int] = defaultdict(int)
    for demand in market.demands:
        wanting[demand.kind] += 1
    return sum(wanting[kind] for supply in market.supplies for kind in supply.kinds)


def reduce_exchange(exchange: Exchange) -> list[ReducedExchange]:
    """The parts of the exchange in which there may be cycles, each reduced, in the order of their parties."""
    barred: dict[tuple[int, int], set[int]] = defaultdict(set)
    bound: dict[tuple[int, int], set[Condition]] = defaultdict(set)
    for number, limit in enumerate(exchange.limits):
        for at, condition in enumerate(limit):
            for coin in condition.coins:
                if len(limit) == 1 and condition.count <= 0 and condition.receiver is not None:
                    barred[coin].add(condition.receiver)
                else:
                    bound[coin].add((number, at))
    order = sorted(exchange.parties)
    parts = [members for members in _strong(exchange, order, barred) if len(members) > 1]
    found = [_reduced(exchange, members, barred, bound) for members in parts]
    return [market for market in found if market.supplies]


def _strong(exchange: Exchange, order: list[int], barred: dict[tuple[int, int], set[int]]) -> list[list[int]]:
    """The parties by parts: in a part everyone is reached from everyone by who may give to whom."""
    places = sorted({place for number in order for place in exchange.parties[number].holes})
    at = {place: column for column, place in enumerate(places)}
    gives = np.zeros((len(order), len(places)), np.float32)
    lacks = np.zeros((len(order), len(places)), np.float32)
    apart: dict[tuple[int, int], list[Offer]] = {}
    for row, number in enumerate(order):
        party = exchange.parties[number]
        lacks[row, [at[place] for place in party.holes]] = 1
        plain = set[int]()
        for offer in party.offers:
            if offer.pieces > 0:
                if (number, offer.coin) in barred:
                    apart.setdefault((row, number), []).append(offer)
                else:
                    plain |= offer.places
        gives[row, [at[place] for place in plain if place in at]] = 1
    may = gives @ lacks.T > 0
    for (row, number), offers in apart.items():
        for offer in offers:
            for other, receiver in enumerate(order):
                if receiver not in barred[number, offer.coin] and offer.places & exchange.parties[receiver].holes:
                    may[row, other] = True
    np.fill_diagonal(may, val=False)
    rows, columns = np.nonzero(may)
    graph = coo_array((np.ones(len(rows), np.int8), (rows, columns)), shape=may.shape)
    _, labels = connected_components(graph, directed=True, connection="strong")
    parts: dict[int, list[int]] = {}
    for row, label in enumerate(labels.tolist()):
        parts.setdefault(label, []).append(order[row])
    return sorted(parts.values())


def _reduced(
    exchange: Exchange,
    members: list[int],
    barred: dict[tuple[int, int], set[int]],
    bound: dict[tuple[int, int], set[Condition]],
) -> ReducedExchange:
    lacking: dict[int, set[int]] = defaultdict(set)
    for number in members:
        for place in exchange.parties[number].holes:
            lacking[place].add(number)
    alike: dict[tuple[int, frozenset[int], frozenset[int], frozenset[Condition]], list[int]] = {}
    for number in members:
        for offer in exchange.parties[number].offers:
            away = frozenset(barred.get((number, offer.coin), ()))
            wanted = frozenset(place for place in offer.places if lacking.get(place, set()) - away - {number})
            if wanted and offer.pieces > 0:
                limits = frozenset(bound.get((number, offer.coin), ()))
                alike.setdefault((number, wanted, away, limits), []).extend([offer.coin] * offer.pieces)
    groups = sorted(((key[0], sorted(coins), key) for key, coins in alike.items()), key=lambda group: group[:2])
    # Places that the same groups fit are of one kind.
    fitted: dict[int, list[int]] = defaultdict(list)
    for at, (_, _, key) in enumerate(groups):
        for place in sorted(key[1]):
            fitted[place].append(at)
    names: dict[tuple[int, ...], int] = {}
    kind_of = {place: names.setdefault(tuple(fitted[place]), len(names)) for place in sorted(fitted)}
    supplies = tuple(
        Supply(giver, frozenset(kind_of[place] for place in key[1]), tuple(coins), key[2], key[3])
        for giver, coins, key in groups
    )
    demands = []
    for number in members:
        wanted_here: dict[int, list[int]] = {}
        for place in sorted(exchange.parties[number].holes & kind_of.keys()):
            wanted_here.setdefault(kind_of[place], []).append(place)
        demands += [Demand(number, kind, tuple(places)) for kind, places in wanted_here.items()]
    conditions = {
        number: tuple(ReducedAtMost(most.receiver, most.count) for most in exchange.limits[number])
        for number in sorted({number for supply in supplies for number, _ in supply.limits})
    }
    return ReducedExchange(tuple(members), supplies, tuple(demands), conditions)


def successors(market: ReducedExchange) -> dict[int, list[int]]:
    """For each party those to whom it may give something, in order."""
    found: dict[int, set[int]] = {party: set() for party in market.parties}
    for supply, demand in market.links():
        found[market.supplies[supply].giver].add(market.demands[demand].receiver)
    return {party: sorted(others) for party, others in found.items()}


def party_cycles(market: ReducedExchange, longest: int, most: int) -> list[tuple[int, ...]] | None:
    """Every cycle of parties of 2 to `longest`, in order, each from its lowest party on; None past `most`."""
    after = successors(market)
    into = {party: set(others) for party, others in after.items()}
    found: list[tuple[int, ...]] = []
    for first in market.parties:
        paths: list[tuple[int, ...]] = [(first,)]
        while paths:
            path = paths.pop()
            for other in after[path[-1]]:
                if other > first and other not in path:
                    if first in into[other]:
                        found.append((*path, other))
                        if len(found) > most:
                            return None
                    if len(path) + 1 < longest:
                        paths.append((*path, other))
    return sorted(found)

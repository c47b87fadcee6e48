"""An exchange reduced to what can matter: parts within which cycles are possible, equivalent coins and places merged."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from service.exchange.problem import Exchange, Offer

Link = tuple[int, int]
"""A supply and a demand that it fits, by number."""
LinkCycle = tuple[Link, ...]
"""Links from party to party and back, starting from the lowest party."""
Condition = tuple[int, int]
"""The number of a limit, and the position of one of its conditions."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Equivalent coins of one giver: they fit the same kinds of places, for the same receivers, under the same limits. A
    coin of several pieces is listed as often. `barred` are parties that none of them may go to."""

    giver: int
    kinds: frozenset[int]
    coins: tuple[int, ...]
    barred: frozenset[int] = frozenset()
    conditions: frozenset[Condition] = frozenset()


@dataclass(frozen=True, slots=True)
class Demand:
    """Equivalent empty places of one receiver: the same coins fit them."""

    receiver: int
    kind: int
    places: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReducedAtMost:
    """Of the supplies under this condition at most `count` coins go to the receiver, or (None) to all together."""

    receiver: int | None
    count: int


@dataclass(frozen=True)
class ReducedExchange:
    """One part of an exchange. `supplies` are in the order of givers, then first coins; `demands` of receivers, then
    first places. `limits`: by number, conditions of which at least one holds."""

    parties: tuple[int, ...]
    supplies: tuple[Supply, ...]
    demands: tuple[Demand, ...]
    limits: dict[int, tuple[ReducedAtMost, ...]]

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

    def conditions(self, link: Link) -> Iterator[Condition]:
        """The conditions that count the link."""
        for condition in self.supplies[link[0]].conditions:
            receiver = self.limits[condition[0]][condition[1]].receiver
            if receiver is None or receiver == self.demands[link[1]].receiver:
                yield condition

    def parties_of(self, cycle: LinkCycle) -> tuple[int, ...]:
        """The parties of the cycle, in its order."""
        return tuple(self.supplies[supply].giver for supply, _ in cycle)


def link_count(reduced: ReducedExchange) -> int:
    """An upper bound of the number of links, without listing them."""
    wanting: dict[int, int] = defaultdict(int)
    for demand in reduced.demands:
        wanting[demand.kind] += 1
    return sum(wanting[kind] for supply in reduced.supplies for kind in supply.kinds)


def reduce_exchange(exchange: Exchange) -> list[ReducedExchange]:
    """The parts of the exchange in which cycles are possible, reduced, in the order of their parties: the strongly
    connected components of who may give to whom. Parties outside of them give and receive nothing. Time: parties squared
    times places for the components, else linear in pairs of offers and places."""
    barred: dict[tuple[int, int], set[int]] = defaultdict(set)
    limited: dict[tuple[int, int], set[Condition]] = defaultdict(set)
    for number, limit in enumerate(exchange.limits):
        for at, condition in enumerate(limit):
            for coin in condition.coins:
                if len(limit) == 1 and condition.count <= 0 and condition.receiver is not None:
                    barred[coin].add(condition.receiver)
                else:
                    limited[coin].add((number, at))
    order = sorted(exchange.parties)
    parts = [members for members in _strong_components(exchange, order, barred) if len(members) > 1]
    found = [_reduced(exchange, members, barred, limited) for members in parts]
    return [reduced for reduced in found if reduced.supplies]


def _strong_components(
    exchange: Exchange, order: list[int], barred: dict[tuple[int, int], set[int]]
) -> list[list[int]]:
    """The strongly connected components of the graph of who may give to whom."""
    places = sorted({place for number in order for place in exchange.parties[number].holes})
    at = {place: column for column, place in enumerate(places)}
    gives = np.zeros((len(order), len(places)), np.float32)
    lacks = np.zeros((len(order), len(places)), np.float32)
    partly_barred: dict[tuple[int, int], list[Offer]] = {}
    for row, number in enumerate(order):
        party = exchange.parties[number]
        lacks[row, [at[place] for place in party.holes]] = 1
        unbarred = set[int]()
        for offer in party.offers:
            if offer.pieces > 0:
                if (number, offer.coin) in barred:
                    partly_barred.setdefault((row, number), []).append(offer)
                else:
                    unbarred |= offer.places
        gives[row, [at[place] for place in unbarred if place in at]] = 1
    may = gives @ lacks.T > 0
    for (row, number), offers in partly_barred.items():
        for offer in offers:
            for other, receiver in enumerate(order):
                if receiver not in barred[number, offer.coin] and offer.places & exchange.parties[receiver].holes:
                    may[row, other] = True
    np.fill_diagonal(may, val=False)
    rows, columns = np.nonzero(may)
    # Imported when first needed: it takes 26 MiB, and most processes never swap.
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

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
    limited: dict[tuple[int, int], set[Condition]],
) -> ReducedExchange:
    lacking: dict[int, set[int]] = defaultdict(set)
    for number in members:
        for place in exchange.parties[number].holes:
            lacking[place].add(number)
    equivalent: dict[tuple[int, frozenset[int], frozenset[int], frozenset[Condition]], list[int]] = {}
    nobody, nothing = frozenset[int](), frozenset[Condition]()
    for number in members:
        # Of most coins a party has several of a kind.
        useful_of: dict[tuple[frozenset[int], frozenset[int]], frozenset[int]] = {}
        for offer in exchange.parties[number].offers:
            away = frozenset(barred[number, offer.coin]) if (number, offer.coin) in barred else nobody
            useful = useful_of.get((offer.places, away))
            if useful is None:
                useful = frozenset(place for place in offer.places if lacking.get(place, set()) - away - {number})
                useful_of[offer.places, away] = useful
            if useful and offer.pieces > 0:
                conditions = frozenset(limited[number, offer.coin]) if (number, offer.coin) in limited else nothing
                equivalent.setdefault((number, useful, away, conditions), []).extend([offer.coin] * offer.pieces)
    groups = sorted(((key[0], sorted(coins), key) for key, coins in equivalent.items()), key=lambda group: group[:2])
    # Places that the same groups of coins fit are of one kind.
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
    limits = {
        number: tuple(ReducedAtMost(one.receiver, one.count) for one in exchange.limits[number])
        for number in sorted({number for supply in supplies for number, _ in supply.conditions})
    }
    return ReducedExchange(tuple(members), supplies, tuple(demands), limits)


def turnover(reduced: ReducedExchange) -> dict[int, int]:
    """For each party the largest number of coins that it can give and receive: the smaller of its coins and its
    places."""
    gives, takes = Counter[int](), Counter[int]()
    for supply in reduced.supplies:
        gives[supply.giver] += len(supply.coins)
    for demand in reduced.demands:
        takes[demand.receiver] += len(demand.places)
    return {party: min(gives[party], takes[party]) for party in reduced.parties}


def successors(reduced: ReducedExchange) -> dict[int, list[int]]:
    """For each party those to whom it may give a coin, ascending."""
    found: dict[int, set[int]] = {party: set() for party in reduced.parties}
    for supply, demand in reduced.links():
        found[reduced.supplies[supply].giver].add(reduced.demands[demand].receiver)
    return {party: sorted(others) for party, others in found.items()}


def party_cycles(reduced: ReducedExchange, longest: int, most: int) -> list[tuple[int, ...]] | None:
    """Every cycle of 2 to `longest` parties, in order, each starting from its lowest party; None when there are more than
    `most`."""
    after = successors(reduced)
    into = {party: set(others) for party, others in after.items()}
    found: list[tuple[int, ...]] = []
    for first in reduced.parties:
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

"""Every way to exchange coins, slow and obvious."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import permutations

from service.exchange.problem import Exchange, Transfer

Parties = tuple[int, ...]


def ways(exchange: Exchange) -> Iterator[tuple[Transfer, ...]]:
    """Every set of transfers with each coin given as often as it has pieces, each place filled once, and the limits kept."""
    pieces = [
        (giver, offer)
        for giver, party in sorted(exchange.parties.items())
        for offer in party.offers
        for _ in range(offer.pieces)
    ]

    def onwards(
        at: int, taken: tuple[Transfer, ...], filled: frozenset[tuple[int, int]]
    ) -> Iterator[tuple[Transfer, ...]]:
        if at == len(pieces):
            yield taken
            return
        yield from onwards(at + 1, taken, filled)
        giver, offer = pieces[at]
        for receiver, party in exchange.parties.items():
            for place in sorted(offer.places & party.holes):
                if receiver != giver and (receiver, place) not in filled:
                    transfer = Transfer(giver, offer.coin, receiver, place)
                    yield from onwards(at + 1, (*taken, transfer), filled | {(receiver, place)})

    for taken in onwards(0, (), frozenset()):
        if keeps_limits(exchange, taken):
            yield taken


def keeps_limits(exchange: Exchange, taken: Sequence[Transfer]) -> bool:
    return all(
        any(
            sum((t.giver, t.coin) in most.coins and most.receiver in (None, t.receiver) for t in taken) <= most.count
            for most in limit
        )
        for limit in exchange.limits
    )


def splits(steps: Counter[tuple[int, int]], longest: int) -> Iterator[tuple[Parties, ...]]:
    """Every way of taking the steps apart into cycles of different parties."""
    left = sorted(step for step, count in steps.items() if count)
    if not left:
        yield ()
        return
    first = left[0][0]
    others = sorted({party for step in left for party in step} - {first})
    for length in range(1, longest):
        for more in permutations(others, length):
            cycle = (first, *more)
            needs = Counter(zip(cycle, (*more, first), strict=True))
            if all(steps[step] >= count for step, count in needs.items()):
                for rest in splits(steps - needs, longest):
                    yield (cycle, *rest)

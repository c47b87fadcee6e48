"""Which coins of a tray to buy for a sum of money. Pure, exact up to a number of coins.

Most required places first, then most places, then the least money, then the fewest coins. A coin counts where it fits for
certain: nobody buys what only may fit. More coins never make the first
two worse, so what all coins left could reach bounds every branch of the search.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Annotated, Any

from msgspec import UNSET, Meta, Struct, UnsetType

from service.assignment.build import Instance
from service.facts.holding import Holding
from service.facts.truth import YES
from service.progress.whatif import Evaluated

MOST_PRICED = 20
MOST_TRIED = 20_000

Standing = tuple[int, ...]


class Purchase(Struct, frozen=True, kw_only=True):
    """Which coins to buy: most required places, then most places, then the least money, then the fewest coins."""

    buy: Annotated[list[str] | None, Meta(description="null: there is no exact answer; see `limit`.")]
    cost: Decimal | UnsetType = UNSET
    required_gain: int | UnsetType = UNSET
    possible_gain: int | UnsetType = UNSET
    proven: Annotated[bool | UnsetType, Meta(description="Whether no better choice exists.")] = UNSET
    limit: Annotated[str | UnsetType, Meta(description="Why there is no exact answer.")] = UNSET
    currency: Annotated[str | None, Meta(description="Of the prices; null: not named.")]


def purchase(
    evaluated: Evaluated,
    coins: Sequence[Holding],
    prices: Mapping[str, Decimal],
    budget: Decimal,
    currency: str | None = None,
) -> Purchase:
    """The coins to buy, `prices` and `budget` in one currency. Coins without a price, and those that only may fit, are left
    out; of more than 20 coins that
    fit and can be paid there is no exact answer."""
    order = sorted((coin for coin in coins if coin.id in prices), key=lambda coin: coin.id)
    tray = evaluated.judge(order)
    opening = frozenset(coin.id for coin in order if evaluated.opens_places(coin))
    number_of = {coin.id: number for number, coin in enumerate(tray.holdings)}
    reach = {
        coin.id: evaluated.touched(
            at
            for at, fits in enumerate(tray.fits)
            if number_of[coin.id] in fits and fits[number_of[coin.id]].verdict is YES
        )
        for coin in order
    }
    doubtful = frozenset(
        (tray.holdings[number].id, tray.places[at].address)
        for at, fits in enumerate(tray.fits)
        for number, fit in fits.items()
        if fit.verdict is not YES
    )
    useful = [c for c in order if (reach[c.id] or c.id in opening) and prices[c.id] <= budget]
    if len(useful) > MOST_PRICED:
        message = (
            f"{len(useful)} coins fit the set and can be paid; the best choice is worked out for up to {MOST_PRICED}"
        )
        return Purchase(buy=None, limit=message, currency=currency)
    search = _Search(evaluated, useful, prices, budget, reach, opening, tray, doubtful)
    search.run()
    bought = [coin.id for coin in coins if coin.id in search.best]
    gains = search.gain(search.best)
    return Purchase(
        buy=bought,
        cost=sum((prices[name] for name in bought), Decimal(0)),
        required_gain=gains[1],
        possible_gain=gains[2],
        proven=search.sure and search.tried <= MOST_TRIED,
        currency=currency,
    )


@dataclass
class _Search:
    """Depth first, each coin taken or left, the dear ones first."""

    evaluated: Evaluated
    coins: Sequence[Holding]
    prices: Mapping[str, Decimal]
    budget: Decimal
    reach: Mapping[str, frozenset[int]]
    opening: frozenset[str]
    tray: Instance
    doubtful: frozenset[tuple[str, str]]
    best: frozenset[str] = frozenset()
    tried: int = 0
    sure: bool = True
    _known: dict[frozenset[str], Standing] = field(default_factory=dict)

    def run(self) -> None:
        order = sorted(self.coins, key=lambda coin: (-self.prices[coin.id], coin.id))
        self._groups = self._grouped()
        self._by_id = {coin.id: coin for coin in self.coins}
        self._best_rank = self._rank(frozenset())
        self._go(frozenset(), Decimal(0), [coin.id for coin in order])

    def _rank(self, names: frozenset[str]) -> tuple[Any, ...]:
        return (self.gain(names), -self._cost(names), -len(names))

    def _cost(self, names: frozenset[str]) -> Decimal:
        return sum((self.prices[name] for name in names), Decimal(0))

    def _go(self, chosen: frozenset[str], cost: Decimal, left: Sequence[str]) -> None:
        self.tried += 1
        if self.tried > MOST_TRIED:
            return
        rank = self._rank(chosen)
        if rank > self._best_rank:
            self.best, self._best_rank = chosen, rank
        left = [name for name in left if cost + self.prices[name] <= self.budget]
        if not left:
            return
        most = self.gain(chosen.union(left))
        # Nothing more can be had from here, or nothing that is better than what is had for less.
        if most == rank[0] or (most, -cost, -len(chosen) - 1) <= self._best_rank:
            return
        first, rest = left[0], left[1:]
        self._go(chosen | {first}, cost + self.prices[first], rest)
        self._go(chosen, cost, rest)

    def gain(self, names: frozenset[str]) -> Standing:
        """What these coins add to pins, required places and places; groups that share no place add up."""
        gains = [self._of_group(names & group) for group in self._groups if names & group]
        return tuple(sum(parts) for parts in zip((0, 0, 0), *gains, strict=True))

    def _of_group(self, names: frozenset[str]) -> Standing:
        if names not in self._known:
            coins = [self._by_id[name] for name in sorted(names)]
            if names & self.opening:
                before, after = self.evaluated.whole, self.evaluated.anew(coins, self.doubtful).whole
            else:
                touched = frozenset[int]().union(*(self.reach[name] for name in names))
                before, after = (
                    self.evaluated.as_is(touched),
                    self.evaluated.with_coins(touched, coins, self.tray, self.doubtful),
                )
            self.sure = self.sure and before.solution.proven and after.solution.proven
            self._known[names] = tuple(a - b for a, b in zip(after.standing, before.standing, strict=True))
        return self._known[names]

    def _grouped(self) -> list[frozenset[str]]:
        """Coins that reach a part in common, together; all together when one of them opens places."""
        if self.opening & {coin.id for coin in self.coins}:
            return [frozenset(coin.id for coin in self.coins)]
        groups: list[tuple[frozenset[int], frozenset[str]]] = []
        for coin in self.coins:
            parts, names = self.reach[coin.id], frozenset((coin.id,))
            apart = []
            for other, members in groups:
                if other & parts:
                    parts, names = parts | other, names | members
                else:
                    apart.append((other, members))
            groups = [*apart, (parts, names)]
        return [names for _, names in groups]

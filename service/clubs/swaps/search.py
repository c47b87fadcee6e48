"""Swaps among members of a club: whose spare fills whose hole, in cycles that all sides gain by. Pure.

From each consenting member's evaluation of the same set come his empty places and his spares. Spares sit nowhere in an
optimal assignment, so whatever of them is given away, the same assignment stands: all of them together open no place. A coin
that fits a hole fills it, unless a rule over several places stands against it. Neither is taken on trust: the set of
everyone who takes part is measured again with his coins gone and the others come, and has to have as many places more as he
was given coins. What fails is barred, and the search is made anew.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence

from service.assignment.problem import Level
from service.clubs.swaps.model import CoinsByOwner, FoundSwap, Leg, Side, Swap, SwapCheck, Tell
from service.exchange.problem import AtMost, Cycle, Exchange, ExchangeSolution, Offer, Party, Transfer, TransferLimit
from service.exchange.solve import solve_exchange

MOST_ROUNDS = 20


def find_swaps(
    sides: Sequence[Side],
    check: SwapCheck,
    tell: Tell,
    *,
    budget_seconds: float = 10.0,
    most_rounds: int = MOST_ROUNDS,
) -> FoundSwap:
    """The best swaps among the members (see `service.exchange.problem`), each member's set measured again. The order of
    the sides never matters."""
    club = _Club(sides)
    for turn in range(1, most_rounds + 1):
        settlement = solve_exchange(club.exchange(), budget_seconds=budget_seconds)
        failing = [owner for owner in club.parts(settlement.cycles) if not club.holds(check, owner, settlement.cycles)]
        if not failing:
            swaps = tuple(club.swap(cycle, tell) for cycle in settlement.cycles)
            return FoundSwap(swaps, settlement.levels, settlement.proven, turn)
        for owner in failing:
            club.blame(check, owner, settlement.cycles)
    return _what_holds(club, check, settlement, tell, most_rounds)


def _what_holds(club: _Club, check: SwapCheck, settlement: ExchangeSolution, tell: Tell, rounds: int) -> FoundSwap:
    """Of cycles that do not all hold those that do: the last ones of whoever's set fails are given up."""
    cycles = list(settlement.cycles)
    while failing := [owner for owner in club.parts(cycles) if not club.holds(check, owner, cycles)]:
        for owner in failing:
            number = club.owners.index(owner)
            last = next((c for c in reversed(cycles) if any(t.giver == number for t in c)), None)
            if last is not None:
                cycles.remove(last)
    places, people = sum(map(len, cycles)), len(club.parts(cycles))
    levels = (
        Level("places", places, False, settlement.level("places").bound),
        Level("people", people, False, min(people, 2)),
        Level("cycles", len(cycles), False, settlement.level("places").bound // 2),
        Level("order", places, False, 0),
    )
    dropped = len(settlement.cycles) - len(cycles)
    return FoundSwap(tuple(club.swap(cycle, tell) for cycle in cycles), levels, False, rounds, dropped)


_COMES, _GOES = "comes", "goes"
_Move = tuple[str, tuple[int, int]]


def _least(
    fails: Callable[[Sequence[_Move]], bool], kept: Sequence[_Move], moves: Sequence[_Move], *, new: bool = False
) -> list[_Move]:
    """A least part of the moves that fails together with those kept (Junker, "QUICKXPLAIN", AAAI 2004; from memory): of n
    moves and k that matter about k log n are tried."""
    if new and fails(kept):
        return []
    if len(moves) == 1:
        return list(moves)
    half = len(moves) // 2
    second = _least(fails, [*kept, *moves[:half]], moves[half:], new=True)
    first = _least(fails, [*kept, *second], moves[:half], new=bool(second))
    return [*first, *second]


class _Club:
    """The sides as an exchange of whole numbers, and back. Numbers go by ids, places by the order of the document."""

    def __init__(self, sides: Sequence[Side]) -> None:
        self.sides = sorted(sides, key=lambda side: side.owner)
        self.owners = [side.owner for side in self.sides]
        if len(set(self.owners)) < len(self.owners):
            raise ValueError("a member is there once")
        self.labels: dict[str, str] = {}
        groups: dict[str, list[str]] = defaultdict(list)
        for side in self.sides:
            for place, label, _ in side.places:
                if place not in self.labels:
                    self.labels[place] = label
                    groups[place.partition("/")[0]].append(place)
        self.places = list(self.labels)
        self._at = {place: number for number, place in enumerate(self.places)}
        # A spare of a free choice names the group.
        self._fitting = {place: frozenset((number,)) for place, number in self._at.items()}
        for group, places in groups.items():
            self._fitting.setdefault(group, frozenset(self._at[place] for place in places))
        self.coins = [sorted(spare[0] for spare in side.spares) for side in self.sides]
        self.parties = {number: self._party(number, side) for number, side in enumerate(self.sides)}
        self.pieces = {(n, offer.coin): offer.pieces for n, party in self.parties.items() for offer in party.offers}
        self.limits: dict[TransferLimit, None] = {}
        self._alike: dict[tuple[int, int], frozenset[tuple[int, int]]] = {}

    def _party(self, number: int, side: Side) -> Party:
        at = {coin: place for place, coin in enumerate(self.coins[number])}
        holes = frozenset(
            self._at[place] for place, _, status in side.places if status == "empty" and place not in side.expected
        )
        offers = []
        for name, left, places in side.spares:
            pieces = min(left, side.most.get(name, left))
            if pieces > 0:
                fits = frozenset[int]().union(*(self._fitting.get(place, ()) for place in places))
                offers.append(Offer(at[name], fits, pieces))
        return Party(holes, tuple(offers))

    def exchange(self) -> Exchange:
        return Exchange(self.parties, tuple(self.limits))

    def parts(self, cycles: Iterable[Cycle]) -> list[str]:
        """Who takes part, in order."""
        return [self.owners[n] for n in sorted({transfer.giver for cycle in cycles for transfer in cycle})]

    def holds(self, check: SwapCheck, owner: str, cycles: Iterable[Cycle]) -> bool:
        gone, come = self._moves(owner, cycles)
        return check.holds(owner, self._named(gone), self._named(come))

    def _moves(self, owner: str, cycles: Iterable[Cycle]) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        number = self.owners.index(owner)
        transfers = [transfer for cycle in cycles for transfer in cycle]
        gone = sorted((t.giver, t.coin) for t in transfers if t.giver == number)
        come = sorted((t.giver, t.coin) for t in transfers if t.receiver == number)
        return gone, come

    def _named(self, coins: Iterable[tuple[int, int]]) -> CoinsByOwner:
        return tuple(map(self._name, coins))

    def _name(self, coin: tuple[int, int]) -> tuple[str, str]:
        return self.owners[coin[0]], self.coins[coin[0]][coin[1]]

    def blame(self, check: SwapCheck, owner: str, cycles: Iterable[Cycle]) -> None:
        """Bars what the set does not hold with: each time the least of what goes and comes with which it fails. For any
        other coins of which the same is known it would fail as well."""
        number = self.owners.index(owner)
        gone, come = self._moves(owner, cycles)
        moved = [*((_COMES, coin) for coin in come), *((_GOES, coin) for coin in gone)]

        def fails(some: Sequence[_Move]) -> bool:
            goes, comes = ([coin for way, coin in some if way == which] for which in (_GOES, _COMES))
            return not check.holds(owner, self._named(sorted(goes)), self._named(sorted(comes)))

        while moved and fails(moved):
            least = _least(fails, (), moved)
            counts = Counter((way, self._like(check, coin)) for way, coin in least)
            conditions = [
                AtMost(frozenset(c for c in coins if (c[0] == number) == (way == _GOES)), receiver, count - 1)
                for (way, coins), count in counts.items()
                for receiver in [number if way == _COMES else None]
            ]
            limit = sorted(conditions, key=lambda most: (most.receiver is None, sorted(most.coins)))
            self.limits[tuple(limit)] = None
            # What comes is spared first: another conflict may be found in what is left.
            away = next((move for move in least if move[0] == _COMES), least[0])
            moved.remove(away)

    def _like(self, check: SwapCheck, coin: tuple[int, int]) -> frozenset[tuple[int, int]]:
        """All coins on offer of which the same is known: what one does in a set any of them does."""
        if coin not in self._alike:
            fits = next(offer.places for offer in self.parties[coin[0]].offers if offer.coin == coin[1])
            known = check.alike(*self._name(coin))
            # Coins of which the same is known fit the same places: no others are looked at.
            pool = [(n, o.coin) for n, party in self.parties.items() for o in party.offers if o.places == fits]
            found = frozenset(other for other in pool if check.alike(*self._name(other)) == known)
            self._alike |= dict.fromkeys(found, found)
        return self._alike[coin]

    def swap(self, cycle: Cycle, tell: Tell) -> Swap:
        return tuple(self._leg(transfer, tell) for transfer in cycle)

    def _leg(self, transfer: Transfer, tell: Tell) -> Leg:
        owner, name = self._name((transfer.giver, transfer.coin))
        place, pieces = self.places[transfer.place], self.pieces[transfer.giver, transfer.coin]
        receiver = self.owners[transfer.receiver]
        return Leg(owner, name, receiver, place, self.labels[place], tell(owner, name), pieces)


def failing_members(sides: Sequence[Side], check: SwapCheck, legs: Sequence[Leg]) -> list[str]:
    """The owners whose sets do not hold with the swap as things are now: a coin that is no longer to spare, a place that is
    no longer empty, or a set that evaluates to less. In order; whoever is no side of these is one of them."""
    club = _Club(sides)
    found = {owner for leg in legs for owner in (leg.giver, leg.receiver) if owner not in club.owners}
    for leg in (leg for leg in legs if not found & {leg.giver, leg.receiver}):
        giver, receiver = club.owners.index(leg.giver), club.owners.index(leg.receiver)
        place = club.places.index(leg.place) if leg.place in club.labels else -1
        offers = [offer for offer in club.parties[giver].offers if club.coins[giver][offer.coin] == leg.holding]
        if not any(place in offer.places for offer in offers):
            found.add(leg.giver)
        if place not in club.parties[receiver].holes:
            found.add(leg.receiver)
    if found:
        return sorted(found)
    for owner in [leg.giver for leg in legs]:
        gone = tuple((leg.giver, leg.holding) for leg in legs if leg.giver == owner)
        come = tuple((leg.giver, leg.holding) for leg in legs if leg.receiver == owner)
        if not check.holds(owner, gone, come):
            found.add(owner)
    return sorted(found)

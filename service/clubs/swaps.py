"""Swaps among members of a club: whose spare fills whose hole, in cycles that all sides gain by. Pure.

From each consenting member's evaluation of the same set come his empty places and his spares. Spares sit nowhere in an
optimal assignment, so whatever of them is given away, the same assignment stands: all of them together open no place. A coin
that fits a hole fills it, unless a rule over several places stands against it. Neither is taken on trust: the set of
everyone who takes part is measured again with his coins gone and the others come, and has to have as many places more as he
was given coins. What fails is barred, and the search is made anew.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.assignment.clearing import clear
from service.assignment.exchange import AtMost, Cycle, Exchange, Limit, Offer, Party, Settlement, Transfer
from service.assignment.problem import Level
from service.assignment.solve import solve
from service.facts.holding import Holding, views
from service.progress.description import Describer
from service.progress.history import entries_of
from service.progress.measure import Measurement, figures_of, lay_board

MOST_ROUNDS = 20

Coins = tuple[tuple[str, str], ...]
"""Coins by (owner, holding id); one that comes in several pieces stands there as often."""
Check = Callable[[str, Coins, Coins], bool]
"""Whether a member's set keeps what it has and fills a place for each coin that comes, when these are gone and those come."""


@dataclass(frozen=True)
class Side:
    """A consenting member's set: what was asked, the evaluation result, and what is recorded of his coins by id.

    `sitting` are the pieces of his that sit in other sets of his (see `sitting_in`), `promised` those that accepted swaps
    speak for; `expected` are the places that accepted swaps will fill.
    """

    owner: str
    measurement: Measurement
    result: Mapping[str, Any]
    recorded: Mapping[str, Mapping[str, Any]]
    sitting: Mapping[str, int] = field(default_factory=dict)
    promised: Mapping[str, int] = field(default_factory=dict)
    expected: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Leg:
    """One coin from one member to another, for a place of his. `coin` is all that is told of it: {"label", "issue",
    "grade"}. `pieces` is how many of the holding its owner can spare."""

    giver: str
    holding: str
    receiver: str
    place: str
    place_label: str
    coin: Mapping[str, Any]
    pieces: int = 1

    def as_json(self) -> dict[str, Any]:
        """What every side of the swap may see."""
        shown = {"giver": self.giver, "receiver": self.receiver, "holding": self.holding, "coin": dict(self.coin)}
        return {**shown, "place": self.place, "place_label": self.place_label}


Swap = tuple[Leg, ...]
"""Two to four legs: each receiver is the giver of the next, the last one's the giver of the first."""


@dataclass(frozen=True, slots=True)
class Found:
    """`levels` as in `service.assignment.exchange`. `dropped` counts cycles that were given up because a set would not have
    held and the rounds were used up: then nothing is proven."""

    swaps: tuple[Swap, ...]
    levels: tuple[Level, ...]
    proven: bool
    rounds: int
    dropped: int = 0

    def seen_by(self, owner: str) -> tuple[Swap, ...]:
        """The swaps that the owner is a side of: nobody sees others'."""
        return tuple(swap for swap in self.swaps if any(leg.giver == owner for leg in swap))


def sitting_in(results: Iterable[Mapping[str, Any]]) -> dict[str, int]:
    """How many pieces of each coin sit in the one of these sets that takes most of it."""
    most: Counter[str] = Counter()
    for result in results:
        seats = Counter(str(entry["holding"]) for entry in entries_of(result) if entry["holding"] is not None)
        most |= seats
    return dict(most)


def find_swaps(
    sides: Sequence[Side],
    describe: Describer,
    *,
    check: Check | None = None,
    budget_seconds: float = 10.0,
    most_rounds: int = MOST_ROUNDS,
) -> Found:
    """The best swaps among the members (see `service.assignment.exchange`), each member's set measured again. The order of
    the sides never matters."""
    club = _Club(sides)
    holds = check or Remeasured(sides)
    for turn in range(1, most_rounds + 1):
        settlement = clear(club.exchange(), budget_seconds=budget_seconds)
        failing = [owner for owner in club.parts(settlement.cycles) if not club.holds(holds, owner, settlement.cycles)]
        if not failing:
            swaps = tuple(club.swap(cycle, describe) for cycle in settlement.cycles)
            return Found(swaps, settlement.levels, settlement.proven, turn)
        for owner in failing:
            club.blame(holds, owner, settlement.cycles)
    return _what_holds(club, holds, settlement, describe, most_rounds)


def _what_holds(club: _Club, holds: Check, settlement: Settlement, describe: Describer, rounds: int) -> Found:
    """Of cycles that do not all hold those that do: the last ones of whoever's set fails are given up."""
    cycles = list(settlement.cycles)
    while failing := [owner for owner in club.parts(cycles) if not club.holds(holds, owner, cycles)]:
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
    return Found(tuple(club.swap(cycle, describe) for cycle in cycles), levels, False, rounds, dropped)


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
            for entry in entries_of(side.result):
                if entry["place"] not in self.labels:
                    self.labels[entry["place"]] = entry["label"]
                    groups[entry["place"].partition("/")[0]].append(entry["place"])
        self.places = list(self.labels)
        self._at = {place: number for number, place in enumerate(self.places)}
        # A spare of a free choice names the group.
        self._fitting = {place: frozenset((number,)) for place, number in self._at.items()}
        for group, places in groups.items():
            self._fitting.setdefault(group, frozenset(self._at[place] for place in places))
        self.held = [{holding.id: holding for holding in side.measurement.holdings} for side in self.sides]
        self.coins = [sorted(held) for held in self.held]
        self.parties = {number: self._party(number, side) for number, side in enumerate(self.sides)}
        self.pieces = {(n, offer.coin): offer.pieces for n, party in self.parties.items() for offer in party.offers}
        self.limits: dict[Limit, None] = {}
        self._alike: dict[Any, frozenset[tuple[int, int]]] | None = None

    def _party(self, number: int, side: Side) -> Party:
        at = {coin: place for place, coin in enumerate(self.coins[number])}
        holes = frozenset(
            self._at[entry["place"]]
            for entry in entries_of(side.result)
            if entry["status"] == "empty" and entry["place"] not in side.expected
        )
        offers = []
        for entry in side.result["unplaced"]:
            name = entry["holding"]
            if entry["reason"] != "spare":
                continue
            left = min(entry.get("pieces", 1), self.held[number][name].quantity - side.sitting.get(name, 0))
            pieces = left - side.promised.get(name, 0)
            if pieces > 0:
                fits = frozenset[int]().union(*(self._fitting[place] for place in entry["places"]))
                offers.append(Offer(at[name], fits, pieces))
        return Party(holes, tuple(offers))

    def exchange(self) -> Exchange:
        return Exchange(self.parties, tuple(self.limits))

    def parts(self, cycles: Iterable[Cycle]) -> list[str]:
        """Who takes part, in order."""
        return [self.owners[n] for n in sorted({transfer.giver for cycle in cycles for transfer in cycle})]

    def holds(self, check: Check, owner: str, cycles: Iterable[Cycle]) -> bool:
        gone, come = self._moves(owner, cycles)
        return check(owner, self._named(gone), self._named(come))

    def _moves(self, owner: str, cycles: Iterable[Cycle]) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
        number = self.owners.index(owner)
        transfers = [transfer for cycle in cycles for transfer in cycle]
        gone = sorted((t.giver, t.coin) for t in transfers if t.giver == number)
        come = sorted((t.giver, t.coin) for t in transfers if t.receiver == number)
        return gone, come

    def _named(self, coins: Iterable[tuple[int, int]]) -> Coins:
        return tuple((self.owners[owner], self.coins[owner][coin]) for owner, coin in coins)

    def blame(self, check: Check, owner: str, cycles: Iterable[Cycle]) -> None:
        """Bars what the set does not hold with: each time the least of what goes and comes with which it fails. For any
        other coins of which the same is known it would fail as well."""
        number = self.owners.index(owner)
        gone, come = self._moves(owner, cycles)
        moved = [*((_COMES, coin) for coin in come), *((_GOES, coin) for coin in gone)]

        def fails(some: Sequence[_Move]) -> bool:
            goes, comes = ([coin for way, coin in some if way == which] for which in (_GOES, _COMES))
            return not check(owner, self._named(sorted(goes)), self._named(sorted(comes)))

        while moved and fails(moved):
            least = _least(fails, (), moved)
            counts = Counter((way, self._like(coin)) for way, coin in least)
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

    def _like(self, coin: tuple[int, int]) -> frozenset[tuple[int, int]]:
        """All coins on offer of which the same is known: what one does in a set any of them does."""
        if self._alike is None:
            found: dict[Any, list[tuple[int, int]]] = defaultdict(list)
            for giver, party in self.parties.items():
                for offer in party.offers:
                    found[self._known(giver, offer.coin)].append((giver, offer.coin))
            self._alike = {known: frozenset(coins) for known, coins in found.items()}
        return self._alike[self._known(*coin)]

    def _known(self, giver: int, coin: int) -> Any:
        side = self.sides[giver]
        holding = self.held[giver][self.coins[giver][coin]]
        return frozenset(
            (view.issue if len(holding.issues) > 1 else None, frozenset(view.facts.items()))
            for view in views(holding, side.measurement.issues)
        )

    def swap(self, cycle: Cycle, describe: Describer) -> Swap:
        return tuple(self._leg(transfer, describe) for transfer in cycle)

    def _leg(self, transfer: Transfer, describe: Describer) -> Leg:
        side, name = self.sides[transfer.giver], self.coins[transfer.giver][transfer.coin]
        recorded = side.recorded[name]
        told = {
            "label": describe(recorded),
            "issue": recorded.get("issue"),
            "grade": (recorded.get("facts") or {}).get("grade"),
        }
        place = self.places[transfer.place]
        pieces = self.pieces[transfer.giver, transfer.coin]
        receiver = self.owners[transfer.receiver]
        return Leg(side.owner, name, receiver, place, self.labels[place], told, pieces)


class Remeasured:
    """Checks by evaluating again. What was asked once is remembered."""

    def __init__(self, sides: Iterable[Side]) -> None:
        self._sides = {side.owner: side for side in sides}
        self._held = {owner: {h.id: h for h in side.measurement.holdings} for owner, side in self._sides.items()}
        self._known: dict[tuple[str, Coins, Coins], bool] = {}
        self.evaluations = 0

    def __call__(self, owner: str, gone: Coins, come: Coins) -> bool:
        asked = (owner, gone, come)
        if asked not in self._known:
            side = self._sides[owner]
            after = self._after(side, gone, come)
            self._known[asked] = after is not None and holds(standing_of(side.result), self._measured(after), len(come))
        return self._known[asked]

    def _measured(self, request: Measurement) -> tuple[int, int]:
        self.evaluations += 1
        board, _ = lay_board(request)
        figures = figures_of(board, solve(board.problem, budget_seconds=request.budget_seconds))
        return standing_of({"summary": figures})

    def _after(self, side: Side, gone: Coins, come: Coins) -> Measurement | None:
        """The member's set with coins gone and come; None where a coin speaks of issues that are not known to him."""
        less = Counter(name for _, name in gone)
        kept = (_fewer(holding, less[holding.id]) for holding in side.measurement.holdings)
        arrived = []
        for number, (giver, name) in enumerate(come):
            coin = _as_known_to(side, self._sides[giver], self._held[giver][name], f"{giver}/{name}/{number}")
            if coin is None:
                return None
            arrived.append(coin)
        holdings = (*(holding for holding in kept if holding is not None), *arrived)
        return replace(side.measurement, holdings=holdings)


def standing_of(result: Mapping[str, Any]) -> tuple[int, int]:
    """Places filled, tentatively or not, and how many of them are required."""
    summary, required = result["summary"], result["summary"]["required"]
    return summary["filled"] + summary["tentative"], required["filled"] + required["tentative"]


def holds(before: tuple[int, int], after: tuple[int, int], received: int) -> bool:
    """Whether a set, by its standings, has a place more for each coin received and no required place less. A coin adds one
    place at most (what is left of an assignment keeps every rule), so without those coins no place is lost either."""
    return after[0] >= before[0] + received and after[1] >= before[1]


def _fewer(holding: Holding, less: int) -> Holding | None:
    if less == 0:
        return holding
    return replace(holding, quantity=holding.quantity - less) if holding.quantity > less else None


def _as_known_to(side: Side, giver: Side, coin: Holding, identity: str) -> Holding | None:
    """A piece of the giver's as it would stand in the side's collection: what its issue says goes along as its own facts."""
    seen = views(coin, giver.measurement.issues)
    if len(seen) == 1:
        return Holding(identity, seen[0].facts)
    theirs, mine = giver.measurement.issues, side.measurement.issues
    if any(theirs.get(issue) != mine.get(issue) for issue in coin.issues):
        return None
    return Holding(identity, coin.facts, coin.issues)

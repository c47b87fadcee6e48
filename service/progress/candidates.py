"""Coins that are not owned yet, against an evaluated set: what each would do there. Pure.

Gains are exact: the figures of the evaluation with the coin, minus those without it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.assignment.build import Instance
from service.assignment.problem import Basis
from service.evaluation.settling import settle_places
from service.facts.holding import Holding
from service.facts.knowledge import plain_number
from service.facts.truth import YES
from service.progress.result import ClosestPlace
from service.progress.unplaced import Closest
from service.progress.whatif import Evaluated, Occupant, Part
from service.rules.labels import listed

MOST_COINS = 500
MOST_NAMED = 6


@dataclass(frozen=True)
class JudgedCandidate:
    """One coin on a board: where it fits, and where it may."""

    board: Instance
    coin: int

    @property
    def places(self) -> list[int]:
        return [at for at, fits in enumerate(self.board.fits) if self.coin in fits]

    @property
    def sure(self) -> list[int]:
        return [at for at in self.places if self.board.fits[at][self.coin].verdict is YES]


def candidates(evaluated: Evaluated, coins: Sequence[Holding]) -> list[dict[str, Any]]:
    """For each coin {"coin", "effect", "certain_gain", "possible_gain", "required_gain", "fits", "may_fit", "places",
    "frees", "proven", "message"} and, where they apply, "betters", "closest", "settle". Ids differ from each other and
    from those of the collection.

    `effect`: `fills` an empty place itself; `frees` a coin that then fills one; `helps_constraint`: coins that a set-level
    rule kept out sit now; `betters` a filled place; `spare`: it fits and changes nothing; `undecided`: it may fit;
    `outside`: it fits nowhere. `places` are the places that are empty without the coin and filled with it.
    """
    order = sorted(coins, key=lambda coin: coin.id)
    tray = evaluated.judge(order)
    found = {}
    for number, coin in enumerate(order):
        if evaluated.opens_places(coin):
            anew = evaluated.anew([coin])
            place = next(at for at, held in enumerate(anew.board.holdings) if held.id == coin.id)
            found[coin.id] = _told(evaluated, JudgedCandidate(anew.board, place), evaluated.whole, anew.whole)
            continue
        judged = JudgedCandidate(tray, number)
        if not judged.places:
            found[coin.id] = _told(evaluated, judged, None, None)
            continue
        touched = evaluated.touched(judged.places)
        after = evaluated.with_coins(touched, [coin], tray)
        found[coin.id] = _told(evaluated, judged, evaluated.as_is(touched), after)
    return [found[coin.id] for coin in coins]


def _told(evaluated: Evaluated, judged: JudgedCandidate, before: Part | None, after: Part | None) -> dict[str, Any]:
    board, coin = judged.board, judged.board.holdings[judged.coin].id
    sure, places = judged.sure, judged.places
    entry: dict[str, Any] = {
        "coin": coin,
        "effect": "outside",
        "certain_gain": 0,
        "possible_gain": 0,
        "required_gain": 0,
        "fits": named(board, sure),
        "may_fit": named(board, [at for at in places if at not in set(sure)]),
        "places": [],
        "frees": [],
        "proven": True,
    }
    if before is None or after is None or not places:
        closest = Closest(board, evaluated.table).of([judged.coin]).get(judged.coin)
        return {**entry, "closest": closest, "message": _outside(coin, closest)}
    change = PlacementChange(coin, before, after)
    entry |= {
        "certain_gain": after.certain - before.certain,
        "possible_gain": after.possible - before.possible,
        "required_gain": after.required - before.required,
        "places": change.newly,
        "frees": change.frees(),
        "proven": before.proven and after.proven,
    }
    entry["effect"], betters = change.effect(sure=bool(sure), certain_gain=entry["certain_gain"])
    if betters is not None:
        entry["betters"] = betters
    if entry["effect"] == "undecided":
        rules = {named(board, [at])[0]: board.places[at].predicate for at in places}
        table = evaluated.table
        settled = settle_places(rules, board.views[judged.coin], table.attributes, table.context)
        entry["settle"] = settled.facts
        if settled.limit is not None:
            entry["limit"] = settled.limit
    return {**entry, "message": _message(entry)}


class PlacementChange:
    """Two answers for the same places, without and with a coin."""

    def __init__(self, coin: str, before: Part, after: Part) -> None:
        self.coin, self.after = coin, after
        self.old, self.new = before.seats(), after.seats()
        self.numbers = {place.address: at for at, place in enumerate(after.board.places)}
        self.holdings = {holding.id: number for number, holding in enumerate(after.board.holdings)}
        self.newly = [address for address in self.numbers if address in self.new and address not in self.old]

    def frees(self) -> list[dict[str, Any]]:
        """The coins that leave their place: where from, and where to (None: they sit nowhere then)."""
        left = [address for address in self.numbers if self.moved(address) and address in self.old]
        arrivals = {
            (self.new[address].holding, address)
            for address in self.new
            if address not in self.old or self.old[address].holding != self.new[address].holding
        }
        freed = []
        for address in left:
            holding = self.old[address].holding
            to = next((place for place in self.numbers if (holding, place) in arrivals), None)
            arrivals.discard((holding, to or ""))
            freed.append({"holding": holding, "from": address, "to": to})
        return freed

    def moved(self, address: str) -> bool:
        """Whether another coin sits there, or none."""
        old, new = self.old.get(address), self.new.get(address)
        return (old and old.holding) != (new and new.holding)

    def effect(self, *, sure: bool, certain_gain: int) -> tuple[str, dict[str, Any] | None]:
        """The effect by name, and what is bettered."""
        if not sure:
            return "undecided", None
        if self.newly:
            sat = {seat.holding for seat in self.old.values()}
            sitting = {self.new[address].holding for address in self.newly}
            if sitting - sat - {self.coin}:
                return "helps_constraint", None
            return ("fills" if self.coin in sitting else "frees"), None
        own = [address for address, seat in self.new.items() if seat.holding == self.coin]
        # One that sits nowhere may still change what a missing fact counts: that is not its merit.
        betters = self.betters() if own else None
        if betters is None and certain_gain > 0:
            betters = {"place": own[0] if own else None, "criterion": {"certain": True}, "from": False, "to": True}
        return ("spare", None) if betters is None else ("betters", betters)

    def betters(self) -> dict[str, Any] | None:
        """The first criterion on which the whole is better now, at the place that is better by it."""
        changed = [address for address in self.numbers if address in self.old and address in self.new]
        changed = [address for address in changed if self.old[address] != self.new[address]]
        for level in range(2 + self.after.board.problem.preference_levels):
            steps = {a: self._loss(a, self.old[a], level) - self._loss(a, self.new[a], level) for a in changed}
            if sum(steps.values()) > 0:
                better = [address for address in changed if steps[address] > 0]
                place = next((a for a in better if self.new[a].holding == self.coin), better[0])
                return self._by(place, level)
            if sum(steps.values()) < 0:
                return None
        return None

    def _loss(self, address: str, seat: Occupant, level: int) -> int:
        if level < 2:
            return int(seat.basis is (Basis.UNKNOWN, Basis.ALTERNATIVES)[level])
        edge = self.after.board.edges_at(self.numbers[address])[self.holdings[seat.holding]]
        return edge.cost[level - 2]

    def _by(self, address: str, level: int) -> dict[str, Any]:
        old, new = self.old[address], self.new[address]
        if level < 2:
            doubts = [None if seat.basis is Basis.FIRM else seat.basis.name.lower() for seat in (old, new)]
            return {"place": address, "criterion": {"doubt": True}, "from": doubts[0], "to": doubts[1]}
        at = self.numbers[address]
        preference = self.after.board.places[at].prefer[level - 2]
        worth = self.after.board.worth[level - 2, at]
        values = [worth[self.holdings[seat.holding]] for seat in (old, new)]
        shown = [None if value is None else plain_number(value) for value in values]
        criterion = dict(preference.document or {})
        return {"place": address, "criterion": criterion, "from": shown[0], "to": shown[1]}


def named(board: Instance, places: Sequence[int]) -> list[str]:
    """Addresses; the places of a free choice once, by the group."""
    spots = (board.places[at] for at in places)
    return list(dict.fromkeys(spot.group if spot.kind == "free_choice" else spot.address for spot in spots))


def _outside(coin: str, closest: ClosestPlace | None) -> str:
    if closest is None:
        return f"{coin} fits no place of the set."
    return (
        f"{coin} fits no place of the set; it comes closest to {closest.place} and fails {'; '.join(closest.failing)}."
    )


def _message(entry: Mapping[str, Any]) -> str:
    coin, effect = entry["coin"], entry["effect"]
    places = listed(entry["places"][:MOST_NAMED], "and") + (" and others" if len(entry["places"]) > MOST_NAMED else "")
    if effect == "fills":
        return f"{coin} fills {places}."
    if effect == "frees":
        moves = [
            f"{step['holding']} moves from {step['from']} to {step['to']}" for step in entry["frees"] if step["to"]
        ]
        return f"{coin} makes room: {listed(moves[:MOST_NAMED], 'and')}, so that {places} is filled."
    if effect == "helps_constraint":
        return f"{coin} lets coins sit together that a rule over several places kept out: {places} filled."
    if effect == "betters":
        better = entry["betters"]
        where = better["place"] or "the set"
        if better["criterion"] == {"certain": True}:
            return f"{coin} makes one place more certain."
        if better["criterion"] == {"doubt": True}:
            return f"{coin} makes {where} surer than the coin that sits there."
        return f"{coin} betters {where}: {_shown(better['from'])} becomes {_shown(better['to'])}."
    if effect == "undecided":
        facts = listed([fact.attribute for fact in entry["settle"]], "and")
        would = f"look at {facts}" if facts else "no fact that can be recorded would tell"
        return f"{coin} may fit {listed(entry['may_fit'][:MOST_NAMED], 'or')}: {would}."
    return f"{coin} fits {listed(entry['fits'][:MOST_NAMED], 'and')}, and would be a spare."


def _shown(value: Any) -> str:
    return "not recorded" if value is None else str(value)

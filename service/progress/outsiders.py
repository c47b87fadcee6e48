"""The coins that sit nowhere, and why: spare, undecided, outside (with the closest place), or not held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from service.assignment.build import Board
from service.assignment.problem import Placement
from service.evaluation.fit import conjuncts, failing
from service.evaluation.places import Place
from service.evaluation.table import Table
from service.facts.holding import Holding, View
from service.facts.truth import NO, YES
from service.rules.predicates import reads

MOST_COMPARED = 200_000


def unplaced(
    board: Board, table: Table, seats: Mapping[int, Placement], holdings: Sequence[Holding]
) -> list[dict[str, Any]]:
    """Every holding that sits nowhere, by id; of several like pieces those that are left over, with `pieces`.

    `spare`: it fits the places named. `undecided`: it may fit them. `outside`: it fits none; `closest` is the place with the
    fewest clauses that it fails (ties: the order of the document), null past a budget of comparisons. `not_held`: its
    status keeps it out.
    """
    used = Counter(placement.holding for placement in seats.values())
    fitting: dict[int, list[int]] = {}
    for at in range(len(board.places)):
        for coin in board.fits[at]:
            fitting.setdefault(coin, []).append(at)
    closest = Closest(board, table)
    entries: list[dict[str, Any]] = []
    for coin, holding in enumerate(board.holdings):
        left = holding.quantity - used[coin]
        if left == 0:
            continue
        entry: dict[str, Any] = {"holding": holding.id}
        if holding.quantity > 1:
            entry["pieces"] = left
        places = fitting.get(coin, [])
        if places:
            sure = [at for at in places if board.fits[at][coin].verdict is YES]
            entry["reason"] = "spare" if sure else "undecided"
            entry["places"] = _addresses(board, sure or places)
        else:
            entry["reason"] = "outside"
            entry["closest"] = closest.to(board.views[coin])
        entries.append(entry)
    counted = {holding.id for holding in board.holdings}
    entries.extend(
        {"holding": holding.id, "reason": "not_held", "status": holding.status}
        for holding in holdings
        if holding.id not in counted
    )
    return sorted(entries, key=lambda entry: str(entry["holding"]))


def _addresses(board: Board, places: Sequence[int]) -> list[str]:
    """Slots and one-per places by address; the places of a free choice once, by the group."""
    named = (
        board.places[at].group if board.places[at].kind == "free_choice" else board.places[at].address for at in places
    )
    return list(dict.fromkeys(named))


class Closest:
    """Finds the place that a coin outside the set comes closest to; like coins are looked up once."""

    def __init__(self, board: Board, table: Table) -> None:
        self.table = table
        firsts: dict[int, Place] = {}
        for place in board.places:
            firsts.setdefault(id(place.predicate), place)
        self.places = [(place, conjuncts(place.parts)) for place in firsts.values()]
        self.names = sorted(frozenset().union(*(reads(place.predicate) for place, _ in self.places)))
        self.found: dict[object, dict[str, Any] | None] = {}
        self.compared = 0

    def to(self, views: tuple[View, ...]) -> dict[str, Any] | None:
        """{"place", "failing": [clauses]}, or None past the budget."""
        key = tuple(tuple(view.facts.get(name) for name in self.names) for view in views)
        if key not in self.found:
            self.compared += len(self.places)
            self.found[key] = self._look(views) if self.compared <= MOST_COMPARED else None
        return self.found[key]

    def _look(self, views: tuple[View, ...]) -> dict[str, Any] | None:
        best: tuple[int, Place] | None = None
        for place, clauses in self.places:
            # A place that is failed only as a whole, by no clause alone, counts one.
            failed = sum(1 for clause in clauses if self.table.verdict(clause, views) is NO) or 1
            if best is None or failed < best[0]:
                best = (failed, place)
        if best is None:
            return None
        place = best[1]
        words = failing(place.parts, views, self.table.attributes, self.table.around)
        return {"place": place.group if place.kind == "free_choice" else place.address, "failing": words}

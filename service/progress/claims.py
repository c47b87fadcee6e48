"""What several sets want of the same coins: which coin sits in which of them, and what that keeps empty elsewhere. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.table import Table
from service.facts.truth import YES
from service.progress.conflicts import pin_conflicts
from service.progress.evaluate import EvaluationRequest

MOST_CLAIMED = 500
MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class Claim:
    """A piece of a holding sits in a place of set number `set`."""

    set: int
    definition: str
    title: str
    place: str

    def as_json(self) -> dict[str, Any]:
        return {"definition": self.definition, "set": self.set, "place": self.place}


def claimed(
    board: Instance, seats: Mapping[int, Placement], claims: Mapping[str, Sequence[Claim]]
) -> tuple[list[dict[str, Any]], int]:
    """One conflict of kind `claimed` for every coin and place of this set where the place is empty and the coin fits it or
    may fit it, or the place is filled tentatively and the coin fits it; and how many were left out past the first 500, in
    the order of the places.

    `board` is the set alone with all coins, `seats` who sits there now; `claims` names the coins whose last piece is in
    other sets, and where. The places of a free choice are alike, so a coin is told of once for the group, at its first such
    place. In an open-ended group a key whose coins all sit elsewhere has no place now; it is told of by the address that
    the place would have. `tentative` marks a coin that only may fit.
    """
    found: list[dict[str, Any]] = []
    told: set[tuple[str, int]] = set()
    for at, place in enumerate(board.places):
        seat = seats.get(at)
        if seat is not None and seat.basis is Basis.FIRM:
            continue
        for coin, fit in board.fits[at].items():
            name = board.holdings[coin].id
            if name not in claims or (seat is not None and fit.verdict is not YES):
                continue
            if place.kind == "free_choice":
                if (place.group, coin) in told:
                    continue
                told.add((place.group, coin))
            by, surely = claims[name][0], fit.verdict is YES
            fits = "fits" if surely else "may fit"
            now = "is empty" if seat is None else "is filled tentatively"
            conflict: dict[str, Any] = {"kind": "claimed", "holding": name, "place": place.address, "by": by.as_json()}
            if not surely:
                conflict["tentative"] = True
            conflict["message"] = f"{name} {fits} {place.address}, which {now}, but sits in {by.place} of '{by.title}'."
            found.append(conflict)
    return found[:MOST_CLAIMED], max(0, len(found) - MOST_CLAIMED)


def pins_not_kept(
    request: EvaluationRequest,
    board: Instance,
    table: Table,
    seats: Mapping[int, Placement],
    claims: Mapping[str, Sequence[Claim]],
) -> list[dict[str, Any]]:
    """The conflicts of kind `pin` of this set: as in an evaluation, with one more reason, `claimed`, for a pin that nothing
    in this set stands against: the coin's last piece sits in another set, which `by` names."""
    conflicts = pin_conflicts(board, table, seats, request.pins, request.nevers, request.holdings, request.statuses)
    told = []
    for conflict in conflicts:
        holding, place = conflict["holding"], conflict["place"]
        if conflict["reason"] == "constraint" and holding in claims:
            by = claims[holding][0]
            message = f"{holding} is pinned to {place}, but sits in {by.place} of '{by.title}'."
            conflict = {**conflict, "reason": "claimed", "by": by.as_json(), "message": message}
        told.append(conflict)
    return told


def unplaced_here(
    request: EvaluationRequest,
    left_here: Sequence[Mapping[str, Any]],
    in_place: set[str],
    later: Mapping[str, int],
    elsewhere: Mapping[str, Sequence[Claim]],
) -> list[dict[str, Any]]:
    """The coins that sit nowhere in this set, each once. `left_here` are those that were left over when the set was
    evaluated; `later` says how many of their pieces other sets took afterwards. A coin of which no piece is left and none
    sits here has the reason `elsewhere`, and `sits_in` names where."""
    kept = {str(entry["holding"]): dict(entry) for entry in left_here}
    pieces = {holding.id: holding.quantity for holding in request.holdings}
    entries = []
    for name in sorted(pieces):
        entry = kept.get(name)
        if entry is not None and name in later:
            entry["pieces"] = entry.get("pieces", 1) - later[name]
            if not entry["pieces"]:
                entry = None
        if entry is not None:
            if pieces[name] > 1 and "pieces" not in entry and entry["reason"] != "not_held":
                entry["pieces"] = 1
            entries.append(entry)
        elif name not in in_place:
            sits = [one.as_json() for one in elsewhere[name][:MOST_NAMED]]
            entries.append({"holding": name, "reason": "elsewhere", "sits_in": sits})
    return entries

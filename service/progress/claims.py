"""Coins that several sets share: which set has a coin, and which places of other sets stay empty for it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from msgspec import UNSET

from service.assignment.build import Instance
from service.assignment.problem import Basis, Placement
from service.evaluation.table import Table
from service.facts.truth import YES
from service.progress.conflicts import pin_conflicts
from service.progress.description import MessageNames
from service.progress.evaluate import EvaluationRequest, not_counted
from service.progress.result import ClaimedConflict, PinConflict, SeatElsewhere, UnplacedHolding
from service.rules.messages import PlacePart, message

MOST_CLAIMED = 500
_MOST_NAMED = 20


@dataclass(frozen=True, slots=True)
class Claim:
    """A piece of a holding is placed in set number `set`; `label` is the place's."""

    set: int
    definition: str
    title: str
    place: str
    label: str

    def parts(self) -> dict[str, Any]:
        """Where the piece is, as parts of a message."""
        return {"there": PlacePart(self.place, self.label), "set": self.title}

    def seat(self) -> SeatElsewhere:
        """As another set's answer shows it."""
        return SeatElsewhere(self.definition, self.set, self.place, self.label)


def claimed(
    instance: Instance, table: Table, seats: Mapping[int, Placement], claims: Mapping[str, Sequence[Claim]]
) -> tuple[list[ClaimedConflict], int]:
    """One conflict of kind `claimed` for every coin and place of this set where the place is empty and the coin fits it or
    may fit it, or the place is filled tentatively and the coin fits it; and how many were left out past the first 500, in
    the order of the places.

    `instance` is the set alone with all coins, `seats` the placements by place; `claims` names the coins whose last piece is in
    other sets, and where. The places of a free choice are alike, so a coin has one conflict for the group, at its first such
    place. In an open-ended group a key whose coins are all in other sets has no place now; its conflict has the address that
    the place would have. `tentative` marks a coin that only may fit.
    """
    names = MessageNames(instance, table)
    found: list[ClaimedConflict] = []
    left_out = 0
    reported: set[tuple[str, int]] = set()
    for at, place in enumerate(instance.places):
        seat = seats.get(at)
        if seat is not None and seat.basis is Basis.FIRM:
            continue
        for coin, fit in instance.fits[at].items():
            name = instance.coins.ids[coin]
            if name not in claims or (seat is not None and fit.verdict is not YES):
                continue
            if place.kind == "free_choice":
                if (place.group, coin) in reported:
                    continue
                reported.add((place.group, coin))
            if len(found) == MOST_CLAIMED:
                left_out += 1
                continue
            by, surely = claims[name][0], fit.verdict is YES
            code = "claimed-tentative" if seat else "claimed-empty" if surely else "claimed-empty-perhaps"
            said = message(code, coin=names.coin(coin), place=names.place(place.address), **by.parts())
            found.append(
                ClaimedConflict(
                    holding=name,
                    place=place.address,
                    label=place.label,
                    by=by.seat(),
                    tentative=UNSET if surely else True,
                    **said.members(),
                )
            )
    return found, left_out


def pins_not_kept(
    request: EvaluationRequest,
    instance: Instance,
    table: Table,
    seats: Mapping[int, Placement],
    claims: Mapping[str, Sequence[Claim]],
) -> list[PinConflict]:
    """The conflicts of kind `pin` of this set: as in an evaluation, with one more reason, `claimed`, for a pin that would hold
    in this set alone: the coin's last piece is in another set, which `by` names."""
    conflicts = pin_conflicts(instance, table, seats, request.pins, request.nevers, not_counted(request))
    names, found = MessageNames(instance, table), []
    for conflict in conflicts:
        holding, place = conflict.holding, conflict.place
        if conflict.reason == "constraint" and holding in claims:
            by = claims[holding][0]
            said = message("pin-claimed", coin=names.by_id(holding), place=names.place(place), **by.parts())
            conflict = msgspec.structs.replace(conflict, reason="claimed", by=by.seat(), **said.members())
        found.append(conflict)
    return found


def unplaced_here(
    request: EvaluationRequest,
    left_here: Sequence[UnplacedHolding],
    in_place: set[str],
    later: Mapping[str, int],
    elsewhere: Mapping[str, Sequence[Claim]],
) -> list[UnplacedHolding]:
    """The coins without a place in this set, each once. `left_here` are those that were left over when the set was evaluated;
    `later` counts their pieces that other sets took afterwards. A coin of which no piece is left and none is placed here has
    the reason `elsewhere`, and `sits_in` names where it is."""
    kept = {entry.holding: entry for entry in left_here}
    pieces = {holding.id: holding.quantity for holding in request.holdings}
    entries = []
    for name in sorted(pieces):
        entry = kept.get(name)
        if entry is not None and name in later:
            left = (entry.pieces or 1) - later[name]
            entry = msgspec.structs.replace(entry, pieces=left) if left else None
        if entry is not None:
            if pieces[name] > 1 and entry.pieces is UNSET and entry.reason != "not_held":
                entry = msgspec.structs.replace(entry, pieces=1)
            entries.append(entry)
        elif name not in in_place:
            sits = [one.seat() for one in elsewhere[name][:_MOST_NAMED]]
            entries.append(UnplacedHolding(holding=name, reason="elsewhere", sits_in=sits))
    return entries

"""How a set stands against how it stood: what a note changes, and how that is told. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from service.definitions.history.model import Filling, HistoryChange, RecordedPlacement, RecordedPlacements
from service.progress.result import Evaluation


def recorded_placements(result: Evaluation) -> list[RecordedPlacement]:
    """Which coin sits where, in the order of the result."""
    return [
        RecordedPlacement(entry.place, entry.label, entry.holding, entry.status)
        for entry in result.places()
        if entry.holding is not None
    ]


def plan(standing: RecordedPlacements, now: Iterable[RecordedPlacement], day: date) -> HistoryChange:
    """What makes the fillings say that the set stands like `now` on `day`, which is not before the last note.

    A day counts with its last note: whatever an earlier note of the same day opened and is no longer so never was, and
    what it ended goes on if the coin is back. So no filling is shorter than a day, and those of one place never overlap.
    """
    wanted = {seat.key: seat for seat in now}
    began, before = _divided(standing.fillings, day)
    kept = {filling.seated.key for filling in (*began, *before)}
    fresh = [seat for key, seat in wanted.items() if key not in kept]
    # An undone filling's number may come again: nothing shows it any more.
    return HistoryChange(
        ended=tuple(f.number for f in before if f.until is None and f.seated.key not in wanted),
        resumed=tuple(f.number for f in before if f.until is not None and f.seated.key in wanted),
        undone=tuple(f.number for f in began if f.seated.key not in wanted),
        opened=tuple(Filling(number, seat, day) for number, seat in enumerate(fresh, start=standing.last + 1)),
    )


def _divided(fillings: Sequence[Filling], day: date) -> tuple[list[Filling], list[Filling]]:
    """Those that an earlier note of this day began, and those that held the day before."""
    began = [filling for filling in fillings if filling.since == day]
    before = [filling for filling in fillings if filling.since < day and filling.until in (None, day)]
    return began, before


def history_events(standing: RecordedPlacements, now: Sequence[RecordedPlacement]) -> list[dict[str, Any]]:
    """What is otherwise than at the last note, place by place: {"place", "label", "event", "holding", "before", "basis"}.

    `event`: filled, emptied, replaced by another coin; settled or doubted where the same coin sits there for certain now,
    or only tentatively. `holding` is the coin that the event speaks of (emptied: the one that left), `before` the one that
    a replacement took the place of.
    """
    was = {filling.seated.place: filling.seated for filling in standing.open}
    told = [event for seat in now if (event := _event(was.get(seat.place), seat)) is not None]
    taken = {seat.place for seat in now}
    left = [seat for place, seat in was.items() if place not in taken]
    return [*told, *(_told("emptied", seat) for seat in left)]


def _event(was: RecordedPlacement | None, now: RecordedPlacement) -> dict[str, Any] | None:
    if was is None:
        return _told("filled", now)
    if was.holding != now.holding:
        return _told("replaced", now, was.holding)
    if was.basis != now.basis:
        return _told("settled" if now.basis == "filled" else "doubted", now)
    return None


def _told(event: str, seat: RecordedPlacement, before: str | None = None) -> dict[str, Any]:
    told = {"place": seat.place, "label": seat.label, "event": event, "holding": seat.holding}
    return {**told, "before": before, "basis": seat.basis}

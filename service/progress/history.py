"""Placements of now compared with the recorded ones: what a new record changes, and the events. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, Struct

from service.definitions.history.model import Filling, HistoryChange, RecordedPlacement, RecordedPlacements
from service.progress.result import DefinitionStamp, Evaluation, Summary

Event = Literal["filled", "emptied", "replaced", "settled", "doubted"]


def recorded_placements(result: Evaluation) -> list[RecordedPlacement]:
    """Which coin is in which place, in the order of the result."""
    return [
        RecordedPlacement(entry.place, entry.label, entry.holding, entry.status)
        for entry in result.places()
        if entry.holding is not None and entry.status != "empty"
    ]


def plan(standing: RecordedPlacements, now: Iterable[RecordedPlacement], day: date) -> HistoryChange:
    """The changes after which the fillings have the placements `now` on `day`, which is not before the last recorded day.

    A day counts with its last note: whatever an earlier note of the same day opened and is no longer so never was, and
    what it ended goes on if the coin is back. So no filling is shorter than a day, and those of one place never overlap.
    """
    wanted = {seat.key: seat for seat in now}
    began, before = _divided(standing.fillings, day)
    kept = {filling.placement.key for filling in (*began, *before)}
    fresh = [seat for key, seat in wanted.items() if key not in kept]
    # An undone filling's number may come again: nothing shows it any more.
    return HistoryChange(
        ended=tuple(f.number for f in before if f.until is None and f.placement.key not in wanted),
        resumed=tuple(f.number for f in before if f.until is not None and f.placement.key in wanted),
        undone=tuple(f.number for f in began if f.placement.key not in wanted),
        opened=tuple(Filling(number, seat, day) for number, seat in enumerate(fresh, start=standing.last + 1)),
    )


def _divided(fillings: Sequence[Filling], day: date) -> tuple[list[Filling], list[Filling]]:
    """Those that an earlier note of this day began, and those that held the day before."""
    began = [filling for filling in fillings if filling.since == day]
    before = [filling for filling in fillings if filling.since < day and filling.until in (None, day)]
    return began, before


class HistoryEvent(Struct):
    """What is otherwise in one place than at the last note."""

    place: str
    label: str
    event: Annotated[
        Event,
        Meta(description="settled, doubted: the same coin is there, now for certain, or now only tentatively."),
    ]
    holding: Annotated[str, Meta(description="The coin that is there now; emptied: the one that left.")]
    before: Annotated[str | None, Meta(description="replaced: the coin that sat there before.")]
    basis: Literal["filled", "tentative"]


class HistoryNote(Struct):
    """What a note changed, and how the set stands."""

    noted_on: date
    changes: list[HistoryEvent]
    definition: DefinitionStamp
    holdings_state: str
    summary: Summary
    proven_optimal: bool
    reference_edition: str
    engine_version: str


def history_events(standing: RecordedPlacements, now: Sequence[RecordedPlacement]) -> list[HistoryEvent]:
    """What is otherwise than at the last note, place by place."""
    was = {filling.placement.place: filling.placement for filling in standing.open}
    events = [event for placement in now if (event := _event(was.get(placement.place), placement)) is not None]
    taken = {placement.place for placement in now}
    left = [placement for place, placement in was.items() if place not in taken]
    return [*events, *(_event_of("emptied", placement) for placement in left)]


def _event(was: RecordedPlacement | None, now: RecordedPlacement) -> HistoryEvent | None:
    if was is None:
        return _event_of("filled", now)
    if was.holding != now.holding:
        return _event_of("replaced", now, was.holding)
    if was.basis != now.basis:
        return _event_of("settled" if now.basis == "filled" else "doubted", now)
    return None


def _event_of(event: Event, placement: RecordedPlacement, before: str | None = None) -> HistoryEvent:
    return HistoryEvent(placement.place, placement.label, event, placement.holding, before, placement.basis)

"""A set's history and its exhibitions, as they are kept. Pure.

A filling is a coin in a place from the day `since` up to, and without, the day `until`; None: it is still there. Of one day the
last record counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal


@dataclass(frozen=True, slots=True)
class RecordedPlacement:
    """A coin in a place, by an evaluation. `basis` is filled or tentative; `label` is the place's, then."""

    place: str
    label: str
    holding: str
    basis: Literal["filled", "tentative"]

    @property
    def key(self) -> tuple[str, str, str]:
        """What has to stay the same for a filling to go on."""
        return self.place, self.holding, self.basis


@dataclass(frozen=True, slots=True)
class Filling:
    """A coin in a place from `since` until before `until`. `number` counts the fillings of a definition."""

    number: int
    placement: RecordedPlacement
    since: date
    until: date | None = None


@dataclass(frozen=True, slots=True)
class RecordedDay:
    """What the last note of one day followed from, and the figures as they were sent (plain values). `at` is when it was made."""

    day: date
    revision: int
    digest: str
    holdings_state: str
    summary: Any
    at: datetime


@dataclass(frozen=True, slots=True)
class RecordedPlacements:
    """How the set stood at the last note: the open fillings, and those that ended on that very day. `last` is the
    greatest number of a filling, 0 when there is none."""

    fillings: tuple[Filling, ...] = ()
    noted: RecordedDay | None = None
    last: int = 0

    @property
    def open(self) -> tuple[Filling, ...]:
        return tuple(filling for filling in self.fillings if filling.until is None)


@dataclass(frozen=True, slots=True)
class HistoryChange:
    """What a note does to the fillings: numbers of those that end, go on after all, or never lasted a day, and new
    ones."""

    ended: tuple[int, ...] = ()
    resumed: tuple[int, ...] = ()
    undone: tuple[int, ...] = ()
    opened: tuple[Filling, ...] = ()


@dataclass(frozen=True, slots=True)
class StoredExhibition:
    """An evaluation with loans, frozen: nothing that is changed later changes it."""

    id: str
    title: str
    day: date
    summary: Mapping[str, Any]
    created_at: datetime
    content: Mapping[str, Any] | None = None

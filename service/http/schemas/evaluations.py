"""Answers of operations that are still declared by hand."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.http.wire import OldOut


class PlacesOut(OldOut):
    """Numbers of places."""

    places: int
    filled: int
    tentative: int
    empty: int


class SummaryOut(PlacesOut):
    """The headline figures."""

    certain: int
    possible: int
    required: PlacesOut
    unplaced: int


class DefinitionStampOut(OldOut):
    """Which definition was evaluated."""

    id: str | None
    revision: int | None
    digest: str


class PlaceOut(OldOut):
    """One place and what sits in it."""

    place: str
    status: Literal["filled", "tentative", "empty"]
    holding: str | None = None
    certainty: str | None = None


class GroupOut(OldOut):
    """A group of places."""

    id: str
    places: list[PlaceOut]


class EvaluationOut(OldOut):
    """An evaluation: rules.md, section 6."""

    definition: DefinitionStampOut
    holdings_state: str | None
    evaluated_on: str
    summary: SummaryOut
    reference_edition: str | None
    engine_version: str
    proven_optimal: bool
    slots: list[PlaceOut]
    one_per: list[GroupOut]
    free_choice: list[GroupOut]
    conflicts: list[dict[str, Any]]
    unplaced: list[dict[str, Any]]
    ignored_facts: list[dict[str, Any]] | None = Field(
        None,
        description="What was left out of holdings kept here: it does not fit this definition, or is in no catalogue.",
    )

"""Pins, nevers and what they cost, on the wire."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import Field

from service.definitions.model import Decisions
from service.http.conditional import entity_tag
from service.http.inputs import PlacingIn
from service.http.wire import In, OldOut

MOST_DECISIONS = 2_000


class PinsIn(In):
    """All pins and nevers of a definition; what is left out is no longer one."""

    pins: list[PlacingIn] = Field(
        default_factory=list, max_length=MOST_DECISIONS, description="This coin sits in that place."
    )
    nevers: list[PlacingIn] = Field(
        default_factory=list, max_length=MOST_DECISIONS, description="This coin never sits in that place."
    )


class PlacingOut(OldOut):
    """A holding and a place."""

    holding: str
    place: str


class PinsOut(OldOut):
    """The owner's decisions for a definition."""

    pins: list[PlacingOut]
    nevers: list[PlacingOut]


class GainsOut(OldOut):
    """What a set would gain: the figures of two evaluations, one minus the other."""

    certain_gain: int
    possible_gain: int
    required_gain: int
    proven: bool


class CostOut(GainsOut):
    """What a pin or a never costs: the set without it alone, against the set with it."""

    kind: str
    holding: str
    place: str
    changes: list[dict[str, Any]] = Field(description="The places where another coin would sit, or none.")
    betters: dict[str, Any] | None = Field(
        None, description="The first preference that would be met better, and where."
    )


class CostsOut(OldOut):
    """What each pin and never costs."""

    costs: list[CostOut]
    left_out: int = Field(description="How many are not told: the first 200 are.")
    reference_edition: str
    engine_version: str


class RulePriceOut(OldOut):
    """What the set would gain without a set-level rule, and for `at_most` with its count one higher."""

    constraint: str
    kind: str
    pointer: str
    without: GainsOut
    one_more: GainsOut | None = None


class RulePricesOut(OldOut):
    """The price of every set-level rule."""

    rules: list[RulePriceOut]
    reference_edition: str
    engine_version: str


def shown_pins(decisions: Decisions) -> dict[str, Any]:
    return {"pins": _shown(decisions.pins), "nevers": _shown(decisions.nevers)}


def _shown(pairs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"holding": holding, "place": place} for holding, place in pairs]


def pins_tag(identity: str, decisions: Decisions) -> str:
    """Changes with every change of the pins and nevers."""
    return entity_tag("pins", identity, decisions.version, decisions.pins, decisions.nevers)

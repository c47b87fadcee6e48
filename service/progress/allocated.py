"""Several sets at once, as they are sent. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from service.progress.named import Named, NamedHolding
from service.progress.result import (
    Conflict,
    DefinitionStamp,
    Evaluation,
    Figures,
    FreeChoiceResult,
    Goal,
    IgnoredFact,
    LevelResult,
    OnePerResult,
    PageResult,
    PlaceCounts,
    PlaceResult,
    Summary,
    UnplacedHolding,
)

Mode = Literal["in_order", "jointly"]


class AloneFigures(Figures, frozen=True):
    """What a set would reach if no other set took a coin."""

    proven_optimal: bool


class AllocatedSet(Struct, frozen=True, kw_only=True):
    """One set: an evaluation with the coins that the allocation gives it, or leaves to it.

    `conflicts` may have two kinds more. `claimed`: a coin fits a place that is empty here (or fits surely where the place is
    filled tentatively) and its last piece is in another exclusive set (in_order: in one before this); `by` says where:
    the id of the definition (its digest where it has none), the number of the set in the request from 0, the place. A `pin`
    may have the reason `claimed`, with the same `by`. A coin that is in other sets only is listed in `unplaced` with the
    reason `elsewhere` and `sits_in`. `certain` counts, in_order, what the sets before left; jointly, what all others leave;
    levels are proven likewise.
    """

    set: Annotated[int, Meta(description="Its number in the request, from 0.")]
    title: str
    exclusive: bool
    alone: AloneFigures
    # From here on as in an evaluation.
    definition: DefinitionStamp
    holdings_state: str | None
    evaluated_on: date
    reference_edition: str | None
    engine_version: str
    summary: Summary
    proven_optimal: bool
    levels: list[LevelResult]
    slots: list[PlaceResult]
    one_per: list[OnePerResult]
    free_choice: list[FreeChoiceResult]
    pages: list[PageResult]
    goals: list[Goal]
    conflicts: list[Conflict]
    conflicts_left_out: int
    unplaced: list[UnplacedHolding]
    ignored_facts: list[IgnoredFact] | UnsetType = UNSET


class Totals(Struct, frozen=True):
    """Figures of several sets, added up."""

    sets: int
    places: int
    filled: int
    tentative: int
    empty: int
    certain: int
    possible: int
    required: PlaceCounts
    optional: PlaceCounts


class AllocationSummary(Totals, frozen=True):
    """Figures of the exclusive sets, added up; each piece counts once. `certain`: jointly, the most places of all sets
    together that can be filled for certain; in_order the sum over the sets."""

    unplaced: Annotated[int, Meta(description="Holdings with a piece that is in no exclusive set.")]


@dataclass(frozen=True, slots=True)
class AllocatedSets:
    """What an allocation comes to: `levels` are those of the joint answer (None: in_order), `borrowing` adds up the sets that
    are not exclusive (None: there are none)."""

    mode: Mode
    proven_optimal: bool
    levels: list[LevelResult] | None
    summary: AllocationSummary
    borrowing: Totals | None
    sets: list[AllocatedSet]
    named: dict[str, NamedHolding]


class Allocation(Struct, frozen=True):
    """The allocation; `sets` in the order of the request."""

    mode: Mode
    proven_optimal: bool
    levels: Annotated[
        list[LevelResult] | None,
        Meta(description="jointly: the levels over all exclusive sets. Preferences are in units of this answer only."),
    ]
    summary: AllocationSummary
    borrowing: Annotated[Totals | None, Meta(description="The sets that borrow, added up; null when there are none.")]
    sets: list[AllocatedSet]
    named: Named
    evaluated_on: date
    holdings_state: str | None
    reference_edition: str
    engine_version: str


# What an allocation says for all sets, or leaves to the evaluation of one.
_ONCE = ("named", "unknown_terms")


def allocated_set(number: int, title: str, exclusive: bool, alone: AloneFigures, result: Evaluation) -> AllocatedSet:
    """A set's evaluation with its number and what it would reach alone."""
    evaluation = {name: getattr(result, name) for name in Evaluation.__struct_fields__ if name not in _ONCE}
    return AllocatedSet(set=number, title=title, exclusive=exclusive, alone=alone, **evaluation)


def totals(sets: Iterable[AllocatedSet]) -> Totals:
    """The figures of the sets, added up."""
    summaries = [one.summary for one in sets]
    counts = {name: sum(getattr(summary, name) for summary in summaries) for name in PlaceCounts.__struct_fields__}
    return Totals(
        sets=len(summaries),
        **counts,
        certain=sum(summary.certain for summary in summaries),
        possible=sum(summary.possible for summary in summaries),
        required=_added_up(summary.required for summary in summaries),
        optional=_added_up(summary.optional for summary in summaries),
    )


def _added_up(counts: Iterable[PlaceCounts]) -> PlaceCounts:
    every = list(counts)
    return PlaceCounts(*(sum(getattr(one, name) for one in every) for name in PlaceCounts.__struct_fields__))

"""Several sets at once, on the wire."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.http.inputs import AnyHoldings, IssueIn, Seconds, VocabularyIn
from service.http.schemas.evaluations import EvaluationOut, PlacesOut
from service.http.wire import Day, In, OldOut
from service.progress.allocations import MOST_SETS


def _definition(value: Any) -> Any:
    if isinstance(value, str) or (isinstance(value, dict) and ("format" in value or "id" not in value)):
        return value
    raise PydanticCustomError("definition", "the id of a definition kept here is needed, or a set definition")


SetDefinition = Annotated[
    Any,
    BeforeValidator(_definition),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "format": "uuid"},
                {"type": "object", "properties": {"format": {"const": "set-definition/1"}}, "required": ["format"]},
            ],
            "description": "The id of a definition kept here, or a set definition; all sets of a request the same way.",
        }
    ),
]


class SetIn(In):
    """One of the sets."""

    definition: SetDefinition
    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="With an id; left out: the revision that the set follows."
    )
    exclusive: bool = Field(
        True,
        description="Exclusive sets share no coin. A set with false borrows: it may use coins that sit in other sets, and "
        "takes none from them.",
    )


class AllocationsIn(In):
    """Sets that want the same coins: those kept here against the holdings kept here, with the owner's pins and nevers of
    each; or sets that stand in the body with their holdings, for which no account is needed."""

    sets: list[SetIn] = Field(
        min_length=1, max_length=MOST_SETS, description="In the owner's order: the first comes first."
    )
    mode: Literal["in_order", "jointly"] = Field(
        description="in_order: the first set takes the best for itself, what it leaves goes to the next, and so on, whatever "
        "is pinned in the later ones. jointly: the best for all sets together: most pins over all of them, then most "
        "required places, then most places, then fewest doubts, then the preferences, each level added up over the sets."
    )
    holdings: AnyHoldings = Field("mine", description="With definitions in the body: the holdings, a list.")
    issues: list[IssueIn] = Field(default_factory=list, description="With definitions in the body.")
    vocabularies: list[VocabularyIn] = Field(
        default_factory=list, max_length=100, description="With definitions in the body."
    )
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")
    budget_seconds: Seconds = Field(10.0, description="Solver time for all of it.")


class LevelOut(OldOut):
    """One level of an answer: its value, and the bound that is proven for it."""

    level: str
    value: int
    proven: bool
    bound: int


class FiguresOut(PlacesOut):
    """Headline figures."""

    certain: int
    possible: int
    required: PlacesOut
    optional: PlacesOut


class AloneOut(FiguresOut):
    """What a set would reach if no other set took a coin."""

    proven_optimal: bool


class TotalsOut(FiguresOut):
    """Figures of several sets, added up."""

    sets: int


class AllocatedOut(TotalsOut):
    """Figures of the exclusive sets, added up; each piece counts once. `certain`: jointly, the most places of all sets
    together that can be filled for certain; in_order the sum over the sets. `unplaced`: holdings of which a piece sits in
    no exclusive set."""

    unplaced: int


class AllocatedSetOut(EvaluationOut):
    """One set: an evaluation with the coins that the allocation gives it, or leaves to it.

    `conflicts` may have two kinds more. `claimed`: a coin fits a place that is empty here (or fits surely where the place is
    filled tentatively) and its last piece sits in another exclusive set (in_order: in one before this); `by` says where:
    the id of the definition (its digest where it has none), the number of the set in the request from 0, the place. A `pin`
    may have the reason `claimed`, with the same `by`. A coin that sits in other sets only stands in `unplaced` with the reason
    `elsewhere` and `sits_in`. `certain` counts, in_order, what the sets before left; jointly, what all others leave; levels
    are proven likewise.
    """

    set: int = Field(description="Its number in the request, from 0.")
    title: str
    exclusive: bool
    alone: AloneOut


class AllocationsOut(OldOut):
    """The allocation; `sets` in the order of the request."""

    mode: Literal["in_order", "jointly"]
    evaluated_on: str
    holdings_state: str | None
    proven_optimal: bool
    levels: list[LevelOut] | None = Field(
        description="jointly: the levels over all exclusive sets. Preferences are in units of this answer only."
    )
    summary: AllocatedOut
    borrowing: TotalsOut | None = Field(description="The sets that borrow, added up; null when there are none.")
    sets: list[AllocatedSetOut]
    reference_edition: str
    engine_version: str

"""The evaluation result (rules.md, section 6) as it is sent, and from which histories, exhibitions, impacts follow. Pure.

Members that are left out in some answers have the type `X | UnsetType` and the default UNSET; None stands in JSON as null.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType, field

from service.assignment.problem import Basis
from service.evaluation.settling import DecidingFact
from service.evaluation.verdicts import Doubt
from service.facts.recorded import RecordedFact, RecordedKey
from service.progress.description import MissingReference
from service.progress.named import Named
from service.progress.unknown_terms import UnknownTermEntry
from service.rules.messages import Message
from service.rules.preferences import Preference

Tier = Literal["required", "optional"]
Status = Literal["filled", "tentative", "empty"]


# --- figures -------------------------------------------------------------------------------------------------------------


class DefinitionStamp(Struct, frozen=True):
    """Which definition was evaluated; a document in the request has no id and no revision."""

    id: str | None
    revision: int | None
    digest: str


class PlaceCounts(Struct, frozen=True):
    """Numbers of places."""

    places: int
    filled: Annotated[int, Meta(description="With a coin that fits for certain.")]
    tentative: Annotated[int, Meta(description="With a coin that may fit.")]
    empty: int


class TentativeCounts(Struct, frozen=True):
    """Tentative places, by what the doubt rests on."""

    alternatives: Annotated[int, Meta(description="Several values are recorded, and some of them do not fit.")]
    unknown: Annotated[int, Meta(description="A fact is not recorded.")]
    reference: Annotated[int, Meta(description="The vocabularies do not say enough of what is recorded.")]


class Figures(PlaceCounts, frozen=True):
    """The figures of a set, without those of the coins that are left over."""

    certain: Annotated[
        int, Meta(description="The most places that coins fitting for certain can fill, with as many pins honoured.")
    ]
    possible: Annotated[
        int,
        Meta(
            description="The most places that can be filled at all, with as many pins honoured: filled and tentative ones "
            "together, unless a rule over several places trades places between the tiers."
        ),
    ]
    required: PlaceCounts
    optional: PlaceCounts
    tentative_by_basis: TentativeCounts
    presumed: Annotated[int, Meta(description="How many filled places rest on something presumed.")]


class Summary(Figures, frozen=True):
    """The headline figures."""

    unplaced: Annotated[int, Meta(description="How many holdings have a piece that sits in no place.")]


class LevelResult(Struct, frozen=True):
    """One level of the objective: its value, whether that is proven to be the best, and the proven bound."""

    level: str
    value: int
    proven: bool
    bound: int


class PageResult(Struct, frozen=True):
    """Progress on one page of the layout."""

    page: str
    label: Annotated[str, Meta(description="Its label; `page` where the author gave none.")]
    places: int
    filled: int
    tentative: int
    empty: int
    note: Annotated[str | UnsetType, Meta(description="The author's note to the page.")] = UNSET


# --- places --------------------------------------------------------------------------------------------------------------


# A text, a number or nothing: msgspec knows no union of texts and exact decimals.
_WORTH = Meta(extra_json_schema={"type": ["string", "number", "null"]})


class Criterion(Struct, frozen=True):
    """A preference, as the definition has it: one of `where`, `highest`, `lowest`, or `order` with `values`."""

    where: Annotated[
        str | bool | dict[str, Any] | UnsetType, Meta(description="A rule: CQL2 text, or CQL2 JSON (OGC 21-065r2).")
    ] = UNSET
    highest: Annotated[str | UnsetType, Meta(description="An attribute.")] = UNSET
    lowest: Annotated[str | UnsetType, Meta(description="An attribute.")] = UNSET
    order: Annotated[str | UnsetType, Meta(description="An attribute.")] = UNSET
    values: Annotated[list[str] | UnsetType, Meta(description="With `order`: the best value first.")] = UNSET


def criterion_of(preference: Preference) -> Criterion:
    """The author's entry of a preference."""
    document: dict[str, Any] = {n: value for n, value in (preference.document or {}).items() if value is not None}
    return Criterion(**document)


class LosesOn(Struct, frozen=True, gc=False):
    """Where a runner-up is worse than the coin that was placed: one of `set`, `pin`, `doubt`, `to_check`, `presumed`,
    `stays`, `order`, `prefer`."""

    set: Annotated[Literal[True] | UnsetType, Meta(description="Not worse by itself; the set as a whole would be.")] = (
        UNSET
    )
    pin: Annotated[Literal[True] | UnsetType, Meta(description="The owner pinned the coin that was placed.")] = UNSET
    doubt: Annotated[Doubt | UnsetType, Meta(description="It only may fit; `placed`: the coin that was placed.")] = (
        UNSET
    )
    to_check: Annotated[
        Literal[True] | UnsetType, Meta(description="More facts are to be looked up for it: `this` many, not `placed`.")
    ] = UNSET
    presumed: Annotated[Literal[True] | UnsetType, Meta(description="It fits by what is presumed of it.")] = UNSET
    stays: Annotated[Literal[True] | UnsetType, Meta(description="The coin that was placed was there before.")] = UNSET
    order: Annotated[Literal["holding"] | UnsetType, Meta(description="Equal in all else: the ids decide.")] = UNSET
    prefer: Annotated[int | UnsetType, Meta(description="The number of the preference, from 0.")] = UNSET
    criterion: Annotated[Criterion | UnsetType, Meta(description="With `prefer`.")] = UNSET
    this: Annotated[Any, _WORTH, Meta(description="Its value under the preference, or its id; null: not recorded.")] = (
        UNSET
    )
    placed: Annotated[Any, _WORTH, Meta(description="The same of the coin that was placed.")] = UNSET


class Alternate(Struct, frozen=True, gc=False):
    """A coin that could sit in the place and sits in none."""

    holding: str
    loses_on: LosesOn


class PlaceResult(Struct, frozen=True, kw_only=True, gc=False):
    """One place and the coin in it."""

    place: Annotated[str, Meta(description="The id of a slot, or group/key, or group/number.")]
    label: str
    note: Annotated[str | UnsetType, Meta(description="The author's note to the place, or to its group.")] = UNSET
    tier: Tier
    key: Annotated[RecordedKey, Meta(description="In a one-per group: the key.")] = UNSET
    status: Status
    holding: str | None
    certainty: Annotated[
        Literal["forced", "choice", "tentative"] | UnsetType,
        Meta(
            description="forced: every best answer has this coin here; in a free choice, in some place of it. Left out "
            "where the place is empty."
        ),
    ] = UNSET
    interchangeable_with: Annotated[
        list[str] | UnsetType,
        Meta(
            description="With `choice`: up to five other coins, by id, that would do as well in its stead; fewer than five "
            "are all, unless `interchangeable_limit` is there."
        ),
    ] = UNSET
    interchangeable_limit: Annotated[
        Literal["budget"] | UnsetType, Meta(description="Other coins may do as well: there was no time to prove it.")
    ] = UNSET
    presumed: Annotated[
        list[str] | UnsetType,
        Meta(description="A filled place that rests on presumptions: a smallest set of attributes that does it."),
    ] = UNSET
    basis: Annotated[Doubt | UnsetType, Meta(description="What a tentative place rests on.")] = UNSET
    alternates: Annotated[
        list[Alternate] | UnsetType,
        Meta(description="Up to 20 runners-up, the best first; a free choice lists its candidates instead."),
    ] = UNSET


class OnePerResult(Struct, frozen=True):
    """A group with one place for each key of an attribute."""

    id: str
    label: Annotated[str, Meta(description="The group's label; its id where that is one for each place (`{key}`).")]
    attribute: Annotated[str | list[str], Meta(description="Of a key of several attributes: all of them.")]
    places: list[PlaceResult]
    note: Annotated[str | UnsetType, Meta(description="The author's note to the group.")] = UNSET


class FreeChoiceResult(Struct, frozen=True):
    """Places that take any coin fitting one rule."""

    id: str
    label: str
    places: list[PlaceResult]
    candidates: Annotated[list[str], Meta(description="The holdings that fit for certain.")]
    tentative_candidates: Annotated[list[str], Meta(description="The holdings that may fit.")]
    open_places: int
    note: Annotated[str | UnsetType, Meta(description="The author's note to the group.")] = UNSET


# --- conflicts -----------------------------------------------------------------------------------------------------------


class ContestedConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="contested"):
    """Places that together have fewer fitting coins than places, so that one of them stays empty."""

    places: list[str]
    holdings: list[str]
    empty: Annotated[str, Meta(description="The place that stays empty.")]
    short_by: int


class UndecidedConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="undecided"):
    """A coin that may fit these places, and the facts that would decide."""

    holding: str
    places: Annotated[list[str], Meta(description="Places by address, a free choice by its group.")]
    settle: list[DecidingFact]
    limit: Annotated[str | UnsetType, Meta(description="Why the list of facts may not be the shortest.")] = UNSET
    reference: Annotated[
        list[MissingReference] | UnsetType,
        Meta(description="What the vocabularies do not say; a doubt that it leaves remains when every fact is known."),
    ] = UNSET


class Placing(Struct, frozen=True):
    """A holding and a place."""

    holding: str
    place: str


class SeatElsewhere(Struct, frozen=True):
    """A place of another set in which a piece of the holding sits."""

    definition: Annotated[str, Meta(description="The definition's id, or the digest of a document in the request.")]
    set: Annotated[int, Meta(description="The number of the set in the request, from 0.")]
    place: str
    label: str


class PinConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="pin"):
    """A pin that does not hold, or one that holds at the cost of other places."""

    holding: str
    place: Annotated[str, Meta(description="A place by its address, or a group by its id.")]
    label: Annotated[str, Meta(description="The label of the place; its address where the set has no such place.")]
    reason: Annotated[
        Literal[
            "unknown_holding",
            "not_held",
            "unknown_place",
            "never",
            "does_not_fit",
            "clashes",
            "constraint",
            "claimed",
            "costs",
        ],
        Meta(
            description="claimed: only where several sets share the coins. costs: it holds, and `places` stay empty for it."
        ),
    ]
    places: Annotated[
        list[str] | UnsetType,
        Meta(description="With `costs`: places that stay empty and could be filled without the pin."),
    ] = UNSET
    with_: Annotated[Placing | UnsetType, Meta(description="With `clashes`: the pin that holds instead.")] = field(
        default=UNSET, name="with"
    )
    failing: Annotated[
        list[str] | UnsetType, Meta(description="With `does_not_fit`: the clauses that the coin fails, in words.")
    ] = UNSET
    clauses: Annotated[list[str] | UnsetType, Meta(description="The same as CQL2 text.")] = UNSET
    by: Annotated[SeatElsewhere | UnsetType, Meta(description="With `claimed`.")] = UNSET


class ContradictionConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="contradiction"):
    """A recorded fact that contradicts the issue that the coin is said to be; the recorded fact counts."""

    holding: str
    issue: str
    attribute: str
    recorded: RecordedFact
    issue_value: RecordedFact


class UnidentifiedConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="unidentified"):
    """A fact of a coin that is no issue of a catalogue said to be complete, against the nearest issue."""

    holding: str
    issue: str
    attribute: str
    recorded: RecordedFact
    issue_value: RecordedFact


class ConstraintConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="constraint"):
    """A rule over several places without which more places could be filled."""

    constraint: str
    label: Annotated[str, Meta(description="The rule's label; its id where the author gave none.")]
    note: Annotated[str | UnsetType, Meta(description="The author's note to the rule.")] = UNSET
    places: Annotated[list[str], Meta(description="Places that stay empty.")]
    holdings: Annotated[list[str], Meta(description="The coins that fit those places.")]
    gain: Annotated[int, Meta(description="How many more places could be filled.")]
    with_: Annotated[list[str] | UnsetType, Meta(description="Other rules that do so only together with this one.")] = (
        field(default=UNSET, name="with")
    )
    limit: Annotated[str | UnsetType, Meta(description="Why other rules may do the same.")] = UNSET


class ClaimedConflict(Message, frozen=True, kw_only=True, tag_field="kind", tag="claimed"):
    """Where several sets share the coins: a coin that fits a place of this set, and sits in another set."""

    holding: str
    place: str
    label: str
    by: SeatElsewhere
    tentative: Annotated[Literal[True] | UnsetType, Meta(description="The coin only may fit.")] = UNSET


Conflict = (
    ContestedConflict
    | UndecidedConflict
    | PinConflict
    | ConstraintConflict
    | ClaimedConflict
    | ContradictionConflict
    | UnidentifiedConflict
)


# --- coins that sit in no place ------------------------------------------------------------------------------------------


class ClosestPlace(Struct, frozen=True, gc=False):
    """The place with the fewest clauses that a coin fails."""

    place: str
    label: str
    failing: Annotated[list[str], Meta(description="Those clauses, in words.")]
    clauses: Annotated[list[str], Meta(description="The same as CQL2 text.")]


class UnplacedHolding(Struct, frozen=True, kw_only=True, gc=False):
    """A holding with a piece that sits in no place."""

    holding: str
    pieces: Annotated[int | UnsetType, Meta(description="Of a holding of several pieces: how many.")] = UNSET
    reason: Annotated[
        Literal["spare", "undecided", "never", "outside", "not_held", "elsewhere"],
        Meta(
            description="spare: it fits `places`. undecided: it may fit `places`. never: it fits `places` alone, and the "
            "owner never wants it there. outside: it fits none; see `closest`. "
            "not_held: its status keeps it out. elsewhere: its pieces sit in other sets."
        ),
    ]
    places: list[str] | UnsetType = UNSET
    closest: Annotated[ClosestPlace | UnsetType | None, Meta(description="null: the set has no place.")] = UNSET
    presumed: Annotated[
        list[str] | UnsetType,
        Meta(description="Of a coin outside only because of what is presumed of it: those attributes."),
    ] = UNSET
    status: str | UnsetType = UNSET
    sits_in: list[SeatElsewhere] | UnsetType = UNSET


class IgnoredFact(Message, frozen=True, kw_only=True):
    """A recorded fact that was left out of the evaluation."""

    holding: str
    pointer: Annotated[str, Meta(description="A JSON pointer into the holding.")]


class Goal(Struct, frozen=True):
    """A rule `at_least`: how many coins are wanted and how many are there. No place stays empty for it."""

    constraint: str
    label: str
    count: Annotated[int, Meta(description="How many are wanted.")]
    reached: Annotated[int, Meta(description="How many places have a coin that counts for certain.")]
    short_by: int
    would_reach: Annotated[list[str], Meta(description="The places in which a coin that counts would be one more.")]
    note: Annotated[str | UnsetType, Meta(description="The author's note to the rule.")] = UNSET


# --- the whole -----------------------------------------------------------------------------------------------------------


class Evaluation(Struct, frozen=True):
    """An evaluation: rules.md, section 6."""

    definition: DefinitionStamp
    holdings_state: Annotated[
        str | None, Meta(description="The state of the holdings kept here; null: they came with the request.")
    ]
    evaluated_on: date
    reference_edition: str | None
    engine_version: str
    summary: Summary
    proven_optimal: Annotated[bool, Meta(description="Whether no better answer exists.")]
    levels: Annotated[list[LevelResult], Meta(description="The levels of the objective, in order.")]
    slots: list[PlaceResult]
    one_per: list[OnePerResult]
    free_choice: list[FreeChoiceResult]
    pages: Annotated[list[PageResult], Meta(description="Progress page by page, where the definition has a layout.")]
    goals: Annotated[list[Goal], Meta(description="The rules `at_least`, in the order of the document.")]
    conflicts: list[Conflict]
    conflicts_left_out: Annotated[
        int,
        Meta(description="How many conflicts are left out, past 500 of the kind undecided and 500 about issues."),
    ]
    unplaced: list[UnplacedHolding]
    named: Named
    unknown_terms: Annotated[
        list[UnknownTermEntry],
        Meta(description="Recorded words that are no term, of attributes that decide about places."),
    ]
    ignored_facts: Annotated[
        list[IgnoredFact] | UnsetType,
        Meta(
            description="What was left out of holdings kept here: it does not fit this definition, or is in no catalogue."
        ),
    ] = UNSET

    def places(self) -> Iterator[PlaceResult]:
        """Every place, in the order of the document."""
        yield from self.slots
        for group in self.one_per:
            yield from group.places
        for choice in self.free_choice:
            yield from choice.places

    def with_ignored(self, ignored: list[IgnoredFact]) -> Evaluation:
        """The same with the facts that were left out, if there are any."""
        return msgspec.structs.replace(self, ignored_facts=ignored) if ignored else self


class EvaluationParts(Struct, frozen=True, kw_only=True):
    """Some members of an evaluation, as they stand in the whole; the others are left out."""

    definition: DefinitionStamp
    holdings_state: str | None
    evaluated_on: date
    reference_edition: str | None
    engine_version: str
    summary: Summary | UnsetType = UNSET
    proven_optimal: bool | UnsetType = UNSET
    levels: list[LevelResult] | UnsetType = UNSET
    slots: list[PlaceResult] | UnsetType = UNSET
    one_per: list[OnePerResult] | UnsetType = UNSET
    free_choice: list[FreeChoiceResult] | UnsetType = UNSET
    pages: list[PageResult] | UnsetType = UNSET
    goals: list[Goal] | UnsetType = UNSET
    conflicts: list[Conflict] | UnsetType = UNSET
    conflicts_left_out: int | UnsetType = UNSET
    unplaced: list[UnplacedHolding] | UnsetType = UNSET
    named: Named | UnsetType = UNSET
    unknown_terms: list[UnknownTermEntry] | UnsetType = UNSET
    ignored_facts: list[IgnoredFact] | UnsetType = UNSET


PARTS = tuple(field.name for field in msgspec.structs.fields(EvaluationParts) if not field.required)
"""The members that may be asked for by name."""


_DOUBTS: dict[Basis, Doubt] = {
    Basis.ALTERNATIVES: "alternatives",
    Basis.UNKNOWN: "unknown",
    Basis.REFERENCE: "reference",
}


def doubt_name(basis: Basis) -> Doubt | None:
    """What a placement rests on, as it is written; None for certain facts."""
    return _DOUBTS.get(basis)


def plain(value: object) -> Any:
    """An answer as plain values, the way JSON has them; decimals stay exact."""
    return msgspec.to_builtins(value, builtin_types=(Decimal,))

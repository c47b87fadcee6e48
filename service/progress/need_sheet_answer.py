"""Need sheets as they are sent (`need-sheet/1`): what a reader without the service and without its engine needs to answer "do I
need this coin?" about every set of an owner. How they are read, step by step: docs/need-sheets.md. Pure.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from msgspec import Meta, Struct

from service.evaluation.lookup_table import RuleLookup
from service.progress.named import NamedHolding
from service.progress.result import Criterion, DefinitionStamp, Status, Tier

_FACT = Meta(description="A fact, as a holding's `facts` have it.")
_VALUE = Meta(extra_json_schema={"type": ["string", "number", "boolean", "array", "object"], "items": {}})
_NUMBER = Meta(extra_json_schema={"type": ["number", "null"]})
_LOSSES = Meta(
    description="One number for each of the sheet's `levels`, in their order: what is lost on it. Less is better, and the first "
    "difference decides. At most 6 decimals: to be added as decimals."
)

Losses = Annotated[list[Any], _LOSSES, Meta(extra_json_schema={"items": {"type": "number"}})]


class SheetVocabulary(Struct, frozen=True, kw_only=True):
    """The terms of a vocabulary, with their labels."""

    name: str
    terms: dict[str, str]


class SheetAttribute(Struct, frozen=True, kw_only=True):
    """An attribute that the rules of the set read."""

    name: str
    type: str
    many: bool
    label: str
    help: str
    look_at: str
    unit: str | None
    low: Annotated[Any, _NUMBER]
    high: Annotated[Any, _NUMBER]
    values: Annotated[list[str], Meta(description="All values that it can have; empty: not limited.")]
    vocabulary: Annotated[str | None, Meta(description="A key of `vocabularies` of the document.")]
    terms: Annotated[
        list[str], Meta(description="Texts that mean themselves, beside `values` and the vocabulary's terms.")
    ]
    is_open: Annotated[
        bool,
        Meta(
            description="Whether any other text means itself too; if not the service may know it as another term: ask."
        ),
    ]
    by_issuer: Annotated[
        dict[str, dict[str, str]],
        Meta(description="By issuer: texts that mean another term on its coins; under the empty text: on all others."),
    ]


class SheetPreference(Struct, frozen=True, kw_only=True):
    """One criterion by which coins for a place are compared. Of a number `highest` loses minus that number, `lowest` that number,
    `order` the position from 0 in `values` (one that is not listed: their number), `where` -1 for a coin that surely fits
    the rule and else 0."""

    criterion: Criterion
    level: Annotated[str, Meta(description="One of the sheet's `levels`.")]
    rule: Annotated[int | None, Meta(description="Of `where`.")]
    attribute: str | None
    values: list[str]
    missing: Annotated[Any, _NUMBER, Meta(description="What a coin loses of which the fact is missing.")]
    worst: Annotated[
        Any, _NUMBER, Meta(description="The most that any coin which may sit there loses; null: no coin has the fact.")
    ]
    missing_counts: Annotated[
        bool,
        Meta(description="Whether the fact is missing of one: a coin worse than `worst` then changes what that loses."),
    ]


class SheetClause(Struct, frozen=True, kw_only=True):
    """One of the rules that a place joins."""

    rule: int
    needs: Annotated[str, Meta(description="What a coin needs to fit it, in words.")]


class Seat(Struct, frozen=True, kw_only=True):
    """A coin in a place."""

    holding: str
    loss: Losses
    values: Annotated[
        list[Any],
        Meta(description="What it is worth by each of the place's preferences; null: the fact is missing."),
        Meta(extra_json_schema={"items": {"type": ["number", "null"]}}),
    ]


class Move(Struct, frozen=True, kw_only=True):
    """A place that gets another coin of the collection."""

    place: Annotated[int, Meta(description="Its position in `places`.")]
    before: Seat | None
    after: Seat


class Chain(Struct, frozen=True, kw_only=True, tag_field="kind", tag="chain"):
    """What follows when one more coin sits here: the coin that was here goes where it does most, and so on, until a place that
    was empty is filled (`fills`) or a coin is left over."""

    loss: Annotated[Losses, Meta(description="Of all that follows, without what the new coin loses itself.")]
    rank: Annotated[
        int,
        Meta(description="Of places that are as good for a coin the one with the smallest rank is taken."),
    ]
    fills: Annotated[int | None, Meta(description="The place that was empty, by its position in `places`; null: none.")]
    seat: Annotated[Seat | None, Meta(description="The coin that is here now.")]
    moves: Annotated[list[Move], Meta(description="The other places that change, in the order of `places`.")]
    is_doubtful: Annotated[
        bool, Meta(description="Whether a placement here rests on a doubt: one more certain coin may then help unseen.")
    ]


class KeyCondition(Struct, frozen=True, kw_only=True, tag_field="kind", tag="key"):
    """What a set-level rule asks of one more coin when all others stay: the values of `by` together are one of `values`, or none
    of them. Each value is known for certain, else ask."""

    constraint: str
    by: list[str]
    among: Annotated[bool, Meta(description="Whether they must be one of `values`; if not, none.")]
    values: list[list[Annotated[Any, _VALUE]]]


class RuleCondition(Struct, frozen=True, kw_only=True, tag_field="kind", tag="rule"):
    """What a set-level rule asks of one more coin when all others stay: it surely does not fit the rule."""

    constraint: str
    rule: int


class Beside(Struct, frozen=True, kw_only=True, tag_field="kind", tag="beside"):
    """An empty place under set-level rules: a coin that surely fits it and the conditions can be put there while all others stay,
    so that one more place is filled. Which one is best then, only the service can tell."""

    conditions: list[KeyCondition | RuleCondition]


class Asked(Struct, frozen=True, kw_only=True, tag_field="kind", tag="ask"):
    """What one more coin brings here only the service can tell."""

    because: Annotated[
        Literal["rules", "large", "numbers"],
        Meta(
            description="rules: coins of other places count too. large: too much to be worked out. numbers: too many digits."
        ),
    ]


class SheetPlace(Struct, frozen=True, kw_only=True):
    """One place of the set."""

    place: str
    label: str
    tier: Tier
    kind: Literal["slots", "one_per", "free_choice"]
    group: Annotated[str | None, Meta(description="The id of its group; null: a slot.")]
    look_at: str
    rule: Annotated[int, Meta(description="All that a coin must fit, as one rule.")]
    clauses: list[SheetClause]
    status: Status
    holding: Annotated[str | None, Meta(description="The coin that sits there; `named` says what people call it.")]
    preferences: Annotated[list[int], Meta(description="By which coins for it are compared, the first decides first.")]
    coin: Annotated[Chain | Beside | Asked, Meta(description="What one more coin here brings.")]


class OpenGroupPart(Struct, frozen=True, kw_only=True):
    """One attribute of a key."""

    attribute: str
    is_plain: Annotated[bool, Meta(description="Whether a value is a key as it is; if not, spans of numbers are.")]
    none: Annotated[bool, Meta(description="Whether known to be none is a key.")]


class OpenGroup(Struct, frozen=True, kw_only=True):
    """A group with a place for each key that some coin shows: one with another key has a new place of its own."""

    id: str
    label: str
    rule: Annotated[int | None, Meta(description="What a coin must fit beside the key; null: nothing.")]
    parts: list[OpenGroupPart]
    is_free: Annotated[bool, Meta(description="Whether no set-level rule speaks of its places.")]
    keys: Annotated[list[list[Annotated[Any, _VALUE]]], Meta(description="Those that are there.")]


class SheetPresumption(Struct, frozen=True, kw_only=True):
    """Facts that are taken for granted of coins that surely fit the rule (null: of all)."""

    rule: int | None
    facts: dict[str, Annotated[Any, _FACT]]


class SheetIdentification(Struct, frozen=True, kw_only=True):
    """A coin that surely fits the rule is one of these issues, unless it contradicts all of them."""

    rule: int
    issues: Annotated[list[int], Meta(description="Positions in `issues`.")]


class SheetIssue(Struct, frozen=True, kw_only=True):
    """An issue of the catalogue, with its facts about attributes that the set reads or that may contradict a coin."""

    id: str
    facts: dict[str, Annotated[Any, _FACT]]
    within: Annotated[
        list[int], Meta(description="Issues that say all that this one says: with one of them it is dropped.")
    ]
    part_of: Annotated[int | None, Meta(description="The wider issue of which it is a part.")]


class NeedSheet(Struct, frozen=True, kw_only=True):
    """One set."""

    definition: DefinitionStamp
    title: str
    holdings_state: str | None
    evaluated_on: date
    reference_edition: str | None
    engine_version: str
    ask: Annotated[str | None, Meta(description="Why there is no sheet for the set; then the lists are empty.")]
    levels: Annotated[list[str], Meta(description="What a set is compared on, the first level first.")]
    attributes: list[SheetAttribute]
    rules: list[RuleLookup]
    presume: list[SheetPresumption]
    identify: list[SheetIdentification]
    issues: list[SheetIssue]
    agreement: Annotated[
        dict[str, dict[str, list[str]]],
        Meta(description="By attribute: for a text of a coin the texts of issues that agree with it, beside itself."),
    ]
    preferences: list[SheetPreference]
    places: list[SheetPlace]
    open_groups: list[OpenGroup]
    named: dict[str, NamedHolding]


class NeedSheets(Struct, frozen=True, kw_only=True):
    """The sheets of all sets of an owner."""

    format: Literal["need-sheet/1"]
    evaluated_on: date
    holdings_state: str
    reference_edition: str
    engine_version: str
    vocabularies: dict[str, SheetVocabulary]
    sets: list[NeedSheet]

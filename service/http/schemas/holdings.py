"""Holdings on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, StringConstraints, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.errors import Fault, Invalid
from service.facts.attributes import Attributes, nearest
from service.facts.holding import MOST_CANDIDATE_ISSUES, MOST_PIECES, escape
from service.holdings.model import FIELDS, StoredHolding, unknown_attributes, with_defaults
from service.http.conditional import entity_tag
from service.http.schemas.values import MOST_VALUES, ValueIn, ValueOut
from service.http.wire import In, NewId, OldOut, OldPageOut, Text, read

MOST_FACTS = 500

Status = Literal["held", "on approval", "ordered", "wanted", "sold", "lost", "stolen"]
AttributeName = Annotated[str, StringConstraints(min_length=1, max_length=100)]


def _issue(value: Any) -> Any:
    names = value["one_of"] if isinstance(value, dict) and set(value) == {"one_of"} else [value]
    fits = isinstance(names, list) and 1 <= len(names) <= MOST_CANDIDATE_ISSUES
    if value is None or (fits and all(isinstance(name, str) and 1 <= len(name) <= 200 for name in names)):
        return value
    raise PydanticCustomError("issue", 'this is the id of a catalogue issue, or {"one_of": [ids]}')


_NAME = {"type": "string", "minLength": 1, "maxLength": 200}
_ONE_OF = {
    "type": "object",
    "properties": {"one_of": {"type": "array", "items": _NAME, "minItems": 1, "maxItems": MOST_CANDIDATE_ISSUES}},
    "required": ["one_of"],
    "additionalProperties": False,
}
Issue = Annotated[Any, AfterValidator(_issue), WithJsonSchema({"anyOf": [_NAME, _ONE_OF, {"type": "null"}]})]


class HoldingFields(In):
    """What an owner records of one piece."""

    facts: dict[AttributeName, Any] = Field(
        default_factory=dict, max_length=MOST_FACTS, description="What is known of the coin: attribute and value."
    )
    issue: Issue = Field(None, description="The catalogue entry that it is, or several candidates.")
    quantity: int = Field(1, ge=1, le=MOST_PIECES, description="How many like pieces.")
    status: Status = Field("held", description="Only pieces that are held count in evaluations.")
    number: Annotated[Text, StringConstraints(max_length=100)] | None = Field(
        None, description="The owner's own number."
    )
    note: Annotated[Text, StringConstraints(max_length=10_000)] | None = None
    location: Annotated[Text, StringConstraints(max_length=500)] | None = Field(None, description="Where it is kept.")
    tags: list[Annotated[Text, StringConstraints(min_length=1, max_length=100)]] = Field(
        default_factory=list, max_length=100
    )
    values: list[ValueIn] = Field(
        default_factory=list,
        max_length=MOST_VALUES,
        description="What one piece cost or is worth, as the owner notes it.",
    )


class HoldingIn(HoldingFields):
    """A new holding."""

    id: NewId | None = Field(None, description="Made by the client, or left to the server.")


class HoldingPatch(In):
    """A JSON Merge Patch (RFC 7396) of a holding: null removes a field, or a fact inside `facts`. Objects merge,
    inside a
    fact's value too: to change {"from", "to"} into {"one_of"}, set `from` and `to` to null."""

    facts: dict[str, Any] | None = None
    issue: Any = None
    quantity: int | None = None
    status: Status | None = None
    number: str | None = None
    note: str | None = None
    location: str | None = None
    tags: list[str] | None = None
    values: list[Any] | None = None


class UnknownAttributeOut(OldOut):
    """A fact whose attribute neither the core nor a definition of the owner's declares."""

    attribute: str
    did_you_mean: str | None


class HoldingOut(OldOut):
    """A stored holding."""

    id: str
    facts: dict[str, Any]
    issue: Any
    quantity: int
    status: Status
    number: str | None
    note: str | None
    location: str | None
    tags: list[str]
    values: list[ValueOut]
    created_at: str
    updated_at: str
    conflicts: list[dict[str, Any]] = Field(
        description="What two devices wrote without seeing each other; resolved by a mutation sent to /v1/holdings/sync."
    )
    unknown_attributes: list[UnknownAttributeOut] | None = Field(
        None, description="Advice, in the answer of one holding; it is kept all the same. Not part of the entity tag."
    )


class HoldingPageOut(OldPageOut):
    """One page of holdings, in the order of their ids or as `sort` says."""

    items: list[HoldingOut]
    total: int | None = Field(None, description="With count=true: how many there are on all pages.")


def read_patch(value: Any) -> Mapping[str, Any]:
    """A merge patch whose names are fields of a holding; their values are checked after the merge."""
    if not isinstance(value, dict):
        raise Invalid([Fault("type", "a merge patch of a holding is an object")])
    faults = []
    for name in value:
        if name not in FIELDS:
            near = nearest(name, FIELDS)
            hint = "an id never changes" if name == "id" else f"did you mean '{near}'?" if near else None
            faults.append(Fault("unknown-field", f"'{name[:80]}' cannot be changed here", f"/{escape(name)}", hint))
    if faults:
        raise Invalid(faults)
    return value


def read_fields(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The fields of a holding after a merge, checked."""
    return read(HoldingFields, data).model_dump()


def shown_holding(stored: StoredHolding) -> dict[str, Any]:
    times = {"created_at": stored.created_at, "updated_at": stored.updated_at}
    return {"id": stored.id, **with_defaults(stored.data), **times, "conflicts": list(stored.conflicts)}


def advised_holding(stored: StoredHolding, attributes: Attributes) -> dict[str, Any]:
    """The holding with the names among its facts that nobody declared."""
    return {**shown_holding(stored), "unknown_attributes": unknown_attributes(stored.data.get("facts", {}), attributes)}


def holding_tag(stored: StoredHolding) -> str:
    """Changes with every change; the content is in it too, since a restored database counts from an earlier state."""
    return entity_tag(stored.modseq, shown_holding(stored))

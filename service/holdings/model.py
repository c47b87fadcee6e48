"""A stored holding: the shape of what an owner records of one piece, and the merge of a patch into it. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType
from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
)

from service.errors import Fault, Invalid, Sentence
from service.facts.holding import MOST_CANDIDATE_ISSUES, MOST_FACTS, MOST_PIECES, pointer_step
from service.facts.recorded import RecordedFact, RecordedIssue
from service.facts.words import nearest
from service.formats.shapes import AttributeName, NewId, Shape, Text, read
from service.holdings.sync.record import ValueConflict
from service.rules.shape_messages import complaint

HOLDING_FIELDS = (
    *("facts", "issue", "quantity", "status", "number", "note", "location", "tags", "values"),
    *("mark", "price_paid", "bought_from", "bought_on", "photos"),
)
OWN_FIELDS = tuple(name for name in HOLDING_FIELDS if name != "facts")

MOST_VALUES = 20
MOST_PHOTOS = 100
DEAREST = 10**12
# Currencies have up to four places behind the point (ISO 4217, minor units); two more are for amounts worked out.
FINEST_PLACES = 6

Status = Literal["held", "for trade", "on approval", "ordered", "wanted", "sold", "lost", "stolen"]
Mark = Literal["keep", "replace"]
ValueBasis = Literal["paid", "market estimate", "insured", "replacement", "appraised"]
PhotoSide = Literal["obverse", "reverse", "edge"]


# --- the shape of what is recorded ---------------------------------------------------------------------------------------


def _issue(value: Any) -> Any:
    names = value["one_of"] if isinstance(value, dict) and set(value) == {"one_of"} else [value]
    fits = isinstance(names, list) and 1 <= len(names) <= MOST_CANDIDATE_ISSUES
    if value is None or (fits and all(isinstance(name, str) and 1 <= len(name) <= 200 for name in names)):
        return value
    raise complaint("issue", 'this is the id of a catalogue issue, or {"one_of": [ids]}')


def _amount(value: Any) -> int | Decimal:
    """The number as it came: what is stored is what was written, digit for digit."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value <= DEAREST:
        raise complaint("money", "an amount is a number from 0 to {most}", most=DEAREST)
    if isinstance(value, Decimal):
        exponent = value.as_tuple().exponent
        if value.is_signed() or not isinstance(exponent, int) or not -FINEST_PLACES <= exponent <= 0:
            message = Sentence(
                "an amount is written plainly, with up to {most} places behind the point",
                most=FINEST_PLACES,
            )
            raise complaint("money", message)
    return value


def _written_day(value: Any) -> str:
    try:
        if isinstance(value, str) and date.fromisoformat(value).isoformat() == value:
            return value
    except ValueError:
        pass
    raise complaint("date", "a date is written year-month-day, such as 2026-11-25")


def _taken_at(value: Any) -> str | None:
    """The moment in UTC, so that one moment is written in one way."""
    try:
        if isinstance(value, str) and 20 <= len(value) <= 40 and "T" in value:
            found = datetime.fromisoformat(value)
            if found.tzinfo is not None:
                return found.astimezone(UTC).isoformat().replace("+00:00", "Z")
    except (ValueError, OverflowError):
        pass
    if value is None:
        return None
    raise complaint("instant", "an instant is written as RFC 3339 has it, such as 2026-11-25T10:00:00Z")


_NAME = {"type": "string", "minLength": 1, "maxLength": 200}
_ONE_OF = {
    "type": "object",
    "properties": {"one_of": {"type": "array", "items": _NAME, "minItems": 1, "maxItems": MOST_CANDIDATE_ISSUES}},
    "required": ["one_of"],
    "additionalProperties": False,
}
NamedIssueIn = Annotated[Any, AfterValidator(_issue), WithJsonSchema({"anyOf": [_NAME, _ONE_OF, {"type": "null"}]})]
Currency = Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")]
Amount = Annotated[Any, BeforeValidator(_amount), WithJsonSchema({"type": "number", "minimum": 0, "maximum": DEAREST})]
WrittenDay = Annotated[str, BeforeValidator(_written_day), WithJsonSchema({"type": "string", "format": "date"})]


class ValueIn(Shape):
    """What one piece of the holding cost or is worth, in one currency. Of a holding of several like pieces the amount is
    for one of them, so that it stays true when a piece is sold."""

    basis: ValueBasis = Field(description="What the amount says.")
    amount: Amount = Field(description="For one piece; kept exactly as written, up to six places behind the point.")
    currency: Currency = Field(description="A code of three letters (ISO 4217).")
    on: WrittenDay | None = Field(None, description="The day that it was paid, estimated or agreed.")
    by: Annotated[Text, StringConstraints(min_length=1, max_length=200)] | None = Field(
        None, description="Who says so: a dealer, an appraiser, the owner."
    )
    note: Annotated[Text, StringConstraints(max_length=1_000)] | None = None


class PriceIn(Shape):
    """What one piece of the holding cost."""

    amount: Amount = Field(description="For one piece; kept exactly as written, up to six places behind the point.")
    currency: Currency = Field(description="A code of three letters (ISO 4217).")


_MOMENT = {"anyOf": [{"type": "string", "format": "date-time"}, {"type": "null"}]}
_SHA256 = "^[0-9a-f]{64}$"


class PhotoIn(Shape):
    """A photo of the piece. Its bytes come by themselves: PUT /v1/photos/{sha256}."""

    sha256: Annotated[str, StringConstraints(pattern=_SHA256)] = Field(
        description="The SHA-256 of the file that is sent, in hexadecimal; of one that was added in a request of its own, that "
        "of the image as it is kept."
    )
    side: PhotoSide = Field(description="What the photo shows.")
    taken_at: Annotated[str | None, BeforeValidator(_taken_at), WithJsonSchema(_MOMENT)] = Field(
        None, description="When it was taken, as far as that is known."
    )


class HoldingFields(Shape):
    """What an owner records of one piece."""

    facts: dict[AttributeName, Any] = Field(
        default_factory=dict, max_length=MOST_FACTS, description="What is known of the coin: attribute and value."
    )
    issue: NamedIssueIn = Field(None, description="The catalogue entry that it is, or several candidates.")
    quantity: int = Field(1, ge=1, le=MOST_PIECES, description="How many like pieces.")
    status: Status = Field(
        "held", description="Only pieces that are held count in evaluations: `held` and `for trade`."
    )
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
    mark: Mark | None = Field(
        None, description="keep: no upgrade is wanted, want lists leave it out; replace: they list it first."
    )
    price_paid: PriceIn | None = Field(None, description="What one piece cost the owner.")
    bought_from: Annotated[Text, StringConstraints(min_length=1, max_length=200)] | None = Field(
        None, description="The dealer, auction or person."
    )
    bought_on: WrittenDay | None = Field(None, description="The day of the purchase.")
    photos: list[PhotoIn] = Field(
        default_factory=list,
        max_length=MOST_PHOTOS,
        description="Photos of the piece, in any order; devices merge them one by one.",
    )


class NewHolding(HoldingFields):
    """A new holding."""

    id: NewId | None = Field(None, description="Made by the client, or left to the server.")


def read_fields(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """The fields of a holding, checked, with their defaults. Raises Invalid with every fault."""
    return read(HoldingFields, data).model_dump()


def faults_of_fields(data: Mapping[str, Any]) -> list[Fault]:
    """Everything wrong with the fields of a holding."""
    try:
        read(HoldingFields, data)
    except Invalid as refusal:
        return list(refusal.faults)
    return []


def are_right(name: str, values: list[Any]) -> bool:
    """Whether an own field may have each of these values: of many at once a fraction of the work."""
    try:
        _column(name).validate_python(values)
    except ValidationError:
        return False
    return True


@cache
def _column(name: str) -> TypeAdapter[list[Any]]:
    field = HoldingFields.model_fields[name]
    return TypeAdapter(list[Annotated[field.annotation, field]], config=ConfigDict(strict=True))  # type: ignore[name-defined]


def read_patch(value: Any) -> Mapping[str, Any]:
    """A merge patch whose names are fields of a holding; their values are checked after the merge."""
    if not isinstance(value, dict):
        raise Invalid([Fault("type", "a merge patch of a holding is an object")])
    faults = []
    for name in value:
        if name not in HOLDING_FIELDS:
            near = nearest(name, HOLDING_FIELDS)
            hint = (
                "an id never changes"
                if name == "id"
                else Sentence("did you mean '{near}'?", near=near)
                if near
                else None
            )
            faults.append(
                Fault.of(
                    "unknown-field", "'{name}' cannot be changed here", f"/{pointer_step(name)}", hint, name=name[:80]
                )
            )
    if faults:
        raise Invalid(faults)
    return value


# --- what is stored ------------------------------------------------------------------------------------------------------


class PieceValue(msgspec.Struct, frozen=True):
    """What one piece cost or is worth."""

    basis: ValueBasis
    amount: Annotated[Decimal, Meta(description="Exact: as it was written.", extra_json_schema={"minimum": 0})]
    currency: str
    on: str | UnsetType | None = UNSET
    by: str | UnsetType | None = UNSET
    note: str | UnsetType | None = UNSET


class PricePaid(msgspec.Struct, frozen=True):
    """What one piece cost."""

    amount: Annotated[Decimal, Meta(description="Exact: as it was written.", extra_json_schema={"minimum": 0})]
    currency: str


class HeldPhoto(msgspec.Struct, frozen=True):
    """A photo that a holding names; its bytes may be still to come."""

    sha256: Annotated[str, Meta(description="Names the photo: GET /v1/photos/{sha256}.")]
    side: PhotoSide
    taken_at: Annotated[str | None, Meta(extra_json_schema=_MOMENT)]


class RecordedHolding(msgspec.Struct):
    """What is recorded of a piece, under its id."""

    id: str
    facts: dict[str, RecordedFact]
    issue: RecordedIssue | None
    quantity: int
    status: Status
    number: str | None
    note: str | None
    location: str | None
    tags: list[str]
    values: list[PieceValue]
    mark: Mark | None
    price_paid: PricePaid | None
    bought_from: str | None
    bought_on: str | None
    photos: list[HeldPhoto]


@dataclass(frozen=True, slots=True)
class StoredHolding:
    """`data` has some of FIELDS, as plain values; what is left out has its default. `modseq` is the owner's state at the
    last change of this holding. `conflicts` are values and deletes of two devices that did not see each other."""

    id: str
    modseq: int
    created_modseq: int
    data: Mapping[str, Any]
    created_at: datetime
    updated_at: datetime
    conflicts: tuple[ValueConflict, ...] = ()


def with_defaults(data: Mapping[str, Any]) -> dict[str, Any]:
    """Every field of a holding, in a fixed order."""
    whole: dict[str, Any] = {
        "facts": {}, "issue": None, "quantity": 1, "status": "held",
        "number": None, "note": None, "location": None, "tags": [], "values": [],
        "mark": None, "price_paid": None, "bought_from": None, "bought_on": None, "photos": [],
    }  # fmt: skip
    for name in data:
        if name in whole:
            whole[name] = data[name]
    return whole


def merged(target: Any, patch: Any) -> Any:
    """JSON Merge Patch (RFC 7396, section 2): null removes, objects merge, everything else replaces. New values; neither
    argument is changed."""
    if not isinstance(patch, Mapping):
        return patch
    result = dict(target) if isinstance(target, Mapping) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


def of_changed(faults: Iterable[Fault], before: Mapping[str, Any], after: Mapping[str, Any]) -> list[Fault]:
    """The faults (pointers relative to the facts) of facts that a change touches. A fact that was recorded before a
    definition gave its name another type must not stop the owner from changing something else."""
    touched = {f"/{pointer_step(name)}" for name in after if after[name] != before.get(name)}
    return [fault for fault in faults if fault.pointer == "" or "/" + fault.pointer.split("/")[1] in touched]

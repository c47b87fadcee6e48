"""Reading plain values into wire models: unknown fields refused, nothing converted, every fault with its pointer."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, WithJsonSchema
from pydantic_core import ErrorDetails, PydanticCustomError

from service.database.ids import is_version_7, read_id
from service.errors import Fault, Invalid
from service.facts.attributes import nearest
from service.facts.holding import escape
from service.rules.shape_messages import shape_message

Model = TypeVar("Model", bound="In")


class In(BaseModel):
    """A request's body, or a part of it."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Out(BaseModel):
    """An answer, for the OpenAPI document only: answers are encoded from plain values. Unknown fields are to be
    ignored."""


def _identity(value: Any) -> str:
    identity = read_id(value) if isinstance(value, str) else None
    if identity is None or not is_version_7(identity):
        raise PydanticCustomError("id", "an id that you make yourself is a UUID of version 7 (RFC 9562)")
    return identity


def _day(value: Any) -> date:
    if isinstance(value, date):
        return value
    try:
        if isinstance(value, str) and len(value) == 10:
            return date.fromisoformat(value)
    except ValueError:
        pass
    raise PydanticCustomError("date", "a date is written year-month-day, such as 2026-11-25")


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


_UUID7 = {
    "type": "string",
    "format": "uuid",
    "pattern": "^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-7[0-9a-fA-F]{3}-[89abAB][0-9a-fA-F]{3}-[0-9a-fA-F]{12}$",
}
NewId = Annotated[str, BeforeValidator(_identity), WithJsonSchema(_UUID7)]
Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
# Text in composed form (NFC), so that what looks equal is equal.
Text = Annotated[str, AfterValidator(_composed)]


def read(model: type[Model], value: Any) -> Model:
    """The value as a wire model. Raises Invalid with every fault, pointers relative to the value."""
    try:
        return model.model_validate(value)
    except ValidationError as error:
        raise Invalid(_fault(model, entry) for entry in error.errors(include_url=False, include_input=False)) from None


def _fault(model: type[BaseModel], entry: ErrorDetails) -> Fault:
    kind = entry["type"]
    # pydantic marks the keys of a mapping.
    location = tuple(step for step in entry["loc"] if step != "[key]")
    at = pointer(location)
    if kind == "extra_forbidden":
        name = str(location[-1])
        near = nearest(name, model.model_fields) if len(location) == 1 else None
        hint = f"did you mean '{near}'?" if near else None
        return Fault("unknown-field", shape_message(kind, entry["msg"], location), at, hint)
    return Fault(kind.replace("_", "-"), shape_message(kind, entry["msg"], location), at)


def pointer(location: tuple[int | str, ...]) -> str:
    """A JSON pointer from a location."""
    return "".join(f"/{escape(str(step))}" for step in location)


def json_schema(models: Mapping[str, type[BaseModel]]) -> dict[str, Any]:
    """The JSON Schemas of the models by name, with references into the OpenAPI document's components."""
    schemas: dict[str, Any] = {}
    for name, model in models.items():
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(schema.pop("$defs", {}))
        schemas[name] = schema
    return schemas


class PageOut(Out):
    """One page of a list."""

    items: list[Any]
    next: str | None = Field(
        description="The address of the next page, the same as in the Link header; null on the last."
    )

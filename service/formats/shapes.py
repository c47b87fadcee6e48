"""Plain values (as JSON gives them) read as models: unknown members refused, nothing converted, every fault with its pointer."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Any, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    StringConstraints,
    ValidationError,
    WithJsonSchema,
)
from pydantic_core import ErrorDetails

from service.database.ids import is_version_7, read_id
from service.errors import Fault, Invalid, Sentence
from service.facts.holding import pointer_step
from service.facts.words import nearest
from service.rules.shape_messages import complaint, shape_message

Model = TypeVar("Model", bound="Shape")


class Shape(BaseModel):
    """The shape of a plain value."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def read(model: type[Model], value: Any) -> Model:
    """The value as the model. Raises Invalid with every fault, pointers relative to the value."""
    try:
        return model.model_validate(value)
    except ValidationError as error:
        raise Invalid(_fault(model, entry) for entry in error.errors(include_url=False, include_input=False)) from None


def pointer(location: tuple[int | str, ...]) -> str:
    """A JSON pointer (RFC 6901) of these steps."""
    return "".join(f"/{pointer_step(str(step))}" for step in location)


def _fault(model: type[BaseModel], entry: ErrorDetails) -> Fault:
    kind = entry["type"]
    # pydantic marks the keys of a mapping.
    location = tuple(step for step in entry["loc"] if step != "[key]")
    at = pointer(location)
    if kind == "extra_forbidden":
        name = str(location[-1])
        near = nearest(name, model.model_fields) if len(location) == 1 else None
        hint = Sentence("did you mean '{near}'?", near=near) if near else None
        return Fault("unknown-field", shape_message(kind, entry["msg"], location), at, hint)
    return Fault(kind.replace("_", "-"), shape_message(kind, entry["msg"], location, entry.get("ctx")), at)


def _identity(value: Any) -> str:
    identity = read_id(value) if isinstance(value, str) else None
    if identity is None or not is_version_7(identity):
        raise complaint("id", "an id that you make yourself is a UUID of version 7 (RFC 9562)")
    return identity


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


_UUID7 = {
    "type": "string",
    "format": "uuid",
    "pattern": "^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-7[0-9a-fA-F]{3}-[89abAB][0-9a-fA-F]{3}-[0-9a-fA-F]{12}$",
}
# An id that a client makes for a new thing.
NewId = Annotated[str, BeforeValidator(_identity), WithJsonSchema(_UUID7)]
# Text in composed form (NFC), so that what looks equal is equal.
Text = Annotated[str, AfterValidator(_composed)]
AttributeName = Annotated[str, StringConstraints(min_length=1, max_length=100)]

"""Wire models. Requests (In): unknown fields refused, nothing converted, every fault with its pointer. Answers (Out): structs
from which both the JSON and its schema follow."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, TypeVar

import msgspec
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    SecretStr,
    StringConstraints,
    WithJsonSchema,
)

from service.accounts.passwords import LONGEST
from service.database.ids import read_id
from service.errors import Sentence
from service.formats.shapes import NewId as NewId
from service.formats.shapes import Shape
from service.formats.shapes import Text as Text
from service.formats.shapes import read as read
from service.rules.shape_messages import complaint

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class OtherForm:
    """A media type beside JSON in which a body may come, and what the body is then."""

    meaning: str
    is_binary: bool = False


# Bodies that work as they are, by the name of their model, and by name and media type where that is not JSON. Tests send
# each; they put in the ids and secrets of the test's own data.
EXAMPLES: Mapping[str, Any] = msgspec.json.decode((Path(__file__).parent / "examples.json").read_bytes())


class In(Shape):
    """A request's body, or a part of it. `body_limit` names the setting that bounds its bytes; `other_forms` are media types
    that it may come in besides JSON, `codings` those that it may be compressed with (Content-Encoding). `is_read_by_parts`:
    what is wrong in one part of it is not looked for when it is received (see `parse_json_parts`)."""

    body_limit: ClassVar[str] = "body_bytes"
    codings: ClassVar[tuple[str, ...]] = ()
    is_read_by_parts: ClassVar[bool] = False
    other_forms: ClassVar[Mapping[str, OtherForm]] = {}


class QueryIn(BaseModel):
    """The query parameters of an operation; unknown ones are refused."""

    model_config = ConfigDict(extra="forbid")


class Out(msgspec.Struct):
    """An answer, or a part of it: its JSON and its schema both follow from the fields. A member that is left out in some
    answers has the type `X | UnsetType` and the default UNSET. Clients ignore members that they do not know."""


# Structs that only a union of `one_of` names; the document has their schemas too.
UNION_MEMBERS: list[type[msgspec.Struct]] = []


def one_of(*structs: type[msgspec.Struct]) -> Any:
    """The type of a member that is one of these structs, where no text member says which (for that: `tag_field`)."""
    UNION_MEMBERS.extend(structs)
    references = [{"$ref": f"#/components/schemas/{struct.__name__}"} for struct in structs]
    return Annotated[Any, msgspec.Meta(extra_json_schema={"anyOf": references})]


def _stored_identity(value: Any) -> str:
    identity = read_id(value) if isinstance(value, str) else None
    if identity is None:
        raise complaint("id", "an id is a UUID in its usual form, with hyphens (RFC 9562)")
    return identity


def _day(value: Any) -> date:
    if isinstance(value, date):
        return value
    try:
        if isinstance(value, str) and len(value) == 10:
            return date.fromisoformat(value)
    except ValueError:
        pass
    raise complaint("date", "a date is written year-month-day, such as 2026-11-25")


def id_of(kind: str) -> AfterValidator:
    """Reads the id of something kept here, in a query."""

    def read_it(value: str) -> str:
        identity = read_id(value)
        if identity is None:
            raise ValueError(Sentence("this is the id of a {kind}", kind=Sentence(kind)))
        return identity

    return AfterValidator(read_it)


_UUID = {"type": "string", "format": "uuid", "pattern": "^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$"}
StoredId = Annotated[str, BeforeValidator(_stored_identity), WithJsonSchema(_UUID)]
DefinitionName = Annotated[str, id_of("definition"), WithJsonSchema({"type": "string", "format": "uuid"})]
RevisionNumber = Annotated[int, Field(ge=1, le=2**31 - 1)]
Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]

# Controls, half surrogates, ends of lines and paragraphs.
_NOT_IN_A_NAME = frozenset(("Cc", "Cs", "Zl", "Zp"))


def _name(text: str) -> str:
    if text != text.strip() or any(unicodedata.category(letter) in _NOT_IN_A_NAME for letter in text):
        raise complaint("name", "a name is one line without spaces around it")
    return text


def _visible(text: str) -> str:
    # Two names that look the same are two accounts otherwise.
    if any(unicodedata.category(letter) == "Cf" for letter in text):
        raise complaint("name", "an account's name has no letters that cannot be seen")
    return text


def _secret(value: SecretStr) -> SecretStr:
    if not 1 <= len(value.get_secret_value()) <= LONGEST:
        raise complaint("secret", "this has 1 to {most} characters", most=LONGEST)
    return value


Name = Annotated[Text, StringConstraints(min_length=1, max_length=100), AfterValidator(_name)]
AccountName = Annotated[Name, AfterValidator(_visible)]
# What is checked against something kept: a fault never says how long it was.
Secret = Annotated[SecretStr, AfterValidator(_secret)]


def json_schema(models: Mapping[str, type[BaseModel]]) -> dict[str, Any]:
    """The JSON Schemas of the models by name, with references into the OpenAPI document's components."""
    schemas: dict[str, Any] = {}
    for name, model in models.items():
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        for part, found in [*schema.pop("$defs", {}).items(), (name, schema)]:
            for member in found.get("properties", {}).values():
                # That a member may be left out says `required`; null is not always a value of its schema.
                if member.get("default", ...) is None:
                    del member["default"]
            if schemas.setdefault(part, found) != found:
                raise TypeError(f"there are two schemas {part}")
    return schemas


DEAREST = 10**12


def _money(value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not 0 <= value <= DEAREST:
        raise complaint("money", "a sum of money is a number from 0 to {most}", most=DEAREST)
    return Decimal(value)


Money = Annotated[
    Decimal, BeforeValidator(_money), WithJsonSchema({"type": "number", "minimum": 0, "maximum": DEAREST})
]
# A set definition as its author wrote it.
SetDocument = Annotated[
    dict[str, Any], msgspec.Meta(description="A set definition: its schema is at /v1/schemas/set-definition.")
]


class PageOut(Out, Generic[Item]):
    """One page of a list."""

    items: list[Item]
    next: Annotated[
        str | None,
        msgspec.Meta(description="The address of the next page, the same as in the Link header; null on the last."),
    ]

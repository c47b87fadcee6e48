"""The definition document (`"format": "set-definition/1"`): JSON or YAML <-> Definition.

Two shapes, one border: the models here are the JSON shape; past `read` types cannot be wrong. Every fault is found at
once, with its JSON pointer; faults in a rule's text carry line and column too.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Annotated, Any, Literal

import rfc8785
from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from service.errors import Fault, Invalid, OverLimit, Sentence
from service.facts.holding import pointer_step
from service.facts.kinds import value_kind_of
from service.facts.vocabulary import Vocabulary
from service.rules.binding import DefinitionBinder
from service.rules.constraints import CONSTRAINT_KINDS, CONSTRAINT_MEMBERS
from service.rules.definition import MOST_PLACES, Definition
from service.rules.preferences import PREFERENCE_KINDS
from service.rules.shape_messages import shape_message
from service.rules.vocabularies import MOST_VOCABULARIES, VocabularyIn

_Identity = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^/\s\x00-\x1f][^/\x00-\x1f]*$")]
_Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]
_Line = Annotated[str, Field(max_length=500)]
_Prose = Annotated[str, Field(max_length=10_000)]
_Words = Annotated[str, Field(max_length=4_000, description="plain text")]
_RuleIn = Annotated[str | bool | dict[str, Any], Field(description="CQL2 text, or CQL2 JSON (OGC 21-065r2)")]
_Names = Annotated[list[_Name], Field(min_length=1, max_length=20)]
_Tier = Literal["required", "optional"]
_Number = int | float | Decimal
_MOST_KEY_PARTS = 5


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class AttributeIn(_Model):
    """An attribute that the definition adds to the core ones."""

    name: _Name
    type: Literal["text", "integer", "decimal", "boolean", "date", "timestamp"]
    many: bool = False
    unit: _Line | None = None
    vocabulary: _Line | None = None
    values: Annotated[list[_Line], Field(max_length=1_000)] = []
    label: _Line = ""
    help: _Prose = ""
    look_at: _Line = ""


_Addresses = Annotated[list[_Line], Field(max_length=200, description="ids of slots or groups, or addresses of places")]

_MEMBER_TYPES: dict[str, Any] = {
    "rule": _RuleIn | None,
    "attribute": _Name | None,
    "names": _Name | _Names | None,
    "values": Annotated[list[_Line], Field(max_length=1_000)] | None,
    "places": Annotated[list[_Line], Field(min_length=1, max_length=MOST_PLACES)] | None,
    "place": _Line | None,
    "count": Annotated[int, Field(ge=0, le=MOST_PLACES)] | None,
}
"""The types of the members that kinds of preferences and constraints name; each may be left out."""


def _with_members(name: str, meaning: str, members: Mapping[str, str], **first: Any) -> type[_Model]:
    """A model with the members of every kind of a table, after those of `first`."""
    fields = {member: (_MEMBER_TYPES[kind], None) for member, kind in members.items()}
    model: type[_Model] = create_model(name, __base__=_Model, __doc__=meaning, **{**first, **fields})
    return model


PreferenceIn = _with_members(
    "PreferenceIn",
    "One criterion: `where`, `highest`, `lowest`, or `order` with `values`.",
    {member: type_ for kind in PREFERENCE_KINDS.values() for member, type_ in kind.members.items()},
)
_Prefer = Annotated[list[PreferenceIn], Field(max_length=20)]  # type: ignore[valid-type]


class SlotIn(_Model):
    """One place."""

    id: _Identity
    label: _Words = ""
    note: _Words = ""
    accepts: _RuleIn
    tier: _Tier = "required"
    prefer: _Prefer = []
    look_at: _Line = ""


class BandIn(_Model):
    """A named band of a number or date: its ends belong to it; one may be left out."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=True)

    key: _Line
    low: _Number | _Line | None = Field(default=None, alias="from")
    high: _Number | _Line | None = Field(default=None, alias="to")


_Bands = Annotated[list[BandIn], Field(min_length=1, max_length=MOST_PLACES)]
_Width = Annotated[_Number, Field(gt=0)]


class KeyPartIn(_Model):
    """One attribute of a key, cut into spans (`band`) or named bands (`bands`); `none`: known to be none is a key too."""

    attribute: _Name
    band: _Width | None = None
    bands: _Bands | None = None
    none: bool = False


class NoneIn(_Model):
    """Known to be none."""

    none: Literal[True]


_KeyValue = _Number | _Line | bool | NoneIn


class KeysIn(_Model):
    """Where the keys of a one-per group come from."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=True)

    source: Literal["holdings", "list", "vocabulary", "catalogue"] = Field(alias="from")
    values: (
        Annotated[
            list[_KeyValue | Annotated[list[_KeyValue], Field(min_length=1, max_length=_MOST_KEY_PARTS)]],
            Field(max_length=MOST_PLACES, description="Keys; of several attributes, lists of one value for each."),
        ]
        | None
    ) = None
    name: _Line | None = None
    where: _RuleIn | None = None
    level: Literal["narrowest"] | dict[Literal["children_of"], _Line] | None = None


class OnePerIn(_Model):
    """One place for each key of an attribute, or of several together."""

    id: _Identity
    attribute: _Name | Annotated[list[_Name | KeyPartIn], Field(min_length=1, max_length=_MOST_KEY_PARTS)]
    band: _Width | None = None
    bands: _Bands | None = None
    none: bool = False
    label: _Words = "{key}"
    note: _Words = ""
    accepts: _RuleIn | None = None
    keys: KeysIn
    tier: _Tier = "required"
    prefer: _Prefer = []
    look_at: _Line = ""


class AtMostIn(_Model):
    """No more than `count` coins of the group share a key (`per`) or fit a rule (`where`)."""

    per: _Name | _Names | None = None
    where: _RuleIn | None = None
    count: Annotated[int, Field(ge=0, le=MOST_PLACES)]


class FreeChoiceIn(_Model):
    """Places that take any coin fitting one rule."""

    id: _Identity
    label: _Words = ""
    note: _Words = ""
    places: Annotated[int, Field(ge=1, le=MOST_PLACES)]
    accepts: _RuleIn
    distinct: Annotated[list[_Name], Field(max_length=20)] = []
    at_most: Annotated[list[AtMostIn], Field(max_length=50)] = []
    tier: _Tier = "required"
    prefer: _Prefer = []
    look_at: _Line = ""


ConstraintIn = _with_members(
    "ConstraintIn",
    "A rule over several places; `places` left out is the whole set.",
    CONSTRAINT_MEMBERS,
    id=(_Identity, ...),
    label=(_Words, ""),
    note=(_Words, ""),
    kind=(Literal[tuple(CONSTRAINT_KINDS)], ...),
)


class PageIn(_Model):
    """One page of the layout."""

    page: _Line
    label: _Words = ""
    note: _Words = ""
    slots: Annotated[list[_Line], Field(max_length=MOST_PLACES)]


class PresumptionIn(_Model):
    """Facts that are presumed of every coin that surely fits `where`, as far as nothing is recorded of them; left out: of
    every coin."""

    where: _RuleIn | None = None
    facts: dict[_Name, Any]


class IdentificationIn(_Model):
    """The catalogue is complete for coins that surely fit `where`; `issues` lists the issues where not all of it counts."""

    where: _RuleIn
    issues: Annotated[list[_Line], Field(min_length=1, max_length=1_000)] | None = None


class ExampleIn(_Model):
    """A test case of the author's: the facts of a coin, the places that it has to fit and those that it must not fit."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=True)

    label: _Words = ""
    facts: dict[_Name, Any]
    fits: _Addresses = []
    fails: _Addresses = Field(default=[], alias="not")


class DocumentIn(_Model):
    """A set definition."""

    format: Literal["set-definition/1"]
    title: Annotated[str, Field(min_length=1, max_length=200)]
    summary: _Prose = ""
    language: Annotated[str, Field(max_length=35, description="a BCP 47 language tag")] = "en"
    authors: Annotated[list[_Line], Field(max_length=100)] = []
    licence: _Line = ""
    vocabularies: Annotated[
        list[VocabularyIn],
        Field(
            max_length=MOST_VOCABULARIES, description="Small ones of its own, and additions to those that are there."
        ),
    ] = []
    attributes: Annotated[list[AttributeIn], Field(max_length=200)] = []
    scope: _RuleIn | None = None
    presume: Annotated[list[PresumptionIn], Field(max_length=200)] = []
    identify: Annotated[list[IdentificationIn], Field(max_length=200)] = []
    prefer: _Prefer = []
    slots: Annotated[list[SlotIn], Field(max_length=MOST_PLACES)] = []
    one_per: Annotated[list[OnePerIn], Field(max_length=200)] = []
    free_choice: Annotated[list[FreeChoiceIn], Field(max_length=200)] = []
    constraints: Annotated[list[ConstraintIn], Field(max_length=200)] = []  # type: ignore[valid-type]
    layout: Annotated[list[PageIn], Field(max_length=500)] = []
    examples: Annotated[list[ExampleIn], Field(max_length=200)] = []


MEMBERS = frozenset(DocumentIn.model_fields)


SCHEMA_ID = "urn:uuid:ba5e494c-fb71-50e5-8ff3-c505deeb5ce3"
"""The name of the schema wherever no server serves it: a file has no address that holds everywhere."""


def document_schema(identity: str = SCHEMA_ID) -> dict[str, Any]:
    """The JSON Schema (2020-12) of the document; `identity` is its absolute URI, the address where it is served."""
    schema = DocumentIn.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": identity, **schema}


_SECTIONS: dict[str, type[BaseModel]] = {
    "vocabularies": VocabularyIn,
    "attributes": AttributeIn,
    "presume": PresumptionIn,
    "identify": IdentificationIn,
    "prefer": PreferenceIn,
    "slots": SlotIn,
    "one_per": OnePerIn,
    "free_choice": FreeChoiceIn,
    "constraints": ConstraintIn,
    "layout": PageIn,
    "examples": ExampleIn,
}


def read_definition(document: Any, *, vocabularies: Mapping[str, Vocabulary]) -> Definition:
    """The checked definition. Raises Invalid with every fault, pointers relative to the document."""
    if not isinstance(document, Mapping):
        raise Invalid([Fault.of("type", "a definition is an object, not {kind}", kind=value_kind_of(document))])
    unsayable = list(_unsayable(document))
    if unsayable:
        raise Invalid(unsayable)
    shape, faults = _shape_of(document)
    meaning = DefinitionBinder(shape, vocabularies)
    if faults:
        # What has the right shape is checked for its sense all the same, so that all complaints come at once.
        raise Invalid([*faults, *meaning.faults_found()])
    return meaning.definition(document, document_digest(document))


def _shape_of(document: Mapping[str, Any]) -> tuple[dict[str, Any], list[Fault]]:
    """The document's members with defaults filled in. An entry of a list that is not right is None there; so is the one
    entry of a list that is not right as a whole."""
    lists = {name: document[name] for name in _SECTIONS if isinstance(document.get(name), list)}
    frame, faults = _validated(DocumentIn, {**document, **{name: [] for name in lists}}, "")
    shape = frame or {**_DEFAULTS, "title": ""}
    shape |= {name: [None] for name in _SECTIONS if name in document and name not in lists}
    for name, items in lists.items():
        if len(items) > _longest(name):
            message = Sentence(
                "`{name}` has {count} entries; at most {most} are taken",
                name=name,
                count=len(items),
                most=_longest(name),
            )
            faults.append(Fault("over-limit", message, f"/{name}"))
            shape[name] = [None]
            continue
        shape[name] = []
        for place, item in enumerate(items):
            entry, wrong = _validated(_SECTIONS[name], item, f"/{name}/{place}")
            shape[name].append(entry)
            faults.extend(wrong)
    return shape, faults


def _validated(model: type[BaseModel], value: Any, pointer: str) -> tuple[dict[str, Any] | None, list[Fault]]:
    try:
        return model.model_validate(value).model_dump(by_alias=True), []
    except ValidationError as error:
        return None, [fault.under(pointer) for fault in _shape_faults(error, value)]


def _longest(name: str) -> int:
    limits: Iterator[int | None] = (
        getattr(rule, "max_length", None) for rule in DocumentIn.model_fields[name].metadata
    )
    return next(limit for limit in limits if limit is not None)


_DEFAULTS: dict[str, Any] = DocumentIn(format="set-definition/1", title="?").model_dump(by_alias=True)


_DEEPEST, _LARGEST_WHOLE, _MOST_FAULTS = 96, 2**53, 100


def _unsayable(document: Mapping[str, Any]) -> Iterator[Fault]:
    """What canonical JSON has no bytes for: odd types, numbers past a double, lone surrogates, endless depth."""
    waiting: list[tuple[Any, str, int]] = [(document, "", 0)]
    found = 0
    while waiting and found < _MOST_FAULTS:
        value, pointer, depth = waiting.pop()
        fault: Fault | None = None
        if depth > _DEEPEST:
            raise OverLimit(
                [Fault.of("over-limit", "the document is nested deeper than {most}", pointer[:200], most=_DEEPEST)]
            )
        if isinstance(value, Mapping):
            for name, item in reversed(list(value.items())):
                if not isinstance(name, str) or not _is_sayable(name):
                    found += 1
                    yield Fault("shape", "names of members are texts without lone surrogates", pointer)
                else:
                    waiting.append((item, f"{pointer}/{pointer_step(name)}", depth + 1))
        elif isinstance(value, list):
            waiting.extend((item, f"{pointer}/{at}", depth + 1) for at, item in reversed(list(enumerate(value))))
        elif isinstance(value, str):
            if not _is_sayable(value):
                fault = Fault("shape", "a text has no lone surrogates", pointer)
        elif isinstance(value, int | float | Decimal):
            if isinstance(value, int) and abs(value) > _LARGEST_WHOLE:
                fault = Fault("value", "a whole number is at most 2^53 here, so that every reader keeps it", pointer)
            elif not math.isfinite(value) or math.isinf(float(value)):
                fault = Fault("value", "a number is finite here, and within the range of a double", pointer)
        elif value is not None:
            fault = Fault.of("type", "JSON has no such value as {name}", pointer, name=type(value).__name__)
        if fault is not None:
            found += 1
            yield fault


def _is_sayable(text: str) -> bool:
    return not any(0xD800 <= ord(character) <= 0xDFFF for character in text)


def document_digest(document: Mapping[str, Any]) -> str:
    """The document's identity: `sha-256:` and the hexadecimal SHA-256 of its canonical JSON (RFC 8785)."""
    return f"sha-256:{hashlib.sha256(canonical_json(document)).hexdigest()}"


def canonical_json(value: Any) -> bytes:
    """Canonical JSON (RFC 8785). Its numbers are IEEE 754 doubles, so decimals are taken as such."""
    return rfc8785.dumps(_as_doubles(value))


def _as_doubles(value: Any) -> Any:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, Mapping):
        return {name: _as_doubles(item) for name, item in value.items()}
    return [_as_doubles(item) for item in value] if isinstance(value, list) else value


# --- faults of shape ------------------------------------------------------------------------------------------------


def _shape_faults(error: ValidationError, document: Any) -> list[Fault]:
    faults: dict[str, Fault] = {}
    for entry in error.errors(include_url=False, include_input=False):
        path = _members(entry["loc"], document)
        pointer = "".join(f"/{pointer_step(str(step))}" for step in path)
        faults.setdefault(
            pointer, Fault("shape", shape_message(entry["type"], entry["msg"], path, entry.get("ctx")), pointer)
        )
    return list(faults.values())


def _members(path: Sequence[int | str], document: Any) -> list[int | str]:
    """The steps of an error's path that are members of the document (tags of unions are none), with a missing member at the
    end."""
    found: list[int | str] = []
    here = document
    for place, step in enumerate(path):
        if (isinstance(here, Mapping) and step in here) or (
            isinstance(here, list) and isinstance(step, int) and step < len(here)
        ):
            here = here[step]  # type: ignore[index]
        elif not (place == len(path) - 1 and isinstance(here, Mapping)) or "[" in str(step) or step in _TAGS:
            continue
        found.append(step)
    return found


_TAGS = {"str", "bool", "constrained-str", "dict"}

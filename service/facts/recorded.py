"""Facts as they are written in JSON: types for answers, with their schemas (rules.md, section 1)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from msgspec import Meta

_TEXT = {"type": "string"}
_NONE: dict[str, Any] = {"type": "object", "properties": {"none": {"const": True}}, "required": ["none"]}
_ONE: list[dict[str, Any]] = [_TEXT, {"type": "number"}, {"type": "boolean"}]
_VALUES: list[dict[str, Any]] = [*_ONE, {"type": "array", "items": _TEXT}, _NONE]
_END = {"anyOf": [_TEXT, {"type": "number"}]}

# Components of the OpenAPI document, to which the types below refer.
SCHEMAS: Mapping[str, Mapping[str, Any]] = {
    "RecordedValue": {
        "description": 'A value of an attribute: text, number, boolean, list of texts; or {"none": true}: known to have none.',
        "anyOf": _VALUES,
    },
    "RecordedFact": {
        "description": (
            'What is known of an attribute: a value, {"one_of": [values]}, a range {"from", "to"}, or {"has", "perhaps"}: '
            "a list of which some is uncertain."
        ),
        "anyOf": [
            *_VALUES,
            {
                "type": "object",
                "properties": {"one_of": {"type": "array", "items": {"$ref": "#/components/schemas/RecordedValue"}}},
                "required": ["one_of"],
            },
            {"type": "object", "properties": {"from": _END, "to": _END}, "minProperties": 1},
            {
                "type": "object",
                "properties": {
                    "has": {"type": "array", "items": _TEXT},
                    "perhaps": {"type": "array", "items": _TEXT},
                },
                "minProperties": 1,
            },
        ],
    },
    "RecordedKey": {
        "description": "A key of a one-per group: a value; of several attributes a list of one value for each.",
        # No list of texts beside the list of values: generated clients would not tell them apart.
        "anyOf": [*_ONE, {"type": "array", "items": {"anyOf": [*_ONE, _NONE]}}, _NONE],
    },
    "RecordedIssue": {
        "description": 'The id of a catalogue issue, or {"one_of": [ids]}.',
        "anyOf": [
            _TEXT,
            {
                "type": "object",
                "properties": {"one_of": {"type": "array", "items": _TEXT}},
                "required": ["one_of"],
            },
        ],
    },
}


def _component(name: str) -> Any:
    return Annotated[Any, Meta(extra_json_schema={"$ref": f"#/components/schemas/{name}"})]


if TYPE_CHECKING:
    RecordedValue = Any
    RecordedFact = Any
    RecordedIssue = Any
    RecordedKey = Any
else:
    RecordedValue = _component("RecordedValue")
    RecordedFact = _component("RecordedFact")
    RecordedIssue = _component("RecordedIssue")
    RecordedKey = _component("RecordedKey")

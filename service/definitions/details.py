"""A revision in full, as its owner reads it: the document, its rules in both forms, and the whole in words."""

from __future__ import annotations

from typing import Annotated, Any

from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.definitions.model import DefinitionSummary, Revision
from service.rules.definition import Definition
from service.rules.wording import describe_definition


class RuleForms(Struct, frozen=True):
    """One rule of the document in both forms."""

    pointer: Annotated[str, Meta(description="Where it is in the document: a JSON pointer.")]
    text: str
    json: Annotated[bool | dict[str, Any], Meta(description="CQL2 JSON.")]


class DefinitionDetails(DefinitionSummary, frozen=True):
    """A definition, or one revision of it."""

    document: Annotated[
        dict[str, Any], Meta(description="A set definition: its schema is at /v1/schemas/set-definition.")
    ]
    rules: list[RuleForms]
    in_words: Annotated[list[str], Meta(description="The definition read aloud, in plain sentences.")]


def details_of(revision: Revision, definition: Definition) -> DefinitionDetails:
    """The revision in full; `definition` is its document, read."""
    return DefinitionDetails(
        **asdict(revision.summary),
        document=dict(revision.document),
        rules=[RuleForms(rule.at, rule.text, rule.expression.json) for rule in definition.rules()],
        in_words=describe_definition(definition),
    )

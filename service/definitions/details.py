"""A revision in full, as its owner reads it: the document, its rules in both forms, and the whole in words."""

from __future__ import annotations

from typing import Annotated, Any

from msgspec import Meta, Struct
from msgspec.structs import asdict

from service.definitions.model import DefinitionSummary, Revision
from service.rules.definition import Definition
from service.rules.phrases import ENGLISH_SPEECH, Speech
from service.rules.wording import describe_definition, places_in_words

# Definitions whose words were made last, and are kept: of 500 places making them takes some milliseconds.
_MOST_WORDED = 16
_WORDED: dict[tuple[int, str], tuple[Definition, list[str], dict[str, str]]] = {}


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
    places_in_words: Annotated[
        dict[str, str],
        Meta(description="What each slot, and each place of a group, takes, by the id of the slot or group."),
    ]


def details_of(revision: Revision, definition: Definition, speech: Speech = ENGLISH_SPEECH) -> DefinitionDetails:
    """The revision in full; `definition` is its document, read, `speech` the language of its words."""
    sentences, places = _in_words(definition, speech)
    return DefinitionDetails(
        **asdict(revision.summary),
        document=dict(revision.document),
        rules=[RuleForms(rule.at, rule.text, rule.expression.json) for rule in definition.rules()],
        in_words=sentences,
        places_in_words=places,
    )


def _in_words(definition: Definition, speech: Speech) -> tuple[list[str], dict[str, str]]:
    """Of the very same definition the same sentences. Each step is one of the interpreter's: other threads change the table."""
    key = (id(definition), speech.tag)
    found = _WORDED.pop(key, None)
    if found is None or found[0] is not definition:
        found = (definition, describe_definition(definition, speech), places_in_words(definition, speech))
    _WORDED[key] = found
    for oldest in list(_WORDED)[:-_MOST_WORDED]:
        _WORDED.pop(oldest, None)
    return found[1], found[2]

"""Stored definitions on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.definitions.model import Revision, StoredDefinition
from service.http.conditional import entity_tag
from service.http.wire import In, NewId, OldOut, OldPageOut
from service.rules.definition import Definition
from service.rules.document import rules_of
from service.rules.wording import read_aloud


class DraftIn(In):
    """A new draft."""

    document: dict[str, Any] = Field(description="A set definition: see /v1/schemas/set-definition.")


class DefinitionIn(DraftIn):
    """A new definition."""

    id: NewId | None = Field(None, description="Made by the client, or left to the server.")


class RuleOut(OldOut):
    """One rule of the document in both forms."""

    pointer: str
    text: str
    json_: Any = Field(alias="json")


class DefinitionSummaryOut(OldOut):
    """A definition, or one revision of it, in a list."""

    id: str
    status: Literal["draft", "published", "withdrawn"]
    revision: int = Field(description="The revision's number; a draft bears the number that it will be published as.")
    digest: str
    title: str
    created_at: str
    updated_at: str
    withdrawn_at: str | None = Field(None, description="Of a withdrawn revision; it stays readable as it is.")
    withdrawn_because: str | None = None


class DefinitionOut(DefinitionSummaryOut):
    """A definition, or one revision of it."""

    document: dict[str, Any]
    rules: list[RuleOut]
    in_words: list[str] = Field(description="The definition read aloud, in plain sentences.")


class DefinitionPageOut(OldPageOut):
    """One page of definitions."""

    items: list[DefinitionSummaryOut]


def summary(revision: Revision) -> dict[str, Any]:
    return {
        "id": revision.definition,
        "status": revision.status,
        "revision": revision.number,
        "digest": revision.digest,
        "title": revision.title,
        "created_at": revision.created_at,
        "updated_at": revision.updated_at,
        "withdrawn_at": revision.withdrawn_at,
        "withdrawn_because": revision.withdrawn_because,
    }


def shown_revision(revision: Revision, definition: Definition) -> dict[str, Any]:
    return {
        **summary(revision),
        "document": revision.document,
        "rules": rules_of(definition),
        "in_words": read_aloud(definition),
    }


def line_tag(line: StoredDefinition) -> str:
    return entity_tag(line.id, line.version)


def revision_tag(revision: Revision) -> str:
    gone = () if revision.withdrawn_at is None else (revision.withdrawn_at,)
    return entity_tag(revision.definition, revision.number, revision.digest, *gone)

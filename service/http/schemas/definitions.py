"""Stored definitions on the wire."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from service.definitions.model import Revision
from service.http.wire import OldOut


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

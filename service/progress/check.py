"""The answer to the check of a definition. Pure."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from service.analysis.findings import Finding, FindingCounts


class CheckedDefinition(Struct, frozen=True):
    """Which definition was checked; one that came with the request has no id and no revision."""

    id: str | None
    revision: int | None
    digest: Annotated[str | None, Meta(description="null: the document cannot be read.")]


class DefinitionCheck(Struct, frozen=True):
    """The findings on a definition."""

    definition: CheckedDefinition
    counts: FindingCounts
    findings: list[Finding]
    reference_edition: str
    engine_version: str

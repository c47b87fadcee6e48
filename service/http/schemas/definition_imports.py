"""Imports of definitions, copies and origins on the wire."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, StringConstraints, model_validator

from service.errors import Fault, Invalid
from service.formats.strict_json import YAML
from service.http.conditional import entity_tag
from service.http.declared import Body
from service.http.schemas.definitions import DefinitionOut
from service.http.schemas.evaluations import FindingOut
from service.http.wire import In, NewId, OldOut, OldPageOut, read
from service.reference import actions as reference
from service.rules.document import read as read_document
from service.sharing.actions.imports import ImportRequest
from service.sharing.documents import SentDocument
from service.sharing.model import DefinitionImport, Origin, OriginRevision

Digest = Annotated[str, StringConstraints(pattern="^sha-256:[0-9a-f]{64}$")]
Kind = Literal["share", "file", "own", "club"]


class DefinitionImportIn(In):
    """What to bring: a link, or a document."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["from"]}, {"required": ["document"]}]})

    from_: Annotated[str, StringConstraints(max_length=2_000)] | None = Field(
        None,
        alias="from",
        description="A link that somebody shared, or the address of a set definition in JSON or YAML: https, a host's name with "
        "public addresses, 1 MiB, 10 seconds.",
    )
    document: dict[str, Any] | None = Field(None, description="A set definition: see /v1/schemas/set-definition.")
    digest: Digest | None = Field(None, description="What the document's digest has to be, if you know.")

    @model_validator(mode="after")
    def _has_one(self) -> DefinitionImportIn:
        if (self.from_ is None) == (self.document is None):
            raise ValueError("an import has either `from` or `document`")
        return self


class CopyIn(In):
    """How to copy."""

    id: NewId | None = Field(None, description="Of the new definition, made by the client; or left to the server.")
    revision: int | None = Field(None, ge=1, le=2**31 - 1, description="Left out: the newest published one.")
    title: Annotated[str, StringConstraints(min_length=1, max_length=200)] | None = Field(
        None, description="The copy's; left out: the same."
    )


class DefinitionImportSummaryOut(OldOut):
    """An import in a list."""

    id: str
    status: Literal["waiting", "confirmed"]
    kind: Kind
    address: str | None = Field(description="Where it was fetched. A link is a key: keep it to yourself.")
    title: str
    revision: int | None = Field(description="Its number at the origin, if that said one.")
    digest: str
    counts: dict[str, int] = Field(description="Of the check's findings, by severity.")
    created_at: datetime
    expires_at: datetime = Field(description="From then on the import is gone.")
    definition: str | None = Field(description="What became of it.")


class DefinitionImportOut(DefinitionImportSummaryOut):
    """An import, with all there is to look at before saying yes."""

    document: dict[str, Any]
    in_words: list[str]
    findings: list[FindingOut]


class DefinitionImportPageOut(OldPageOut):
    """One page of imports."""

    items: list[DefinitionImportSummaryOut]


class OfferedSummaryOut(OldOut):
    """A newer revision of the origin."""

    revision: int
    digest: str
    title: str
    fetched_at: datetime


class OfferedOut(OfferedSummaryOut):
    """A newer revision of the origin, with its document."""

    document: dict[str, Any]


class OriginOut(OldOut):
    """Where a definition came from, as its owner sees it."""

    kind: Kind
    address: str | None = Field(description="A link is a key: keep it to yourself.")
    definition: str | None = Field(description="The definition of yours that was copied.")
    title: str
    revision: int | None
    digest: str
    recorded_at: datetime
    newest_revision: int | None = Field(description="The newest that is known at the origin.")
    checked_at: datetime | None
    next_check_at: datetime | None = Field(description="After failures: before this the origin is not asked again.")
    failures: int = Field(description="In a row.")
    last_problem: str | None = Field(description="The kind of problem of the last failure: see /problems.")
    available: list[OfferedSummaryOut]


class OriginProblemOut(OldOut):
    """Why a check failed."""

    type: str
    title: str
    detail: str


class OriginCheckOut(OldOut):
    """What asking the origin came to."""

    outcome: Literal["unchanged", "newer", "failed"]
    problem: OriginProblemOut | None
    origin: OriginOut


class PullIn(In):
    """Which revision of the origin to take in."""

    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the newest that is known; ask the origin first."
    )
    keep: Literal["mine", "theirs"] = Field("mine", description="What the draft has where both changed the same thing.")


class PulledOut(OldOut):
    """The revision of the origin that was taken in."""

    revision: int
    digest: str


class MergeConflictOut(OldOut):
    """Both changed it in different ways; a side on which it is not there is left out."""

    path: str = Field(description="Where it is, by ids: /slots/crown-1/accepts.")
    pointer: str = Field(description="Where that is in the draft, or the nearest that is there.")
    base: Any = None
    mine: Any = None
    theirs: Any = None


class PullOut(OldOut):
    """What came of a three-way merge."""

    pulled: PulledOut
    kept: Literal["mine", "theirs"]
    conflicts: list[MergeConflictOut]
    draft: DefinitionOut


def asked_for(body: Body) -> ImportRequest:
    """A file may be the document itself."""
    if body.kind == YAML or (isinstance(body.value, dict) and "format" in body.value):
        if not isinstance(body.value, dict):
            raise Invalid([Fault("type", "a definition is an object")])
        return ImportRequest(sent=SentDocument(body.value))
    try:
        sent = read(DefinitionImportIn, body.value)
    except Invalid as refusal:
        document = body.value.get("document") if isinstance(body.value, dict) else None
        # When its form is wrong, what is wrong with the document is told along.
        raise Invalid([*refusal.faults, *_faults_of(document)]) from None
    if sent.document is None:
        return ImportRequest(address=sent.from_, digest=sent.digest)
    return ImportRequest(sent=SentDocument(sent.document, "/document"), digest=sent.digest)


def _faults_of(document: Any) -> Sequence[Fault]:
    if isinstance(document, dict):
        try:
            read_document(document, vocabularies=reference.vocabularies())
        except Invalid as refusal:
            return refusal.under("/document").faults
    return ()


def summary_of_import(brought: DefinitionImport) -> dict[str, Any]:
    return {
        "id": brought.id,
        "status": "waiting" if brought.definition is None else "confirmed",
        "kind": brought.kind,
        "address": brought.address,
        "title": brought.title,
        "revision": brought.revision,
        "digest": brought.digest,
        "counts": brought.counts,
        "created_at": brought.created_at,
        "expires_at": brought.expires_at,
        "definition": brought.definition,
    }


def shown_import(brought: DefinitionImport) -> dict[str, Any]:
    return {**summary_of_import(brought), "document": brought.document, **(brought.findings or {})}


def import_tag(brought: DefinitionImport) -> str:
    return entity_tag("import", brought.id, brought.definition)


def summary_of_offered(offered: OriginRevision) -> dict[str, Any]:
    return {
        "revision": offered.number,
        "digest": offered.digest,
        "title": offered.title,
        "fetched_at": offered.fetched_at,
    }


def shown_origin(origin: Origin, offered: Sequence[OriginRevision]) -> dict[str, Any]:
    return {
        "kind": origin.kind,
        "address": origin.address,
        "definition": origin.source,
        "title": origin.title,
        "revision": origin.revision,
        "digest": origin.digest,
        "recorded_at": origin.recorded_at,
        "newest_revision": origin.newest,
        "checked_at": origin.checked_at,
        "next_check_at": origin.next_check_at,
        "failures": origin.failures,
        "last_problem": origin.problem,
        "available": [summary_of_offered(revision) for revision in offered],
    }


def origin_tag(origin: Origin) -> str:
    """Whatever a check changes changes the moment of the check."""
    return entity_tag("origin", origin.recorded_at, origin.checked_at, origin.failures, origin.newest)

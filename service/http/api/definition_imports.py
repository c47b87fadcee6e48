"""Imports of definitions from a link or a file: checked first, stored as one's own when confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, ClassVar, Literal

from fastapi import Request
from msgspec import Meta
from pydantic import ConfigDict, Field, StringConstraints, model_validator
from sqlalchemy import Connection

from service.analysis.findings import Finding, FindingCounts
from service.definitions.details import DefinitionDetails, details_of
from service.evaluation.cost import cost_of_check
from service.evaluation.document_sizes import sizes_of_document
from service.formats.strict_json import YAML
from service.http.api.definitions import definition_tag
from service.http.api.origins import OriginKind
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionImportId, Received, Unread
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import document_in
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import Paged, Reply, Sends, created
from service.http.wire import In, OtherForm, Out, SetDocument
from service.reference import actions as reference
from service.sharing.actions import imports as actions
from service.sharing.actions.imports import ImportRequest
from service.sharing.model import DefinitionImport
from service.sharing.store import DefinitionImportStore

definition_imports = router("/v1/imports", "Shares")

_FETCH_PROBLEMS = (
    "address-not-allowed",
    "fetch-failed",
    "fetch-redirected",
    "fetch-too-large",
    "fetch-too-slow",
    "fetch-unreadable",
    "digest-mismatch",
)
_ETAG = {"ETag": "Of the import as it stands."}
Digest = Annotated[str, StringConstraints(pattern="^sha-256:[0-9a-f]{64}$")]


# --- requests ------------------------------------------------------------------------------------------------------------


class DefinitionImportIn(In):
    """What to import: a link, or a document, which may stand by itself."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["from"]}, {"required": ["document"]}]})
    other_forms: ClassVar[Mapping[str, OtherForm]] = {
        YAML: OtherForm("The same as YAML. In either form the document may stand by itself.")
    }

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


# --- answers -------------------------------------------------------------------------------------------------------------


class DefinitionImportSummaryOut(Out):
    """An import in a list."""

    id: str
    status: Literal["waiting", "confirmed"]
    kind: OriginKind
    address: Annotated[str | None, Meta(description="Where it was fetched. A link is a key: keep it to yourself.")]
    title: str
    revision: Annotated[int | None, Meta(description="Its number at the origin, if that said one.")]
    digest: str
    counts: FindingCounts
    created_at: datetime
    expires_at: Annotated[datetime, Meta(description="From then on the import is gone.")]
    definition: Annotated[str | None, Meta(description="The id of the definition that it became.")]


class DefinitionImportOut(DefinitionImportSummaryOut):
    """An import, with all there is to look at before confirming it."""

    document: SetDocument
    findings: list[Finding]
    in_words: list[str]


def _summary(found: DefinitionImport) -> dict[str, Any]:
    return {
        "id": found.id,
        "status": "waiting" if found.definition is None else "confirmed",
        "kind": found.kind,
        "address": found.address,
        "title": found.title,
        "revision": found.revision,
        "digest": found.digest,
        "counts": found.counts,
        "created_at": found.created_at,
        "expires_at": found.expires_at,
        "definition": found.definition,
    }


def _import_out(found: DefinitionImport) -> DefinitionImportOut:
    assert found.document is not None, "one is read with its document"
    return DefinitionImportOut(
        **_summary(found),
        document=dict(found.document),
        findings=list(found.findings),
        in_words=list(found.in_words),
    )


def _import_tag(found: DefinitionImport) -> str:
    return entity_tag("import", found.id, found.definition)


def _requested(body: Received[DefinitionImportIn]) -> ImportRequest:
    value = body.value
    if isinstance(value, Mapping) and value.get("from") is not None and value.get("document") is None:
        asked = body.read()
        return ImportRequest(address=asked.from_, digest=asked.digest)
    sent, wrapper = document_in(body, DefinitionImportIn)
    digest = wrapper.digest if isinstance(wrapper, DefinitionImportIn) else None
    return ImportRequest(sent=sent, digest=digest)


# --- operations ----------------------------------------------------------------------------------------------------------


@definition_imports.post("", responses=problems("clash", "over-limit", "too-heavy", *_FETCH_PROBLEMS))
async def start_definition_import(
    context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Unread[DefinitionImportIn], work: Work
) -> Annotated[Reply[DefinitionImportOut], Sends(201, {**_ETAG, "Location": "Where it waits."})]:
    """Bring a definition from a link or a file, to be looked at; nothing is kept yet."""
    earlier: Reply[DefinitionImportOut] | None = await context.run(lambda: key.done_before(context.database, owner))
    if earlier is not None:
        return earlier
    await context.read(lambda connection: actions.ensure_room(connection, owner, context.now()))
    asked = await context.compute(lambda: _requested(body))
    if asked.sent is not None:
        await work.weigh(cost_of_check(sizes_of_document(asked.sent.document, 0, 0)))
    made = await actions.prepare_import(context, asked)

    def add(connection: Connection) -> Reply[DefinitionImportOut]:
        actions.add_import(connection, owner, made)
        return created(_import_out(made), f"/v1/imports/{made.id}", _import_tag(made))

    return await context.run(lambda: key.once(context.database, owner, add))


@definition_imports.get("")
def list_definition_imports(
    request: Request, context: Context, owner: CurrentOwner, query: Paging
) -> Paged[DefinitionImportSummaryOut]:
    """Imports that wait, or were confirmed lately, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: DefinitionImportStore(connection, owner).page(
                identity_key(after), limit, context.now()
            ),
            lambda found: found.id,
            lambda found: DefinitionImportSummaryOut(**_summary(found)),
        )
    )


@definition_imports.get("/{id}")
def get_definition_import(
    context: Context, owner: CurrentOwner, id: DefinitionImportId, known: IfNoneMatch
) -> Annotated[Reply[DefinitionImportOut], Sends(headers=_ETAG)]:
    """One import: the document, its places in words, and what the check found."""
    found = context.database.read(lambda connection: DefinitionImportStore(connection, owner).get(id, context.now()))
    return known.not_modified_or(_import_tag(found), lambda: _import_out(found))


@definition_imports.post("/{id}/confirmation", responses=problems("clash"))
async def confirm_definition_import(
    context: Context, owner: CurrentOwner, id: DefinitionImportId, key: IdempotencyKey
) -> Annotated[
    Reply[DefinitionDetails],
    Sends(201, {"ETag": "The version, for If-Match.", "Location": "Where the definition is kept."}),
]:
    """Keep an import as a definition of one's own, published as it came, with its origin."""
    now = context.now()
    found = await context.read(lambda connection: DefinitionImportStore(connection, owner).get(id, now))
    definition = await context.compute(lambda: reference.read_definition(found.document))

    def confirm(connection: Connection) -> Reply[DefinitionDetails]:
        line, revision = actions.confirm_import(connection, owner, id, now)
        return created(details_of(revision, definition), f"/v1/definitions/{line.id}", definition_tag(line))

    return await context.run(lambda: key.once(context.database, owner, confirm))


@definition_imports.delete("/{id}")
def drop_definition_import(context: Context, owner: CurrentOwner, id: DefinitionImportId) -> None:
    """Drop an import; a definition that became of it stays."""
    # Without If-Match: nothing is lost that could not be imported again.
    context.database.write(lambda connection: actions.drop_import(connection, owner, id, context.now()))

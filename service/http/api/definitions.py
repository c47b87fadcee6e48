"""Definitions: drafted, changed, checked, published as immutable revisions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Annotated, Any, ClassVar

from fastapi import Query, Request
from pydantic import Field
from sqlalchemy import Connection

from service import runtime
from service.accounts.model import Owner
from service.definitions import actions
from service.definitions.details import DefinitionDetails, details_of
from service.definitions.model import DefinitionSummary, Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.evaluation.cost import cost_of_check, cost_of_preview
from service.facts.vocabulary import Vocabulary
from service.formats.strict_json import YAML
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag, told_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, OptionalOwner, Unread
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import (
    AnyHoldings,
    InputsIn,
    JudgedIn,
    document_in,
    ensure_allowed,
    sizes_asked,
    unwrapped,
)
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, number_key, page
from service.http.responses import VERSION, Created, Paged, Reply, Sends, T, Tagged, created, tagged
from service.http.wire import Day, In, NewId, OtherForm, QueryIn, RevisionNumber
from service.progress.actions import inputs
from service.progress.actions.check import check_report, publishable
from service.progress.actions.evaluate import EvaluationInputs
from service.progress.actions.preview import preview
from service.progress.actions.sizes import sizes_to_check
from service.progress.check import DefinitionCheck
from service.progress.preview import DefinitionPreview
from service.reference import actions as reference
from service.reference.store import IssueStore

definitions = router("/v1/definitions", "Definitions")
Told = Annotated[Reply[T], Sends(headers={**VERSION, **CONTENT_LANGUAGE})]
checks = router("/v1", "Definitions")

_YAML: Mapping[str, OtherForm] = {YAML: OtherForm("The same as YAML. In either form the document may stand by itself.")}


# --- requests ------------------------------------------------------------------------------------------------------------


class DraftIn(In):
    """A new draft. The document may stand by itself, without this around it."""

    other_forms: ClassVar[Mapping[str, OtherForm]] = _YAML

    document: dict[str, Any] = Field(description="A set definition: see /v1/schemas/set-definition.")


class DefinitionIn(DraftIn):
    """A new definition. The document may stand by itself, without this around it."""

    id: NewId | None = Field(None, description="Made by the client, or left to the server.")


class PublishQuery(QueryIn):
    """How to publish."""

    acknowledged: bool = Field(
        False, description="true: publish in spite of warnings of the check; errors always stand."
    )


# --- answers -------------------------------------------------------------------------------------------------------------


def definition_tag(stored: StoredDefinition) -> str:
    """Changes with every change of the definition."""
    return entity_tag(stored.id, stored.version)


def revision_tag(revision: Revision) -> str:
    """Changes when the revision is withdrawn; nothing else ever changes it."""
    gone = () if revision.withdrawn_at is None else (revision.withdrawn_at,)
    return entity_tag(revision.definition, revision.number, revision.digest, *gone)


def _schemes(context: runtime.Context, owner: Owner) -> Mapping[str, Vocabulary]:
    """The vocabularies that the owner's definitions may name."""
    return context.database.read(lambda connection: reference.vocabularies_of(connection, owner))


# --- drafts --------------------------------------------------------------------------------------------------------------


@definitions.post("", responses=problems("clash", "over-limit"))
def create_definition(
    context: Context, owner: CurrentOwner, key: IdempotencyKey, body: Unread[DefinitionIn]
) -> Created[DefinitionDetails]:
    """Draft a new definition."""
    sent, wrapper = document_in(body, DefinitionIn)
    identity = wrapper.id if isinstance(wrapper, DefinitionIn) else None
    definition = sent.definition(_schemes(context, owner))

    def draft(connection: Connection) -> Reply[DefinitionDetails]:
        stored, revision = actions.draft(connection, owner, identity, sent.document, context.now())
        return created(details_of(revision, definition), f"/v1/definitions/{stored.id}", definition_tag(stored))

    return key.once(context.database, owner, draft)


@definitions.get("")
def list_definitions(
    request: Request, context: Context, owner: CurrentOwner, query: Paging
) -> Paged[DefinitionSummary]:
    """The owner's definitions, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: DefinitionStore(connection, owner).page(identity_key(after), limit),
            lambda entry: entry[0].id,
            lambda entry: entry[1].summary,
        )
    )


@definitions.get("/{id}")
def get_definition(
    context: Context, owner: CurrentOwner, id: DefinitionId, known: IfNoneMatch, language: AskedLanguage
) -> Told[DefinitionDetails]:
    """A definition: its draft, or else its newest revision.

    Its words are in the language that is asked for; If-Match takes the entity tag of any."""

    def read(connection: Connection) -> tuple[StoredDefinition, Revision, Mapping[str, Vocabulary]]:
        return *DefinitionStore(connection, owner).latest(id), reference.vocabularies_of(connection, owner)

    stored, revision, schemes = context.database.read(read)
    return known.not_modified_or(
        told_tag(definition_tag(stored), language.tag),
        lambda: details_of(revision, reference.read_stored(revision.document, schemes), language),
        spoken(language),
    )


@definitions.put("/{id}", responses=problems("over-limit"))
def replace_draft(
    context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch, body: Unread[DraftIn]
) -> Tagged[DefinitionDetails]:
    """Replace the draft, or begin the next one."""
    sent, _ = document_in(body, DraftIn)
    definition = sent.definition(_schemes(context, owner))
    stored, revision = context.database.write(
        lambda connection: actions.redraft(
            connection,
            owner,
            id,
            sent.document,
            context.now(),
            expect=lambda before: expected.check(definition_tag(before)),
        )
    )
    return tagged(details_of(revision, definition), definition_tag(stored))


@definitions.delete("/{id}", responses=problems("clash"))
def delete_definition(context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch) -> None:
    """Delete a definition that was never published."""
    context.database.write(
        lambda connection: actions.discard(
            connection, owner, id, expect=lambda before: expected.check(definition_tag(before))
        )
    )


# --- revisions -----------------------------------------------------------------------------------------------------------


@definitions.get("/{id}/revisions")
def list_revisions(
    request: Request, context: Context, owner: CurrentOwner, id: DefinitionId, query: Paging
) -> Paged[DefinitionSummary]:
    """Published revisions, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: DefinitionStore(connection, owner).revisions(id, number_key(after), limit),
            lambda revision: str(revision.number),
            lambda revision: revision.summary,
        )
    )


@definitions.post("/{id}/revisions", responses=problems("clash", "unsound", "too-heavy"))
async def publish_revision(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[PublishQuery, Query()],
    expected: IfMatch,
    key: IdempotencyKey,
    work: Work,
) -> Created[DefinitionDetails]:
    """Publish the draft as an immutable revision."""
    await work.weigh(cost_of_check(await context.read(lambda c: sizes_to_check(c, owner, id, None))))
    stored, own = await context.read(
        lambda c: (DefinitionStore(c, owner).line(id), IssueStore(c, owner).own_reference())
    )
    document: Mapping[str, Any] | None = None
    if stored.draft is not None and expected.allows(definition_tag(stored)):
        draft = stored.draft.document
        document = await context.compute(
            lambda: publishable(draft, context.today(), acknowledged=query.acknowledged, own=own)
        )

    def publish(connection: Connection) -> Reply[DefinitionDetails]:
        line, revision = actions.publish(
            connection,
            owner,
            id,
            context.now(),
            document=document,
            expect=lambda before: expected.check(definition_tag(before)),
        )
        where = f"/v1/definitions/{id}/revisions/{revision.number}"
        definition = reference.read_stored(revision.document, reference.vocabularies_of(connection, owner))
        return created(details_of(revision, definition), where, definition_tag(line))

    return await context.run(lambda: key.once(context.database, owner, publish))


@definitions.get("/{id}/revisions/{number}")
def get_revision(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    number: RevisionNumber,
    known: IfNoneMatch,
    language: AskedLanguage,
) -> Told[DefinitionDetails]:
    """One published revision.

    Its words are in the language that is asked for."""
    revision = context.database.read(lambda connection: DefinitionStore(connection, owner).revision(id, number))
    return known.not_modified_or(
        told_tag(revision_tag(revision), language.tag),
        lambda: details_of(revision, reference.read_stored(revision.document, _schemes(context, owner)), language),
        spoken(language),
    )


# --- checks ------------------------------------------------------------------------------------------------------------


class CheckIn(InputsIn):
    """Which definition to check, with the catalogue and vocabularies to check it against. The document may stand by itself,
    without this around it."""

    def inputs(self, today: date) -> inputs.Inputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        return inputs.Inputs(**self.common(today))


class CheckQuery(QueryIn):
    """Which revision to check, and for which day."""

    revision: RevisionNumber | None = Field(None, description="Left out: the draft, or else the newest revision.")
    today: Day | None = Field(None, description="The day to check for; left out: today in UTC.")


@checks.post("/definition-checks", responses=problems("not-found", "over-limit", "too-heavy"))
async def check_definition(
    context: Context, owner: OptionalOwner, body: Unread[CheckIn], work: Work, language: AskedLanguage
) -> Annotated[Reply[DefinitionCheck], Sends(headers=CONTENT_LANGUAGE)]:
    """Check a set definition before a club relies on it. What is wrong with one that cannot be read is told in the language that
    is asked for."""
    found = unwrapped(body.value)
    if found is not None:
        beside = {name: part for name, part in body.value.items() if found.at and name != "document"}
        body = replace(body, value={**beside, "definition": found.document})
    sent = body.read()
    ensure_allowed(context.settings, owner, sent.definition, [])
    await work.weigh(cost_of_check(await sizes_asked(context, owner, sent.definition, [], 0)))
    found_out = await context.compute(
        lambda: check_report(context.database, owner, sent.inputs(context.today()), language.refusal)
    )
    return Reply(found_out, spoken(language))


class PreviewIn(JudgedIn):
    """A definition that is being written, and the coins to try it on."""

    holdings: AnyHoldings = Field(default_factory=list)

    def inputs(self, today: date) -> EvaluationInputs:
        """What is asked for; `today` is the day where the body has none. Raises Invalid."""
        holdings = None if self.holdings == "mine" else self.holdings
        return EvaluationInputs(**self.common(today), holdings=holdings)


@checks.post("/definition-previews", responses=problems("not-found", "over-limit", "too-heavy"))
async def preview_definition(
    context: Context, owner: OptionalOwner, body: Unread[PreviewIn], work: Work, language: AskedLanguage
) -> Annotated[Reply[DefinitionPreview], Sends(headers=CONTENT_LANGUAGE)]:
    """Preview a definition while it is written. Which coins fit each place or may fit it, what the check finds, the whole in
    words, and each rule as CQL2 text and as CQL2 JSON with what is wrong with it. Nothing is kept, and no coin is assigned. The
    words are in the language that is asked for."""
    sent = body.read()
    ensure_allowed(context.settings, owner, sent.definition, sent.holdings)
    await work.weigh(cost_of_preview(await sizes_asked(context, owner, sent.definition, sent.holdings, 0)))
    asked = sent.inputs(context.today())
    found = await context.compute(lambda: preview(context.database, owner, asked, language, language.refusal))
    return Reply(found, spoken(language))


@checks.get("/definitions/{id}/check", responses=problems("over-limit", "too-heavy"))
async def check_mine(
    context: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[CheckQuery, Query()], work: Work
) -> DefinitionCheck:
    """Check a definition kept here: its draft, or one of its revisions."""
    await work.weigh(cost_of_check(await context.read(lambda c: sizes_to_check(c, owner, id, query.revision))))
    asked = inputs.Inputs(inputs.DefinitionReference(id, query.revision), query.today or context.today())
    return await context.compute(lambda: check_report(context.database, owner, asked))

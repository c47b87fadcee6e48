"""Revisions: what changed between two, withdrawing one, and which of them the owner's set follows."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

from fastapi import Query
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from service.analysis.diff_wording import text_lines
from service.definitions import actions
from service.definitions.model import DefinitionSummary, StoredDefinition
from service.definitions.store import DefinitionStore
from service.evaluation.cost import cost_of_check
from service.http.api.definitions import definition_tag
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Unread
from service.http.elsewhere import Work
from service.http.inputs import weigh_set
from service.http.languages import CONTENT_LANGUAGE, IN_ENGLISH, AskedLanguage, spoken, stamped
from service.http.negotiation import JSON, Forms, TextForm
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends, Tagged, tagged
from service.http.wire import Day, In, QueryIn, RevisionNumber, Text
from service.progress.actions import adoption
from service.progress.actions.sizes import sizes_to_check
from service.progress.revisions import AdoptedRevision, FollowedRevision, Impact, RevisionChanges

revisions = router("/v1/definitions/{id}", "Definitions")
followed = router("/v1/definitions/{id}", "Evaluations")

_LATEST = "Left out: the draft, or else the newest revision."


def _as_text(found: RevisionChanges) -> str:
    title = f"{found.to.title}: from revision {found.from_.revision} to revision {found.to.revision}"
    return "\n".join([*text_lines(title, [change.words for change in found.changes]), ""])


_FORMS = Forms[RevisionChanges](text=TextForm("text/plain", _as_text))


class RevisionChangesQuery(BaseModel):
    """Which two revisions to compare, and in which form."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_: RevisionNumber | None = Field(None, alias="from", description="Left out: the revision that the set follows.")
    to: RevisionNumber | None = Field(None, description=_LATEST)
    today: Day | None = Field(None, description="The day that decides what is defunct; left out: today in UTC.")
    format: Literal["json", "text"] | None = Field(
        None, description="text is one sentence a line; left out: the one that Accept prefers, or JSON."
    )


class ImpactQuery(QueryIn):
    """Which revision to try."""

    to: RevisionNumber | None = Field(None, description=_LATEST)
    today: Day | None = Field(None, description="The day to evaluate for; left out: today in UTC.")


class WithdrawalIn(In):
    """Why a revision is withdrawn."""

    reason: Annotated[Text, StringConstraints(min_length=1, max_length=500)] | None = None


class AdoptionIn(In):
    """The revision that the set follows from now on."""

    revision: RevisionNumber | None = Field(
        description="The number of a published revision; null: the draft, or else the newest one not withdrawn."
    )


@revisions.get("/changes", responses=problems("over-limit", "too-heavy"))
async def compare_revisions(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[RevisionChangesQuery, Query()],
    known: IfNoneMatch,
    language: AskedLanguage,
    work: Work,
) -> Annotated[
    Reply[RevisionChanges],
    Sends(
        headers={"ETag": "Of both revisions, the editions, the day, the form and the language.", **CONTENT_LANGUAGE},
        media=_FORMS.media,
    ),
]:
    """What changed from one revision to another, by its meaning; as text in English."""
    day, form = query.today or context.today(), _FORMS.chosen(known.request, query.format)
    sizes = await context.read(lambda c: sizes_to_check(c, owner, id, None))
    await work.weigh(cost_of_check(sizes).times(2, "revisions"))
    two = await context.read(lambda c: adoption.two_revisions(c, owner, id, query.from_, query.to))
    told = language if form == JSON else IN_ENGLISH
    tag, headers = entity_tag(*two.version(day), form, *stamped(told)), spoken(told, "Accept")
    unchanged = known.not_modified(tag, headers)
    if unchanged is not None:
        return unchanged
    reply = _FORMS.reply(await context.compute(lambda: two.changes(day, told)), form, tag)
    return replace(reply, headers={**reply.headers, **headers})


@followed.get("/impact", responses=problems("over-limit", "too-heavy"))
async def get_impact(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[ImpactQuery, Query()],
    known: IfNoneMatch,
    language: AskedLanguage,
    work: Work,
) -> Annotated[
    Reply[Impact],
    Sends(
        headers={
            "ETag": "Of both revisions, the holdings, the decisions, the editions, the day and the language.",
            **CONTENT_LANGUAGE,
        }
    ),
]:
    """What following another revision would do to the set; nothing is stored."""
    day = query.today or context.today()
    await weigh_set(work, context, owner, id, times=2, certain=1)
    step = await context.read(lambda connection: adoption.load_step(connection, owner, id, query.to))
    tag, headers = entity_tag(*step.version(day), *stamped(language)), spoken(language)
    unchanged = known.not_modified(tag, headers)
    return unchanged or Reply(await context.compute(lambda: step.impact(day, language)), {"ETag": tag, **headers})


@followed.get("/adoption")
def get_adoption(
    context: Context, owner: CurrentOwner, id: DefinitionId, known: IfNoneMatch
) -> Tagged[FollowedRevision]:
    """Which revision the set follows."""
    line, revision = context.database.read(lambda connection: DefinitionStore(connection, owner).line_followed(id))
    return known.not_modified_or(definition_tag(line), lambda: FollowedRevision(line.adopted, revision.stamp))


@followed.put("/adoption", responses=problems("clash", "over-limit", "too-heavy"))
async def adopt_revision(
    context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch, body: Unread[AdoptionIn], work: Work
) -> Tagged[AdoptedRevision]:
    """Let the set follow a revision; pins, nevers and notes go along where their places survive."""

    def expect(line: StoredDefinition) -> None:
        expected.check(definition_tag(line))

    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    await context.read(lambda connection: expect(DefinitionStore(connection, owner).line(id)))
    number = body.read().revision
    await weigh_set(work, context, owner, id, times=2, certain=0, solver_seconds=0)
    line, answer = await adoption.adopt_revision(context, owner, id, number, expect=expect)
    return tagged(answer, definition_tag(line))


@revisions.put("/revisions/{number}/withdrawal", responses=problems("clash", "over-limit"))
def withdraw_revision(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    number: RevisionNumber,
    expected: IfMatch,
    body: Unread[WithdrawalIn],
) -> Tagged[DefinitionSummary]:
    """Withdraw a published revision: it stays readable, and is no longer taken unless asked for."""

    def expect(line: StoredDefinition) -> None:
        expected.check(definition_tag(line))

    # Whether it is there, and still what the caller read, comes before what is wrong with the body.
    context.database.read(lambda connection: expect(DefinitionStore(connection, owner).line(id)))
    reason = body.read().reason
    line, revision = context.database.write(
        lambda connection: actions.withdraw(connection, owner, id, number, reason, context.now(), expect=expect)
    )
    return tagged(revision.summary, definition_tag(line))

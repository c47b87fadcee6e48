"""Exhibitions: a set as it is shown, with loans, frozen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from fastapi import Depends, Query, Request
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from service.definitions.history.actions import delete_exhibition as delete_stored
from service.definitions.history.model import StoredExhibition
from service.definitions.history.store import ExhibitionStore
from service.definitions.store import DefinitionStore
from service.errors import Invalid
from service.facts.holding import MOST_FACTS, MOST_PIECES
from service.formats.html import PRINT, page_policy
from service.formats.shapes import AttributeName
from service.holdings.model import NamedIssueIn
from service.holdings.photos.actions import pictures
from service.holdings.photos.store import PhotoStore, StoredPhoto
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag, told_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Received, Unread, stored_id
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import weigh_set
from service.http.languages import CONTENT_LANGUAGE, IN_ENGLISH, AskedLanguage
from service.http.negotiation import PAGE, Forms, TextForm, of_form
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import VERSION, Created, Paged, Reply, Sends, created
from service.http.wire import Day, In, QueryIn, Text
from service.progress.actions import exhibitions as actions
from service.progress.actions.exhibitions import ExhibitionPlan
from service.progress.actions.stored_set import StoredSet, load_stored_set
from service.progress.exhibition import (
    Exhibition,
    ExhibitionSummary,
    Loan,
    exhibition_html,
    exhibition_of,
    exhibition_summary,
    exhibition_text,
)
from service.reference.languages import Language

exhibitions = router("/v1/definitions/{id}/exhibitions", "Exhibitions")

MOST_LOANS = 2_000
_HEADERS = {**VERSION, **CONTENT_LANGUAGE}


def _forms(language: Language, photos: Callable[[], Mapping[str, str]] = dict) -> Forms[Exhibition]:
    """`photos` by holding, which a page has besides the value; it alone asks for them."""
    return Forms(
        text=TextForm("text/plain", exhibition_text),
        html=TextForm(
            "text/html",
            lambda shown: exhibition_html(shown, photos(), language),
            lambda: page_policy(PRINT, has_pictures=True),
        ),
    )


LenderName = Annotated[Text, StringConstraints(min_length=1, max_length=200)]


class LoanIn(In):
    """A coin that somebody lends; several like ones are one loan."""

    owner: LenderName = Field(description="Who lends it.")
    label: LenderName | None = Field(None, description="What to call it; left out: its facts in a few words.")
    facts: dict[AttributeName, Any] = Field(max_length=MOST_FACTS, description="What is known of the coin.")
    issue: NamedIssueIn = Field(None, description="The catalogue entry that it is, or several candidates.")
    quantity: int = Field(1, ge=1, le=MOST_PIECES, description="How many like pieces.")


class ExhibitionIn(In):
    """A set as it is to be shown: the owner's holdings of now, and loans."""

    title: LenderName
    on: Day = Field(description="The day to evaluate for.")
    loans: list[LoanIn] = Field(
        default_factory=list, max_length=MOST_LOANS, description="They get the ids loan-1, loan-2 and so on."
    )
    note: Annotated[Text, StringConstraints(max_length=10_000)] | None = None
    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )

    def plan(self) -> ExhibitionPlan:
        """The same without the wire."""
        loans = [
            Loan(f"loan-{number}", loan.owner, loan.label, loan.model_dump(include={"facts", "issue", "quantity"}))
            for number, loan in enumerate(self.loans, start=1)
        ]
        return ExhibitionPlan(self.title, self.on, loans, self.note, self.revision)


class ExhibitionQuery(QueryIn):
    """In which form."""

    format: Literal["json", "text", "html"] | None = Field(
        None,
        description="text is the list of exhibits by page and place, html a page to print with photos; left out: the first that "
        "Accept prefers, or JSON.",
    )


ExhibitionId = Annotated[str, Depends(stored_id("exhibition", "exhibition_id"))]


@exhibitions.post("", responses=problems("over-limit", "too-heavy"))
async def create_exhibition(
    context: Context, owner: CurrentOwner, id: DefinitionId, key: IdempotencyKey, body: Unread[ExhibitionIn], work: Work
) -> Created[Exhibition]:
    """Freeze how the set is shown on a day, with loans."""
    await weigh_set(work, context, owner, id)
    mine = await context.read(lambda connection: load_stored_set(connection, owner, id))
    plan = await context.compute(lambda: _plan(body, mine, context))
    content = await actions.planned(context, owner, mine, plan)

    def act(connection: Connection) -> Reply[Exhibition]:
        kept = actions.exhibit(connection, context, owner, mine, plan, content)
        return created(exhibition_of(kept), f"/v1/definitions/{id}/exhibitions/{kept.id}", exhibition_tag(kept))

    return await context.run(lambda: key.once(context.database, owner, act))


@exhibitions.get("")
def list_exhibitions(
    request: Request, context: Context, owner: CurrentOwner, id: DefinitionId, query: Paging
) -> Paged[ExhibitionSummary]:
    """The exhibitions of a set, page by page."""

    def find(connection: Connection) -> Any:
        DefinitionStore(connection, owner).line(id)
        store = ExhibitionStore(connection, owner)
        return page(
            request,
            query,
            lambda after, limit: store.page(id, identity_key(after), limit),
            lambda kept: kept.id,
            exhibition_summary,
        )

    return context.database.read(find)


@exhibitions.get("/{exhibition_id}")
def get_exhibition(
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    exhibition_id: ExhibitionId,
    query: Annotated[ExhibitionQuery, Query()],
    known: IfNoneMatch,
    asked: AskedLanguage,
) -> Annotated[Reply[Exhibition], Sends(headers=_HEADERS, media=_forms(IN_ENGLISH).media)]:
    """An exhibition, as it was. The page to print has photos of the coins, as they are now, and its own words in the language
    that is asked for."""
    form = _forms(asked).chosen(known.request, query.format)
    language = of_form(asked, form)

    def find(connection: Connection) -> tuple[StoredExhibition, Exhibition | None, dict[str, StoredPhoto]]:
        DefinitionStore(connection, owner).line(id)
        kept = ExhibitionStore(connection, owner).get(id, exhibition_id)
        if form != PAGE:
            return kept, None, {}
        shown = exhibition_of(kept)
        own = [exhibit.holding for exhibit in shown.exhibits if exhibit.owner is None]
        return kept, shown, PhotoStore(connection, owner).first_of(own)

    kept, shown, photos = context.database.read(find)
    tag = exhibition_tag(kept, form, *(f"{photo.holding_id} {photo.file.digest}" for photo in photos.values()))
    tag = told_tag(tag, language.tag)
    forms = _forms(language, lambda: pictures(context, owner, photos))
    return known.not_modified(tag) or forms.reply(shown or exhibition_of(kept), form, tag, language)


@exhibitions.delete("/{exhibition_id}")
def delete_exhibition(
    context: Context, owner: CurrentOwner, id: DefinitionId, exhibition_id: ExhibitionId, expected: IfMatch
) -> None:
    """Delete an exhibition."""
    context.database.write(
        lambda connection: delete_stored(
            connection, owner, id, exhibition_id, expect=lambda kept: expected.check(exhibition_tag(kept))
        )
    )


def exhibition_tag(kept: StoredExhibition, form: str = "json", *more: str) -> str:
    """An exhibition never changes; the moment distinguishes it from one restored under the same id."""
    return entity_tag("exhibition", kept.id, kept.created_at, form, *more)


def _plan(body: Received[ExhibitionIn], mine: StoredSet, context: Context) -> ExhibitionPlan:
    """The body; when its form is wrong, its faults with those of the facts of the loans."""
    try:
        return body.read().plan()
    except Invalid as refusal:
        further = actions.faults_of_loans(body.value, mine, context.today())
        raise Invalid([*refusal.faults, *further]) from None

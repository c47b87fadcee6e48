"""Lists to print or keep: want lists with the owner's notes, and the insurance list with recorded values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

from fastapi import Query, Request
from msgspec import Meta
from pydantic import Field, StringConstraints, model_validator
from sqlalchemy import Connection
from starlette.responses import Response

from service.definitions import actions
from service.definitions.model import WantNotes
from service.definitions.store import WantNoteStore
from service.errors import Invalid
from service.holdings.model import ValueBasis
from service.http.answers import KeptAnswers, Question
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Unread
from service.http.elsewhere import Work
from service.http.inputs import RevisionQuery, weigh_set
from service.http.languages import CONTENT_LANGUAGE, IN_ENGLISH, AskedLanguage, stamped
from service.http.negotiation import Forms, TextForm, of_form
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends, Tagged, tagged
from service.http.wire import Day, DefinitionName, In, Money, Out, QueryIn, Text
from service.progress.actions.held_pieces import load_held
from service.progress.actions.insurance import insured
from service.progress.actions.stored_set import SetKey, StoredSet, load_key, load_stored_set
from service.progress.decisions import faults_of_places
from service.progress.insurance import InsuranceList, insurance_csv, insurance_html, insurance_text
from service.progress.want_list import MOST_WEAK, Paper, WantList, as_csv, as_html, as_text, want_list
from service.reference.languages import Language

want_lists = router("/v1/definitions", "Evaluations")
insurance = router("/v1", "Insurance")

MOST_NOTES = 2_000
FIELDS = ("min_grade", "most_to_pay", "currency", "note")


# --- want lists and the notes to them ----------------------------------------------------------------------------------


class WantQuery(RevisionQuery):
    """Which revision, for which day, and in which form."""

    upgrades: int = Field(
        MOST_WEAK, ge=0, le=2_000, description="How many filled places to list where a better coin is wanted."
    )
    format: Literal["json", "text", "csv", "html"] | None = Field(
        None,
        description="text fits a card of 40 columns, html is a page to print; left out: the first that Accept prefers, or JSON.",
    )
    paper: Paper = Field("a4", description="Of html: a6 is a card, a4 a sheet in two columns.")


class WantNoteIn(In):
    """What the owner looks for in one place, or in a group of them."""

    place: Annotated[str, StringConstraints(min_length=1, max_length=200)] = Field(
        description="A slot, a group, or one place of a group."
    )
    min_grade: int | None = Field(None, ge=1, le=70, description="The least grade worth buying, 1 to 70.")
    most_to_pay: Money | None = Field(None, description="The owner's own limit; no valuation.")
    currency: Annotated[str, StringConstraints(pattern="^[A-Z]{3}$")] | None = Field(
        None, description="A code of three letters (ISO 4217); needed with `most_to_pay`."
    )
    note: Annotated[Text, StringConstraints(min_length=1, max_length=500)] | None = None

    @model_validator(mode="after")
    def _has_a_currency(self) -> WantNoteIn:
        if self.most_to_pay is not None and self.currency is None:
            raise ValueError("a sum of money needs its `currency`")
        return self


class WantNotesIn(In):
    """All notes to a want list; what is left out is no longer one."""

    notes: list[WantNoteIn] = Field(default_factory=list, max_length=MOST_NOTES)

    def by_place(self) -> dict[str, dict[str, Any]]:
        """The notes as they are stored, by place."""
        return {
            note.place: {name: getattr(note, name) for name in FIELDS if getattr(note, name) is not None}
            for note in self.notes
        }


class WantNoteOut(Out):
    """One note."""

    place: str
    min_grade: int | None
    most_to_pay: Annotated[int | Decimal | None, Meta(description="The owner's own limit; no valuation.")]
    currency: str | None
    note: str | None


class WantNotesOut(Out):
    """All notes, in the order of the alphabet."""

    notes: list[WantNoteOut]


def _notes_out(notes: WantNotes) -> WantNotesOut:
    found = sorted(notes.notes.items())
    return WantNotesOut([WantNoteOut(place, *(note.get(name) for name in FIELDS)) for place, note in found])


def _notes_tag(identity: str, notes: WantNotes) -> str:
    """Changes with every change of the notes."""
    return entity_tag("want-notes", identity, notes.version, sorted(notes.notes))


def _forms(document: Mapping[str, Any], language: Language, paper: Paper = "a4") -> Forms[WantList]:
    return Forms(
        text=TextForm("text/plain", as_text),
        csv=TextForm("text/csv", as_csv),
        html=TextForm("text/html", lambda wants: as_html(wants, document, paper, language)),
    )


@want_lists.get("/{id}/want-list", responses=problems("over-limit", "too-heavy"))
async def get_want_list(
    request: Request,
    context: Context,
    owner: CurrentOwner,
    id: DefinitionId,
    query: Annotated[WantQuery, Query()],
    answers: KeptAnswers,
    work: Work,
    asked: AskedLanguage,
) -> Annotated[
    Reply[WantList],
    Sends(
        headers={
            "ETag": "Of the definition, the holdings, the editions, the day, the form and the language.",
            **CONTENT_LANGUAGE,
        },
        media=_forms({}, IN_ENGLISH).media,
    ),
]:
    """What to look for next: empty places that a coin could fill, then the weakest fillings. Apart from them: empty places that
    a rule of the set keeps empty, with what would release them. A page is in the language that is asked for."""
    day, form = query.today or context.today(), _forms({}, asked).chosen(request, query.format)
    language = of_form(asked, form)

    def tag(key: SetKey, day: date) -> str:
        told = (key.notes, query.upgrades, query.paper, *stamped(language))
        return entity_tag(*key.version(day), form, *told)

    def read(connection: Connection) -> tuple[StoredSet, WantNotes]:
        return load_stored_set(connection, owner, id, query.revision), WantNoteStore(connection, owner).of(id)

    def read_key(connection: Connection) -> SetKey:
        notes = WantNoteStore(connection, owner).of(id)
        return replace(load_key(connection, owner, id, query.revision), notes=notes.version)

    async def make() -> tuple[SetKey, Response]:
        await weigh_set(work, context, owner, id, query.revision, times=2, certain=1)
        mine, notes = await context.read(read)
        key = replace(mine.key, notes=notes.version)
        forms = _forms(mine.revision.document, language, query.paper)

        def answer() -> Response:
            wants = want_list(mine.ask(day).request, notes.notes, query.upgrades, language)
            return forms.reply(wants, form, tag(key, day), language).response()

        return key, await context.compute(answer)

    return await answers.give(
        owner, day, Question(query.revision, query.today, tag), lambda: context.read(read_key), make
    )


@want_lists.get("/{id}/want-notes")
def get_want_notes(context: Context, owner: CurrentOwner, id: DefinitionId, known: IfNoneMatch) -> Tagged[WantNotesOut]:
    """The owner's notes to the want list of a definition."""
    notes = context.database.read(lambda connection: WantNoteStore(connection, owner).of(id))
    return known.not_modified_or(_notes_tag(id, notes), lambda: _notes_out(notes))


@want_lists.put("/{id}/want-notes", responses=problems("over-limit"))
async def replace_want_notes(
    context: Context, owner: CurrentOwner, id: DefinitionId, expected: IfMatch, body: Unread[WantNotesIn], work: Work
) -> Tagged[WantNotesOut]:
    """Say which grade and which price is wanted, place by place."""

    def look(connection: Connection) -> StoredSet:
        expected.check(_notes_tag(id, WantNoteStore(connection, owner).of(id)))
        return load_stored_set(connection, owner, id)

    await weigh_set(work, context, owner, id, certain=0, solver_seconds=0)
    mine = await context.read(look)
    sent = body.read()
    named = [note.place for note in sent.notes]
    faults = await context.compute(lambda: faults_of_places(mine.ask(context.today()).request, named))
    if faults:
        raise Invalid(fault.under("/notes") for fault in faults)
    notes = await context.write(
        lambda connection: actions.note_wants(
            connection, owner, id, sent.by_place(), expect=lambda before: expected.check(_notes_tag(id, before))
        )
    )
    return tagged(_notes_out(notes), _notes_tag(id, notes))


# --- the insurance list ------------------------------------------------------------------------------------------------

_INSURANCE_HEADERS = {
    "ETag": "Of the holdings, the editions, the day, the form, the language and what was asked for.",
    **CONTENT_LANGUAGE,
}


def _insurance_forms(language: Language) -> Forms[InsuranceList]:
    return Forms(
        text=TextForm("text/plain", insurance_text),
        csv=TextForm("text/csv", insurance_csv),
        html=TextForm("text/html", lambda listed: insurance_html(listed, language)),
    )


class InsuranceQuery(QueryIn):
    """Which values, of which coins, on which day, and in which form."""

    basis: ValueBasis | None = Field(None, description="Values of this basis only; left out: the newest of each.")
    on: Day | None = Field(None, description="Later values do not count; left out: today in UTC.")
    definition: DefinitionName | None = Field(None, description="Only the pieces that sit in this set on that day.")
    format: Literal["json", "csv", "text", "html"] | None = Field(
        None,
        description="text is 76 columns wide, html is a page to print; left out: the first that Accept prefers, or JSON.",
    )


@insurance.get("/insurance-list", responses=problems("not-found", "over-limit", "too-heavy"))
async def get_insurance_list(
    context: Context,
    owner: CurrentOwner,
    query: Annotated[InsuranceQuery, Query()],
    known: IfNoneMatch,
    work: Work,
    asked: AskedLanguage,
) -> Annotated[Reply[InsuranceList], Sends(headers=_INSURANCE_HEADERS, media=_insurance_forms(IN_ENGLISH).media)]:
    """What is held, where, and what the owner noted it to be worth. A page is in the language that is asked for."""
    forms, day = _insurance_forms(asked), query.on or context.today()
    form = forms.chosen(known.request, query.format)
    language = of_form(asked, form)
    if query.definition is not None:
        await weigh_set(work, context, owner, query.definition)
    kept = await context.read(lambda connection: load_held(connection, owner, query.definition))
    tag = entity_tag("insurance", *kept.version(day), query.basis, form, *stamped(language))
    return known.not_modified(tag) or forms.reply(
        await context.compute(lambda: insured(kept, day, query.basis, language)), form, tag, language
    )

"""Labels for the owner's holders, to be printed on sheets."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal

from fastapi import Query
from pydantic import Field, model_validator
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.database.ids import read_id
from service.errors import Fault, InvalidQuery, NotFound, Sentence
from service.formats.label_sheets import LabelSheet, label_sheets
from service.http.api.sync import MOST_ASKED, HoldingIds
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner
from service.http.elsewhere import Work
from service.http.inputs import weigh_filter, weigh_set
from service.http.languages import CONTENT_LANGUAGE, IN_ENGLISH, AskedLanguage, stamped
from service.http.negotiation import Forms, TextForm, of_form
from service.http.openapi import problems, router
from service.http.responses import Reply, Sends
from service.http.wire import Day, DefinitionName, QueryIn
from service.progress.actions.held_pieces import HeldPieces, load_held
from service.progress.actions.search import search
from service.progress.actions.store import load_sets_key
from service.progress.holding_labels import (
    MOST_LABELS,
    HoldingLabels,
    labels_html,
    labels_of,
    labels_text,
)
from service.progress.piece import Piece
from service.reference.languages import Language

holding_labels = router("/v1/holdings", "Labels")

_HEADERS = {
    "ETag": "Of the holdings, the editions, the day, the form, the language and what was asked for; with a filter of all sets.",
    **CONTENT_LANGUAGE,
}


class LabelQuery(QueryIn):
    """Which coins, on which sheet, and in which form. One of `ids`, `filter` and `definition`, or none for all that is held."""

    ids: HoldingIds = Field(
        "", description=f"Ids of holdings, with a comma between, in this order; at most {MOST_ASKED}."
    )
    filter: str | None = Field(
        None, max_length=4_096, description="A rule (CQL2 text), as for the list of holdings: the coins that fit it."
    )
    definition: DefinitionName | None = Field(
        None, description="The pieces that sit in this set, in the order of its places, which stand on the labels."
    )
    sheet: str = Field("a4-70x37", description="One of `sheets` in the answer.")
    first: int = Field(
        1, ge=1, le=100, description="The first label of the sheet that is still there, row by row from 1."
    )
    today: Day | None = Field(
        None, description="The day to evaluate the set, or the filter, for; left out: today in UTC."
    )
    format: Literal["json", "text", "html"] | None = Field(
        None, description="html is a page to print; left out: the first that Accept prefers, or JSON."
    )

    @model_validator(mode="after")
    def _asks_one_thing(self) -> LabelQuery:
        if sum(bool(asked) for asked in (self.ids, self.filter, self.definition)) > 1:
            raise ValueError("ask for `ids`, for a `filter` or for a `definition`: one of them")
        return self

    def on(self) -> LabelSheet:
        """The sheet. Raises InvalidQuery for one that is not known, or has no label `first`."""
        known = label_sheets()
        sheet = known.get(self.sheet)
        if sheet is None:
            raise _wrong(
                Sentence("there is no sheet '{sheet}'", sheet=self.sheet[:40]),
                "/sheet",
                Sentence("the sheets are {listed}", listed=", ".join(known)),
            )
        if self.first > sheet.count:
            raise _wrong(
                Sentence("the sheet has {count} labels", count=sheet.count),
                "/first",
                Sentence("take 1 to {count}", count=sheet.count),
            )
        return sheet


def _wrong(message: str, pointer: str, hint: str) -> InvalidQuery:
    return InvalidQuery([Fault("value", message, pointer, hint)])


def _forms(sheet: LabelSheet, first: int, language: Language) -> Forms[HoldingLabels]:
    return Forms(
        text=TextForm("text/plain", labels_text),
        html=TextForm("text/html", lambda found: labels_html(found, sheet, first, language)),
    )


_MEDIA = _forms(next(iter(label_sheets().values())), 1, IN_ENGLISH).media


@holding_labels.get("/labels", responses=problems("not-found", "over-limit", "too-heavy"))
async def list_labels(
    context: Context,
    owner: CurrentOwner,
    query: Annotated[LabelQuery, Query()],
    known: IfNoneMatch,
    work: Work,
    asked_language: AskedLanguage,
) -> Annotated[Reply[HoldingLabels], Sends(headers=_HEADERS, media=_MEDIA)]:
    """Labels for coins: what it is, a few facts, and the owner's number with its QR code. No value, no place of storage. A page
    is in the language that is asked for."""
    sheet, day = query.on(), query.today or context.today()
    forms = _forms(sheet, query.first, asked_language)
    form = forms.chosen(known.request, query.format)
    language = of_form(asked_language, form)
    if query.definition is not None:
        await weigh_set(work, context, owner, query.definition)
    await weigh_filter(work, context, owner, query.filter)
    held, sets = await context.read(lambda connection: _read(connection, owner, query))
    asked = (query.ids, query.filter, query.sheet, query.first)
    tag = entity_tag("labels", *held.version(day), sets, *asked, form, *stamped(language))
    unchanged = known.not_modified(tag)
    if unchanged is not None:
        return unchanged

    def make() -> HoldingLabels:
        pieces = _pieces(context, owner, held, query, day)
        if len(pieces) > MOST_LABELS:
            raise _wrong(
                Sentence("these are {count} labels", count=len(pieces)),
                "/filter",
                Sentence("ask for at most {most} at once", most=MOST_LABELS),
            )
        return labels_of(pieces, held.describer(language), held.teller(language), language)

    return forms.reply(await context.compute(make), form, tag, language)


def _read(connection: Connection, owner: Owner, query: LabelQuery) -> tuple[HeldPieces, str | None]:
    """What the labels follow from. A filter may ask where coins are placed in any set, and for a fact that any set declares: with
    one there is the key of all sets too."""
    sets = None if query.filter is None else load_sets_key(connection, owner).sets
    return load_held(connection, owner, query.definition), sets


def _pieces(context: Context, owner: Owner, held: HeldPieces, query: LabelQuery, day: date) -> Sequence[Piece]:
    if query.ids:
        wanted = [str(read_id(identity)) for identity in query.ids.split(",")]
        known = {holding.id: holding for holding in held.holdings if holding.id in set(wanted)}
        missing = next((identity for identity in wanted if identity not in known), None)
        if missing is not None:
            raise NotFound("holding", missing)
        return held.chosen(known[identity] for identity in dict.fromkeys(wanted))
    if query.filter is not None:
        found = search(context, owner, query.filter, "number", doubtful=False, on=day)
        return held.chosen(holding for _, holding in found.after(None, len(found)))
    return held.pieces(day)[0]

"""The history of a set: which coin sat where, and until when."""

from __future__ import annotations

from collections.abc import Awaitable, Mapping
from datetime import date
from typing import Annotated, Any, Literal

from fastapi import Query, Request
from msgspec import Meta
from pydantic import Field, WithJsonSchema
from sqlalchemy import Connection

from service.accounts.model import Owner
from service.definitions.history.model import Filling
from service.definitions.history.store import HistoryStore
from service.definitions.store import DefinitionStore
from service.holdings.model import StoredHolding
from service.holdings.store import HoldingStore
from service.http.dependencies import Context, CurrentOwner, DefinitionId, Unread
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.inputs import weigh_set
from service.http.openapi import problems, router
from service.http.pagination import PageQuery, number_key, page
from service.http.responses import Reply, Sends
from service.http.wire import Day, In, Out, id_of
from service.progress.actions.history import Act, note
from service.progress.history import HistoryNote
from service.progress.older import summary_as_now
from service.progress.result import Summary

history = router("/v1/definitions/{id}/history", "History")


HoldingName = Annotated[str, id_of("holding"), WithJsonSchema({"type": "string", "format": "uuid"})]


class NoteIn(In):
    """For which day, and by which revision, to note how the set stands."""

    on: Day | None = Field(None, description="Not before the last note, and no day to come; left out: today in UTC.")
    revision: int | None = Field(
        None, ge=1, le=2**31 - 1, description="Left out: the revision that the set follows (see adoption)."
    )


class HistoryQuery(PageQuery):
    """Which fillings: of one place, of one coin, of one day."""

    place: str | None = Field(None, min_length=1, max_length=500, description="The address of one place.")
    holding: HoldingName | None = Field(None, description="The id of one holding, deleted or not.")
    on: Day | None = Field(None, description="How the set stood at the end of this day, as far as it was noted.")


class FillingOut(Out):
    """A coin in a place for a time."""

    place: str
    label: Annotated[str, Meta(description="The place's label when the coin came.")]
    holding: str
    number: Annotated[
        str | None, Meta(description="The owner's own number; null too where the holding is no longer kept.")
    ]
    kept: Annotated[bool, Meta(description="Whether the holding is still kept here.")]
    basis: Literal["filled", "tentative"]
    since: Annotated[date, Meta(description="The day that it was first noted there.")]
    until: Annotated[
        date | None, Meta(description="The day that it was first noted there no more; null: it is still there.")
    ]


class HistoryPageOut(Out):
    """One page of fillings, the newest first."""

    items: list[FillingOut]
    next: Annotated[
        str | None, Meta(description="The address of the next page, the same as in the Link header; null on the last.")
    ]
    noted_on: Annotated[date | None, Meta(description="The last note; with `on` the last one up to that day.")]
    summary: Annotated[Summary | None, Meta(description="The figures of that note.")]


HistoryPage = Annotated[Reply[HistoryPageOut], Sends(headers={"Link": "The next page, with rel=next."})]


@history.post("", responses=problems("clash", "over-limit", "too-heavy"))
async def note_history(
    context: Context, owner: CurrentOwner, id: DefinitionId, key: IdempotencyKey, body: Unread[NoteIn], work: Work
) -> Reply[HistoryNote]:
    """Note how the set stands: coins that came, left or were replaced since the last note."""
    # Whether it is there comes before what is wrong with the body.
    await context.read(lambda connection: DefinitionStore(connection, owner).line(id))
    sent = body.read()
    await weigh_set(work, context, owner, id, sent.revision)

    def save(act: Act) -> Awaitable[Reply[HistoryNote]]:
        return context.run(lambda: key.once(context.database, owner, lambda connection: Reply(act(connection))))

    return await note(context, owner, id, sent.on, sent.revision, save)


@history.get("")
def get_history(
    request: Request, context: Context, owner: CurrentOwner, id: DefinitionId, query: Annotated[HistoryQuery, Query()]
) -> HistoryPage:
    """Which coin sat in which place, and until when."""
    return context.database.read(lambda connection: _history_page(connection, request, owner, id, query))


def _history_page(
    connection: Connection, request: Request, owner: Owner, identity: str, query: HistoryQuery
) -> Reply[HistoryPageOut]:
    DefinitionStore(connection, owner).line(identity)
    store = HistoryStore(connection, owner)
    picked: dict[str, Any] = {"place": query.place, "holding": query.holding, "on": query.on}
    found = page(
        request,
        query,
        lambda after, limit: store.page(identity, number_key(after) or None, limit, **picked),
        lambda filling: str(filling.number),
        lambda filling: filling,
    )
    fillings = found.value.items
    kept = {h.id: h for h in HoldingStore(connection, owner).some({f.placement.holding for f in fillings})}
    noted = store.noted(identity, query.on)
    value = HistoryPageOut(
        items=[_filling_out(filling, kept) for filling in fillings],
        next=found.value.next,
        noted_on=None if noted is None else noted.day,
        summary=None if noted is None else summary_as_now(noted.summary),
    )
    return Reply(value, found.headers)


def _filling_out(filling: Filling, kept: Mapping[str, StoredHolding]) -> FillingOut:
    placement, holding = filling.placement, kept.get(filling.placement.holding)
    return FillingOut(
        place=placement.place,
        label=placement.label,
        holding=placement.holding,
        number=holding.data.get("number") if holding else None,
        kept=holding is not None,
        basis=placement.basis,
        since=filling.since,
        until=filling.until,
    )

"""What a club offers: definitions with revisions of the club's own, announced, taken by each member as a copy; and what each
member shows the club of them."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

import msgspec
from fastapi import Query, Request
from msgspec import Meta
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection

from service.clubs.actions import offers as actions
from service.clubs.model import Announcement, ClubOffer, Consent, Copy
from service.clubs.store.offers import CopyStore, OfferStore, ShownStore
from service.evaluation.cost import cost_of_check
from service.evaluation.document_sizes import sizes_of_document
from service.http.api.clubs import Note
from service.http.conditional import IfMatch, IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentMember, DefinitionId, Json, Steward
from service.http.elsewhere import Work
from service.http.idempotency import IdempotencyKey
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken, stamped
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, page
from service.http.responses import Created, Paged, Reply, Sends, Tagged, created
from service.http.wire import Day, In, Out, QueryIn, RevisionNumber, SetDocument, StoredId
from service.progress.actions.adoption import TwoRevisions
from service.progress.revisions import RevisionChanges
from service.reference.store import IssueStore

offers = router("/v1/clubs/{club_id}", "Clubs")


# --- requests ------------------------------------------------------------------------------------------------------------


class OfferIn(In):
    """A published revision of a definition of your own."""

    definition_id: StoredId
    revision: RevisionNumber | None = Field(None, description="Left out: the newest published one.")
    note: Note | None = Field(None, description="What the members should know; it is announced.")


class TakeIn(In):
    """Which revision to take."""

    revision: RevisionNumber | None = Field(None, description="The club's number; left out: the newest.")


class ConsentIn(In):
    """What you show the club of this definition; nothing unless you say so. Takes effect with the next request."""

    standing: bool = Field(description="Which places you have filled; never by which coin.")
    spares: bool = Field(
        description="Which places your spare coins fit. Only the sides of a swap that is found are told more of a coin in it: "
        "what it is, its issue and its grade."
    )
    display: bool = Field(
        False,
        description="Your coins may be shown in the club's display: a coin that is shown with its facts and its issue.",
    )
    photos: bool = Field(
        False,
        description="Photos of your coins in the display may be seen by the members, in up to 640 pixels. Only together with "
        "`display`: without it this is taken as false.",
    )


class OfferQuery(QueryIn):
    """Which revision."""

    revision: int | None = Field(None, ge=1, le=2**31 - 1, description="The club's number; left out: the newest.")


class OfferedChangesQuery(BaseModel):
    """Which two revisions of the club's to compare."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_: RevisionNumber | None = Field(None, alias="from", description="The club's number; left out: the one before.")
    to: RevisionNumber | None = Field(None, description="The club's number; left out: the newest.")
    today: Day | None = Field(None, description="The day that decides what is defunct; left out: today in UTC.")


# --- answers -------------------------------------------------------------------------------------------------------------


class OfferSummaryOut(Out):
    """A definition that the club offers. The revision is the club's own number."""

    id: str
    revision: int
    digest: str
    title: str
    note: str | None
    offered_by: str
    offered_at: datetime


class CopyOut(Out):
    """Your own definition that was taken from it."""

    definition_id: str
    revision: Annotated[int, Meta(description="The club's number of the revision that was taken.")]


class OfferOut(OfferSummaryOut):
    """A definition that the club offers, with its document and what is your own about it."""

    document: SetDocument
    copy_: CopyOut | None = msgspec.field(name="copy")


class AnnouncementOut(Out):
    """What is new about what the club offers."""

    id: str
    kind: Literal["offered", "revised", "withdrawn"]
    definition_id: str
    title: str
    revision: int
    note: str | None
    by: str
    at: datetime


class TakenOut(CopyOut):
    """Your new definition, published as the club offers it."""

    title: str
    digest: str


class ConsentOut(Out):
    """What you show the club of this definition."""

    standing: bool
    spares: bool
    display: bool
    photos: bool


def _summary(offered: ClubOffer) -> dict[str, Any]:
    return {
        "id": offered.definition,
        "revision": offered.number,
        "digest": offered.digest,
        "title": offered.title,
        "note": offered.note,
        "offered_by": offered.offered_by,
        "offered_at": offered.offered_at,
    }


def _offer_out(offered: ClubOffer, copy: Copy | None) -> OfferOut:
    own = None if copy is None else CopyOut(copy.definition, copy.revision)
    return OfferOut(**_summary(offered), document=dict(offered.document), copy_=own)


def _announcement_out(made: Announcement) -> AnnouncementOut:
    kind: Any = made.kind
    return AnnouncementOut(made.id, kind, made.definition, made.title, made.revision, made.note, made.by, made.at)


def _consent_out(consent: Consent) -> ConsentOut:
    return ConsentOut(consent.standing, consent.spares, consent.display, consent.photos)


def _offer_tag(offered: ClubOffer, copy: Copy | None) -> str:
    """Changes with the newest revision, and with one's own copy."""
    mine = ("", "") if copy is None else (copy.definition, copy.revision)
    return entity_tag("offer", offered.definition, offered.number, offered.digest, *mine)


def _made(club: str, offered: ClubOffer, copy: Copy | None) -> Reply[OfferOut]:
    where = f"/v1/clubs/{club}/definitions/{offered.definition}"
    return created(_offer_out(offered, copy), where, _offer_tag(offered, copy))


# --- definitions that the club offers ------------------------------------------------------------------------------------


@offers.post("/definitions", responses=problems("clash"))
def offer_definition(context: Context, member: Steward, key: IdempotencyKey, body: Json[OfferIn]) -> Created[OfferOut]:
    """Offer the club a definition of your own."""

    def offer(connection: Connection) -> Reply[OfferOut]:
        asked = (body.definition_id, body.revision, body.note)
        return _made(member.club, actions.offer(connection, member, *asked, context.now()), None)

    return key.once(context.database, member.owner, offer)


@offers.get("/definitions")
def list_offers(request: Request, context: Context, member: CurrentMember, query: Paging) -> Paged[OfferSummaryOut]:
    """The definitions that the club offers, page by page."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: OfferStore(connection, member.club).page(identity_key(after), limit),
            lambda offered: offered.definition,
            lambda offered: OfferSummaryOut(**_summary(offered)),
        )
    )


@offers.get("/definitions/{id}")
def get_offer(
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    query: Annotated[OfferQuery, Query()],
    known: IfNoneMatch,
) -> Tagged[OfferOut]:
    """A definition that the club offers, with its document."""

    def find(connection: Connection) -> tuple[ClubOffer, Copy | None]:
        store = OfferStore(connection, member.club)
        offered = store.newest(id) if query.revision is None else store.revision(id, query.revision)
        return offered, CopyStore(connection, member.owner).of(id)

    found = context.database.read(find)
    return known.not_modified_or(_offer_tag(*found), lambda: _offer_out(*found))


@offers.delete("/definitions/{id}")
def withdraw_offer(context: Context, member: Steward, id: DefinitionId, expected: IfMatch) -> None:
    """Offer it no longer; copies stay with whoever took them."""

    def withdraw(connection: Connection) -> None:
        copy = CopyStore(connection, member.owner).of(id)
        actions.withdraw(
            connection, member, id, context.now(), expect=lambda before: expected.check(_offer_tag(before, copy))
        )

    context.database.write(withdraw)


@offers.post("/definitions/{id}/revisions", responses=problems("clash"))
def offer_revision(
    context: Context, member: Steward, id: DefinitionId, key: IdempotencyKey, body: Json[OfferIn]
) -> Created[OfferOut]:
    """Offer a newer revision; members' own sets stay as they are until they take it."""

    def revise(connection: Connection) -> Reply[OfferOut]:
        asked = (body.definition_id, body.revision, body.note)
        offered = actions.revise(connection, member, id, *asked, context.now())
        return _made(member.club, offered, CopyStore(connection, member.owner).of(id))

    return key.once(context.database, member.owner, revise)


@offers.get("/definitions/{id}/changes", responses=problems("over-limit", "too-heavy"))
async def compare_offered(
    context: Context,
    member: CurrentMember,
    id: DefinitionId,
    query: Annotated[OfferedChangesQuery, Query()],
    known: IfNoneMatch,
    language: AskedLanguage,
    work: Work,
) -> Annotated[
    Reply[RevisionChanges],
    Sends(
        headers={
            "ETag": "Of both revisions, your own issues, the editions, the day and the language.",
            **CONTENT_LANGUAGE,
        }
    ),
]:
    """What changed from one revision that the club offers to another, by its meaning."""
    day = query.today or context.today()

    def find(connection: Connection) -> TwoRevisions:
        store = OfferStore(connection, member.club)
        new = store.newest(id) if query.to is None else store.revision(id, query.to)
        before = max(1, new.number - 1) if query.from_ is None else query.from_
        own = IssueStore(connection, member.owner).own_reference()
        return TwoRevisions(store.revision(id, before).as_revision, new.as_revision, own)

    two = await context.read(find)
    await work.weigh(cost_of_check(sizes_of_document(two.new.document, 0, 0)).times(2, "revisions"))
    tag, headers = entity_tag(*two.version(day), *stamped(language)), spoken(language)
    unchanged = known.not_modified(tag, headers)
    return unchanged or Reply(await context.compute(lambda: two.changes(day, language)), {"ETag": tag, **headers})


@offers.post("/definitions/{id}/copies", responses=problems("clash"))
def take_offer(
    context: Context, member: CurrentMember, id: DefinitionId, key: IdempotencyKey, body: Json[TakeIn]
) -> Annotated[Reply[TakenOut], Sends(201, {"Location": "Where your own definition is kept."})]:
    """Take a definition of the club's as one of your own."""

    def take(connection: Connection) -> Reply[TakenOut]:
        line, revision, copy = actions.take(connection, member, id, body.revision, context.now())
        taken = TakenOut(copy.definition, copy.revision, revision.title, revision.digest)
        return Reply(taken, {"Location": f"/v1/definitions/{line.id}"}, 201)

    return key.once(context.database, member.owner, take)


@offers.get("/announcements")
def list_announcements(
    request: Request, context: Context, member: CurrentMember, query: Paging
) -> Paged[AnnouncementOut]:
    """What was offered, revised and withdrawn, in order."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: OfferStore(connection, member.club).announcements(identity_key(after), limit),
            lambda made: made.id,
            _announcement_out,
        )
    )


# --- consent -------------------------------------------------------------------------------------------------------------


@offers.get("/definitions/{id}/consent")
def get_consent(context: Context, member: CurrentMember, id: DefinitionId) -> ConsentOut:
    """What you show the club of this definition."""

    def find(connection: Connection) -> Consent:
        OfferStore(connection, member.club).newest(id)
        return ShownStore(connection, member.club, id).consent(member.owner)

    return _consent_out(context.database.read(find))


@offers.put("/definitions/{id}/consent")
def set_consent(context: Context, member: CurrentMember, id: DefinitionId, body: Json[ConsentIn]) -> ConsentOut:
    """Show the club your standing, your spares, your coins in its display or their photos, or cease to. It holds from the next
    request on."""
    # Without If-Match: ceasing to show something never fails for what was said before.
    consent = Consent(body.standing, body.spares, body.display, body.photos)
    return _consent_out(
        context.database.write(lambda connection: actions.show(connection, member, id, consent, context.now()))
    )

"""Links to one revision of a definition: made, listed, revoked by their owner; opened without an account by anybody who has
one. What a link shows never says whose it is, and every link that does not open is answered in the same words."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import Query, Request
from msgspec import Meta
from pydantic import Field
from starlette.responses import Response

from service.database.ids import new_id
from service.definitions.model import Revision
from service.formats.html import PAGE, page_policy, render
from service.formats.qr import qr_code
from service.formats.strict_json import YAML
from service.http.conditional import IfNoneMatch, entity_tag
from service.http.dependencies import Context, CurrentOwner, Json, ShareId
from service.http.languages import CONTENT_LANGUAGE, AskedLanguage, spoken, stamped
from service.http.negotiation import accepted, of_form
from service.http.openapi import problems, router
from service.http.pagination import Paging, identity_key, number_key, page
from service.http.problems import base_url
from service.http.responses import Paged, Reply, Sends, Tagged, with_secret
from service.http.wire import In, Name, Out, QueryIn, RevisionNumber, SetDocument, StoredId
from service.reference import actions as reference
from service.reference.languages import Language
from service.rules.wording import sections_in_words
from service.rules.yaml_text import as_yaml
from service.sharing.actions import shares as actions
from service.sharing.actions.shares import SharedRevision
from service.sharing.model import Share
from service.sharing.store import ShareStore

shares = router("/v1", "Shares")

_DAY_SECONDS = 24 * 60 * 60
_FORMS = {"json": "application/json", "yaml": YAML, "html": "text/html"}
# A link is a key. It is kept out of caches, indexes and the addresses that other sites are told.
_SHARED_HEADERS = {"Cache-Control": "private, no-store", "Referrer-Policy": "no-referrer", "X-Robots-Tag": "noindex"}


# --- requests ------------------------------------------------------------------------------------------------------------


class ShareIn(In):
    """A link to one published revision."""

    definition: StoredId = Field(description="The id of one of your definitions.")
    revision: RevisionNumber = Field(description="A published one: a draft cannot be shared.")
    name: Name | None = Field(None, description="Your word for the link; whoever opens it does not see it.")
    follows: bool = Field(False, description="true: the link shows revisions that are published later, too.")
    expires_in_seconds: int | None = Field(None, ge=60, le=3650 * _DAY_SECONDS, description="Left out: never.")
    most_uses: int | None = Field(
        None, ge=1, le=1_000_000, description="How often a document may be had through the link; left out: no limit."
    )

    def share(self, now: datetime) -> Share:
        """A new share."""
        ends = None if self.expires_in_seconds is None else now + timedelta(seconds=self.expires_in_seconds)
        return Share(new_id(), self.definition, self.revision, self.name, self.follows, now, ends, self.most_uses)


class SharedQuery(QueryIn):
    """In which form."""

    format: Literal["json", "yaml", "html"] | None = Field(
        None, description="html is a page for people; left out: the first that Accept prefers, or JSON."
    )


# --- answers -------------------------------------------------------------------------------------------------------------


class ShareOut(Out):
    """A share, as its owner sees it."""

    id: str
    definition: str
    revision: int
    name: str | None
    follows: bool
    status: Literal["open", "revoked", "expired", "used up"]
    created_at: datetime
    expires_at: datetime | None
    uses_left: Annotated[int | None, Meta(description="null: no limit.")]
    revoked_at: datetime | None
    last_used_at: Annotated[datetime | None, Meta(description="To the minute.")]


class ShareMadeOut(ShareOut):
    """A new share, with its link, which is shown only here."""

    link: str
    qr_svg: Annotated[str, Meta(description="The link as a QR code, a drawing (SVG).")]


class SharedRevisionOut(Out):
    """A revision in the list of those that a link shows."""

    title: str
    revision: int
    digest: str
    published_at: datetime


class SharedOut(SharedRevisionOut):
    """What a link shows: a document, and nothing of its owner."""

    follows: Annotated[
        bool, Meta(description="Whether revisions that are published later can be seen, too: /revisions.")
    ]
    newest_revision: Annotated[int, Meta(description="The newest that may be seen through the link.")]
    document: SetDocument


def _share_fields(share: Share, now: datetime) -> dict[str, Any]:
    return {
        "id": share.id,
        "definition": share.definition,
        "revision": share.revision,
        "name": share.name,
        "follows": share.follows,
        "status": share.status(now),
        "created_at": share.created_at,
        "expires_at": share.expires_at,
        "uses_left": share.uses_left,
        "revoked_at": share.revoked_at,
        "last_used_at": share.last_used_at,
    }


def _share_tag(share: Share, now: datetime) -> str:
    return entity_tag("share", share.id, share.status(now), share.uses_left, share.last_used_at)


def _shared_revision_out(revision: Revision) -> SharedRevisionOut:
    return SharedRevisionOut(revision.title, revision.number, revision.digest, revision.created_at)


def _shared_out(shown: SharedRevision) -> SharedOut:
    revision = shown.revision
    parts = (revision.title, revision.number, revision.digest, revision.created_at)
    return SharedOut(*parts, shown.share.follows, shown.newest, dict(revision.document))


def _shared_tag(shown: SharedRevision, *form: str) -> str:
    """Of what is shown, not of the link: two links to one revision have one tag."""
    return entity_tag("shared", shown.revision.digest, shown.revision.number, shown.newest, shown.share.follows, *form)


# --- the owner's shares --------------------------------------------------------------------------------------------------


@shares.post("/shares", responses=problems("not-found"))
def create_share(
    request: Request, context: Context, owner: CurrentOwner, body: Json[ShareIn]
) -> Annotated[Reply[ShareMadeOut], Sends(201, {"Location": "Where the share is kept."})]:
    """Make a link to a published revision; it is told once."""
    # Without Idempotency-Key, as for all that makes a secret: a remembered answer would keep it.
    now = context.now()
    made = body.share(now)
    link = _link(request, context.database.write(lambda connection: actions.create_share(connection, owner, made)))
    value = ShareMadeOut(**_share_fields(made, now), link=link, qr_svg=qr_code(link).svg_inline(scale=4))
    return with_secret(value, headers={"Location": f"/v1/shares/{made.id}"})


@shares.get("/shares")
def list_shares(request: Request, context: Context, owner: CurrentOwner, query: Paging) -> Paged[ShareOut]:
    """Shares, page by page, without their links."""
    return context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: ShareStore(connection, owner).page(identity_key(after), limit),
            lambda share: share.id,
            lambda share: ShareOut(**_share_fields(share, context.now())),
        )
    )


@shares.get("/shares/{id}")
def get_share(context: Context, owner: CurrentOwner, id: ShareId, known: IfNoneMatch) -> Tagged[ShareOut]:
    """One share, without its link."""
    share, now = context.database.read(lambda connection: ShareStore(connection, owner).get(id)), context.now()
    return known.not_modified_or(_share_tag(share, now), lambda: ShareOut(**_share_fields(share, now)))


@shares.delete("/shares/{id}")
def revoke_share(context: Context, owner: CurrentOwner, id: ShareId) -> None:
    """Revoke a link: from the next request on it leads nowhere."""
    # Without If-Match: a link that went astray is revoked whatever was changed meanwhile.
    context.database.write(lambda connection: ShareStore(connection, owner).revoke(id, context.now()))


# --- opening a link ------------------------------------------------------------------------------------------------------


@shares.get("/shared/{secret}", responses=problems("not-found", "busy", "not-ready"))
async def get_shared(
    request: Request,
    context: Context,
    secret: str,
    query: Annotated[SharedQuery, Query()],
    known: IfNoneMatch,
    language: AskedLanguage,
) -> Annotated[
    Reply[SharedOut],
    Sends(
        headers={"ETag": "Of the revision, of what is newer, of the form and a page's language.", **CONTENT_LANGUAGE},
        media=(YAML, "text/html"),
    ),
]:
    """What a link leads to: JSON, YAML, or a page with the places in words of the language that is asked for."""
    form, now = query.format or accepted(request, _FORMS), context.now()
    shown = await context.read(lambda connection: actions.open_link(connection, secret, now))
    told = of_form(language, form)
    headers = {**_SHARED_HEADERS, "ETag": _shared_tag(shown, form, *stamped(told)), **spoken(told, "Accept")}
    # Neither asking whether there is something new nor HEAD counts as a use.
    if (unchanged := known.not_modified(headers["ETag"], headers)) is not None:
        return unchanged
    if _hands_out(request):
        await context.run(lambda: actions.record_use(context.database, secret, shown.share, now))
    if form == "json":
        return Reply(_shared_out(shown), headers)
    text = await context.compute(lambda: _text(form, shown, _link(request, secret), told))
    if form == "html":
        headers["Content-Security-Policy"] = page_policy(PAGE)
    return Reply(_shared_out(shown), headers, encoded=text.encode(), media_type=f"{_FORMS[form]}; charset=utf-8")


@shares.get("/shared/{secret}/qr", responses=problems("not-found", "not-ready"))
def get_shared_qr(
    request: Request, context: Context, secret: str
) -> Annotated[Response, Sends(media=("image/svg+xml",))]:
    """The link as a QR code."""
    context.database.read(lambda connection: actions.open_link(connection, secret, context.now()))
    drawn = io.BytesIO()
    qr_code(_link(request, secret)).save(drawn, kind="svg", scale=4, xmldecl=False)
    # An SVG is a document: opened by itself it is to do nothing either.
    headers = {**_SHARED_HEADERS, "Content-Security-Policy": "default-src 'none'"}
    return Response(drawn.getvalue(), 200, headers, "image/svg+xml")


@shares.get("/shared/{secret}/revisions", responses=problems("not-found", "not-ready"))
def list_shared_revisions(request: Request, context: Context, secret: str, query: Paging) -> Paged[SharedRevisionOut]:
    """The revisions that a link shows: its own, and later ones if it follows."""
    now = context.now()
    found = context.database.read(
        lambda connection: page(
            request,
            query,
            lambda after, limit: actions.linked_revisions(connection, secret, now, number_key(after), limit),
            lambda revision: str(revision.number),
            _shared_revision_out,
        )
    )
    return replace(found, headers={**found.headers, **_SHARED_HEADERS})


@shares.get("/shared/{secret}/revisions/{number}", responses=problems("not-found", "busy", "not-ready"))
def get_shared_revision(
    request: Request, context: Context, secret: str, number: RevisionNumber, known: IfNoneMatch
) -> Annotated[Reply[SharedOut], Sends(headers={"ETag": "Of the revision, and of what is newer."})]:
    """One revision that a link shows."""
    now = context.now()
    shown = context.database.read(lambda connection: actions.open_link(connection, secret, now, number))
    headers = {**_SHARED_HEADERS, "ETag": _shared_tag(shown, "json")}
    if (unchanged := known.not_modified(headers["ETag"], headers)) is not None:
        return unchanged
    if _hands_out(request):
        actions.record_use(context.database, secret, shown.share, now)
    return Reply(_shared_out(shown), headers)


def _hands_out(request: Request) -> bool:
    """Whether the document goes out: an answer to HEAD has no body."""
    return request.scope.get("method_sent") != "HEAD"


def _link(request: Request, secret: str) -> str:
    return f"{base_url(request)}/v1/shared/{secret}"


def _text(form: str, shown: SharedRevision, link: str, language: Language) -> str:
    """The document as YAML, or a page for people."""
    revision, document = shown.revision, shown.revision.document
    if form == "yaml":
        return as_yaml(document)
    return render(
        "shared.html",
        speech=language,
        set_language=str(document.get("language", "en")),
        title=revision.title,
        summary=str(document.get("summary", "")),
        said=sections_in_words(reference.read_stored(document), language),
        link=link,
        take_over=f"/app/take#from={quote(link, safe='')}",
        revision=revision.number,
        newest=shown.newest,
        digest=revision.digest,
        published_on=f"{revision.created_at:%Y-%m-%d}",
        qr_svg=qr_code(link).svg_inline(scale=3),
    )

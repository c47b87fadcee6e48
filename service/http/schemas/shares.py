"""Shares on the wire: the owner's side, and what a link shows."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.database.ids import new_id, read_id
from service.definitions.model import Revision
from service.http.conditional import entity_tag
from service.http.wire import In, Name, OldOut, OldPageOut
from service.sharing.actions.shares import SharedRevision
from service.sharing.shares import Share

_DAY_SECONDS = 24 * 60 * 60


def _stored(value: Any) -> str:
    identity = read_id(value) if isinstance(value, str) else None
    if identity is None:
        raise PydanticCustomError("id", "this is the id of a definition that is kept here")
    return identity


_UUID = {"type": "string", "format": "uuid", "pattern": "^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$"}
StoredId = Annotated[str, BeforeValidator(_stored), WithJsonSchema(_UUID)]


class ShareIn(In):
    """A link to one published revision."""

    definition: StoredId = Field(description="The id of one of your definitions.")
    revision: int = Field(ge=1, le=2**31 - 1, description="A published one: a draft cannot be shared.")
    name: Name | None = Field(None, description="Your word for the link; whoever opens it does not see it.")
    follows: bool = Field(False, description="true: the link shows revisions that are published later, too.")
    expires_in_seconds: int | None = Field(None, ge=60, le=3650 * _DAY_SECONDS, description="Left out: never.")
    most_uses: int | None = Field(
        None, ge=1, le=1_000_000, description="How often a document may be had through the link; left out: no limit."
    )


class SharedQuery(BaseModel):
    """In which form."""

    model_config = ConfigDict(extra="forbid")

    format: Literal["json", "yaml", "html"] | None = Field(
        None, description="html is a page for people; left out: the first that Accept prefers, or JSON."
    )


class ShareOut(OldOut):
    """A share, as its owner sees it."""

    id: str
    definition: str
    revision: int
    name: str | None
    follows: bool
    status: Literal["open", "revoked", "expired", "used up"]
    created_at: datetime
    expires_at: datetime | None
    uses_left: int | None = Field(description="null: no limit.")
    revoked_at: datetime | None
    last_used_at: datetime | None = Field(description="To the minute.")


class ShareMadeOut(ShareOut):
    """A new share, with its link, which cannot be had again."""

    link: str
    qr_svg: str = Field(description="The link as a QR code, a drawing (SVG).")


class SharePageOut(OldPageOut):
    """One page of shares."""

    items: list[ShareOut]


class SharedRevisionOut(OldOut):
    """A revision in the list of those that a link shows."""

    title: str
    revision: int
    digest: str
    published_at: datetime


class SharedOut(SharedRevisionOut):
    """What a link shows: a document, and nothing of its owner."""

    follows: bool = Field(description="Whether revisions that are published later can be seen, too: /revisions.")
    newest_revision: int = Field(description="The newest that may be seen through the link.")
    document: dict[str, Any]


class SharedRevisionPageOut(OldPageOut):
    """One page of the revisions that a link shows."""

    items: list[SharedRevisionOut]


def new_share(sent: ShareIn, now: datetime) -> Share:
    ends = None if sent.expires_in_seconds is None else now + timedelta(seconds=sent.expires_in_seconds)
    return Share(new_id(), sent.definition, sent.revision, sent.name, sent.follows, now, ends, sent.most_uses)


def shown_share(share: Share, now: datetime) -> dict[str, Any]:
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


def share_tag(share: Share, now: datetime) -> str:
    return entity_tag("share", share.id, share.status(now), share.uses_left, share.last_used_at)


def shared_summary(revision: Revision) -> dict[str, Any]:
    return {
        "title": revision.title,
        "revision": revision.number,
        "digest": revision.digest,
        "published_at": revision.created_at,
    }


def shared_document(shown: SharedRevision) -> dict[str, Any]:
    return {
        **shared_summary(shown.revision),
        "follows": shown.share.follows,
        "newest_revision": shown.newest,
        "document": shown.revision.document,
    }


def shared_tag(shown: SharedRevision, form: str) -> str:
    """Of what is shown, not of the link: two links to one revision have one tag."""
    return entity_tag("shared", shown.revision.digest, shown.revision.number, shown.newest, shown.share.follows, form)

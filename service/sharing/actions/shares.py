"""Sharing a revision, and opening a link. Each action is part of the caller's transaction."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import SHARE_PREFIX, Owner, new_token, token_digest
from service.accounts.store import AccountStore
from service.definitions.model import Revision
from service.definitions.store import DefinitionStore
from service.errors import NotFound
from service.sharing.shares import Share
from service.sharing.store import SharedStore, ShareStore


@dataclass(frozen=True, slots=True)
class SharedRevision:
    """What a link shows: one revision, and the number of the newest that may be seen through it."""

    share: Share
    revision: Revision
    newest: int


def share(connection: Connection, owner: Owner, made: Share) -> str:
    """Keeps a new share of a published revision. Gives its secret, which is not stored and cannot be had again. Raises
    NotFound when there is no such revision: a draft is none."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).revision(made.definition, made.revision)
    secret = new_token(SHARE_PREFIX)
    ShareStore(connection, owner).add(token_digest(secret), made)
    return secret


def opened(connection: Connection, secret: str, now: datetime, number: int | None = None) -> SharedRevision:
    """What the link shows: its own revision, or another one that it shows, too. Raises NotFound."""
    owner, found = SharedStore(connection).open(token_digest(secret), now)
    store = DefinitionStore(connection, owner)
    number = found.revision if number is None else number
    if not found.shows(number):
        raise NotFound("revision", str(number))
    newest = store.line(found.definition).published if found.follows else found.revision
    if number > newest:
        raise NotFound("revision", str(number))
    return SharedRevision(found, store.revision(found.definition, number), newest)


def shown_revisions(connection: Connection, secret: str, now: datetime, after: int, limit: int) -> tuple[Revision, ...]:
    """Up to `limit` revisions that the link shows, in the order of their numbers, from behind `after`."""
    owner, found = SharedStore(connection).open(token_digest(secret), now)
    first = max(after, found.revision - 1)
    listed = DefinitionStore(connection, owner).revisions(found.definition, first, limit)
    return tuple(revision for revision in listed if found.shows(revision.number))

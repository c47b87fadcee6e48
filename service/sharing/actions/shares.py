"""Sharing a revision by a link, and opening the link."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from service.accounts.model import SHARE_PREFIX, Owner, new_token, token_digest
from service.accounts.store import AccountStore
from service.database.engine import Database
from service.definitions.model import Revision
from service.definitions.store import DefinitionStore
from service.errors import NotFound, SetwrightError
from service.sharing.model import Share
from service.sharing.store import LinkStore, ShareStore


@dataclass(frozen=True, slots=True)
class SharedRevision:
    """What a link shows: one revision, and the number of the newest that may be seen through it."""

    share: Share
    revision: Revision
    newest: int


def create_share(connection: Connection, owner: Owner, made: Share) -> str:
    """Stores a new share of a published revision. Returns its secret, which is not stored. Raises NotFound if there is no such
    revision; a draft is none."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).revision(made.definition, made.revision)
    secret = new_token(SHARE_PREFIX)
    ShareStore(connection, owner).add(token_digest(secret), made)
    return secret


def open_link(connection: Connection, secret: str, now: datetime, number: int | None = None) -> SharedRevision:
    """What the link shows: its own revision, or the one of this number. Raises NotFound."""
    owner, found = LinkStore(connection).open(token_digest(secret), now)
    store = DefinitionStore(connection, owner)
    number = found.revision if number is None else number
    if not found.shows(number):
        raise NotFound("revision", str(number))
    newest = store.line(found.definition).published if found.follows else found.revision
    if number > newest:
        raise NotFound("revision", str(number))
    return SharedRevision(found, store.revision(found.definition, number), newest)


def linked_revisions(
    connection: Connection, secret: str, now: datetime, after: int, limit: int
) -> tuple[Revision, ...]:
    """Up to `limit` revisions that the link shows, in the order of their numbers, after `after`. Raises NotFound."""
    owner, found = LinkStore(connection).open(token_digest(secret), now)
    first = max(after, found.revision - 1)
    listed = DefinitionStore(connection, owner).revisions(found.definition, first, limit)
    return tuple(revision for revision in listed if found.shows(revision.number))


def record_use(database: Database, secret: str, share: Share, now: datetime) -> None:
    """Counts a use of a share whose uses are limited, else records when it was last used. Raises NotFound if none is left."""
    digest = token_digest(secret)
    if share.uses_left is not None:
        database.write(lambda connection: LinkStore(connection).spend(digest, now))
    elif share.is_worth_noting(now):
        # A failure to record it is no reason to refuse a request that only reads.
        with suppress(SetwrightError):
            database.write(lambda connection: LinkStore(connection).note_use(digest, now))

"""Copying a definition, and what is known of the origin of one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.definitions import actions as definitions
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Conflict
from service.reference import actions as reference
from service.rules.definition import Definition
from service.runtime import Context
from service.sharing.model import OWN, Origin, OriginRevision, pause_after
from service.sharing.store import OriginStore


@dataclass(frozen=True, slots=True)
class PreparedCopy:
    """A copy to make: the revision it is made from, and its document."""

    original: Revision
    document: Mapping[str, Any]
    definition: Definition


async def prepare_copy(
    context: Context, owner: Owner, identity: str, number: int | None, title: str | None
) -> PreparedCopy:
    """A copy of a published revision, the newest unless one is named, under another title if one is given. Raises NotFound;
    Conflict if none is published."""
    original = await context.read(lambda connection: _published(connection, owner, identity, number))
    document = {**original.document} | ({} if title is None else {"title": title})
    definition = await context.compute(lambda: reference.read_definition(document))
    return PreparedCopy(original, document, definition)


def add_copy(
    connection: Connection, owner: Owner, identity: str | None, copy: PreparedCopy, now: datetime
) -> tuple[StoredDefinition, Revision]:
    """The copy as a draft of a new definition, with its origin."""
    line, revision = definitions.draft(connection, owner, identity, copy.document, now)
    original = copy.original
    origin = Origin(
        OWN,
        original.title,
        original.number,
        original.digest,
        now,
        source=original.definition,
        newest=original.number,
    )
    OriginStore(connection, owner).add(line.id, origin)
    return line, revision


def newer_original(connection: Connection, owner: Owner, origin: Origin, now: datetime) -> OriginRevision | None:
    """The newest revision of the definition that was copied, if it is newer than what is known. Raises NotFound if that
    definition is gone."""
    assert origin.source is not None
    store = DefinitionStore(connection, owner)
    published = store.line(origin.source).published
    if published <= (origin.newest or 0):
        return None
    found = store.revision(origin.source, published)
    return OriginRevision(found.number, found.digest, found.title, now, found.document)


def record_check(
    connection: Connection,
    owner: Owner,
    definition: str,
    now: datetime,
    *,
    offered: OriginRevision | None = None,
    etag: str | None = None,
) -> Origin:
    """Stores that the origin answered, and the newer revision if it has one. Raises NotFound if the definition is gone."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    origin = store.get(definition)
    newest = max(origin.newest or 0, offered.number) if offered else origin.newest
    checked = replace(
        origin, newest=newest, etag=etag or origin.etag, checked_at=now, next_check_at=None, failures=0, problem=None
    )
    store.record(definition, checked)
    if offered is not None:
        store.offer(definition, offered)
    return checked


def record_failure(
    connection: Connection, owner: Owner, definition: str, code: str, now: datetime, chance: float
) -> Origin:
    """Stores the code of the failure, and until when the origin is left alone. Raises NotFound if the definition is gone."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    origin = store.get(definition)
    failures = origin.failures + 1
    pause = pause_after(failures, chance)
    checked = replace(origin, checked_at=now, next_check_at=now + pause, failures=failures, problem=code)
    store.record(definition, checked)
    return checked


def forget_origin(connection: Connection, owner: Owner, definition: str, *, expect: Callable[[Origin], None]) -> None:
    """Deletes where the definition came from, and its newer revisions. `expect` raises Stale if the origin changed."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    expect(store.get(definition))
    store.delete(definition)


def _published(connection: Connection, owner: Owner, identity: str, number: int | None) -> Revision:
    store = DefinitionStore(connection, owner)
    published = store.line(identity).published
    if not published:
        raise Conflict("the definition '{id}' has no published revision to copy", id=identity)
    return store.revision(identity, number or published)

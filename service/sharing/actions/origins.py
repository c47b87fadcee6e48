"""Bringing a definition, saying yes to it, copying one's own, following an origin. Each action is part of the caller's
transaction; what comes from elsewhere was fetched and checked before."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.definitions import actions as definitions
from service.definitions.model import Revision, StoredDefinition
from service.definitions.store import DefinitionStore
from service.errors import Conflict
from service.sharing.origin_store import BroughtStore, OriginStore
from service.sharing.origins import MOST_WAITING, OWN, Brought, Origin, OriginRevision, pause_after


def ensure_room(connection: Connection, owner: Owner, now: datetime) -> None:
    """Raises Clash when as many imports wait as may."""
    if BroughtStore(connection, owner).waiting(now) >= MOST_WAITING:
        raise Conflict(f"{MOST_WAITING} imports wait for a yes already: confirm or delete some")


def bring(connection: Connection, owner: Owner, made: Brought) -> None:
    """Keeps an import until somebody says yes or its time is over. Raises Clash when too many wait."""
    AccountStore(connection).lock(owner)
    BroughtStore(connection, owner).prune(made.created_at)
    ensure_room(connection, owner, made.created_at)
    BroughtStore(connection, owner).add(made)


def confirm(connection: Connection, owner: Owner, identity: str, now: datetime) -> tuple[StoredDefinition, Revision]:
    """The import as a definition of the owner's, published as it came, with its origin. Raises NotFound; Clash when that
    was done before."""
    AccountStore(connection).lock(owner)
    store = BroughtStore(connection, owner)
    brought = store.get(identity, now)
    if brought.definition is not None:
        raise Conflict(f"this import was confirmed already: it is the definition '{brought.definition}'")
    assert brought.document is not None
    line, _ = definitions.draft(connection, owner, None, brought.document)
    line, revision = definitions.publish(connection, owner, line.id, expect=_as_it_is)
    origin = Origin(
        brought.kind,
        brought.title,
        brought.revision,
        brought.digest,
        now,
        address=brought.address,
        newest=brought.revision,
        etag=brought.etag,
    )
    OriginStore(connection, owner).add(line.id, origin)
    store.note_confirmed(identity, line.id)
    return line, revision


def drop(connection: Connection, owner: Owner, identity: str, now: datetime) -> None:
    """Deletes an import; what became of it stays. Raises NotFound."""
    AccountStore(connection).lock(owner)
    BroughtStore(connection, owner).get(identity, now)
    BroughtStore(connection, owner).delete(identity)


def to_copy(connection: Connection, owner: Owner, definition: str, number: int | None) -> Revision:
    """The published revision to copy, the newest unless one is named. Raises NotFound; Clash when none is published."""
    store = DefinitionStore(connection, owner)
    published = store.line(definition).published
    if not published:
        raise Conflict(f"the definition '{definition}' has no published revision to copy")
    return store.revision(definition, number or published)


def copy(
    connection: Connection,
    owner: Owner,
    identity: str | None,
    original: Revision,
    document: Mapping[str, Any],
    now: datetime,
) -> tuple[StoredDefinition, Revision]:
    """A new definition, drafted with this document, that remembers which revision it was copied from."""
    line, revision = definitions.draft(connection, owner, identity, document)
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


def newer_of_own(connection: Connection, owner: Owner, origin: Origin, now: datetime) -> OriginRevision | None:
    """The newest revision of the definition that was copied, if it is newer than what is known. Raises NotFound when that
    definition is gone."""
    assert origin.source is not None
    store = DefinitionStore(connection, owner)
    published = store.line(origin.source).published
    if published <= (origin.newest or 0):
        return None
    found = store.revision(origin.source, published)
    return OriginRevision(found.number, found.digest, found.title, now, found.document)


def note_check(
    connection: Connection,
    owner: Owner,
    definition: str,
    now: datetime,
    *,
    offered: OriginRevision | None = None,
    etag: str | None = None,
) -> Origin:
    """Writes down that the origin answered, and what is newer there. Raises NotFound when the definition is gone."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    origin = store.get(definition)
    newest = max(origin.newest or 0, offered.number) if offered else origin.newest
    checked = replace(
        origin, newest=newest, etag=etag or origin.etag, checked_at=now, next_check_at=None, failures=0, problem=None
    )
    store.note(definition, checked)
    if offered is not None:
        store.offer(definition, offered)
    return checked


def note_failure(
    connection: Connection, owner: Owner, definition: str, problem: str, now: datetime, chance: float
) -> Origin:
    """Writes down that the origin did not answer as it should, and until when it is left alone."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    origin = store.get(definition)
    failures = origin.failures + 1
    pause = pause_after(failures, chance)
    checked = replace(origin, checked_at=now, next_check_at=now + pause, failures=failures, problem=problem)
    store.note(definition, checked)
    return checked


def forget(connection: Connection, owner: Owner, definition: str, *, expect: Callable[[Origin], None]) -> None:
    """Forgets where the definition came from, and what is newer there. `expect` raises Stale when that changed."""
    AccountStore(connection).lock(owner)
    store = OriginStore(connection, owner)
    expect(store.get(definition))
    store.forget(definition)


def _as_it_is(_: StoredDefinition) -> None:
    """The account is held, so nothing changed since it was drafted."""

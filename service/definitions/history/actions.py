"""Recording how a set stands, adding and deleting an exhibition. Each action is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.definitions.history.model import HistoryChange, RecordedDay, RecordedPlacements, StoredExhibition
from service.definitions.history.store import ExhibitionStore, HistoryStore
from service.definitions.store import DefinitionStore


def record_day(
    connection: Connection,
    owner: Owner,
    identity: str,
    plan: HistoryChange,
    noted: RecordedDay,
    *,
    expect: Callable[[RecordedPlacements], None],
) -> None:
    """Applies a plan that was made for the recorded placements as they are. `expect` raises Stale when these, or what the plan
    follows from, changed since. The same record of the same day changes nothing."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).line(identity)
    store = HistoryStore(connection, owner)
    standing = store.standing(identity)
    expect(standing)
    store.apply(identity, plan, noted.day)
    if not _is_same(standing.noted, noted):
        store.put(identity, noted)


def add_exhibition(
    connection: Connection,
    owner: Owner,
    identity: str,
    title: str,
    day: date,
    content: Mapping[str, Any],
    now: datetime,
) -> StoredExhibition:
    """Stores the exhibition. Raises NotFound when the definition is gone."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).line(identity)
    made = StoredExhibition(new_id(), title, day, content["summary"], now, content)
    ExhibitionStore(connection, owner).add(identity, made)
    return made


def delete_exhibition(
    connection: Connection, owner: Owner, definition: str, identity: str, *, expect: Callable[[StoredExhibition], None]
) -> None:
    """Deletes the exhibition."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).line(definition)
    store = ExhibitionStore(connection, owner)
    expect(store.get(definition, identity))
    store.delete(definition, identity)


def _is_same(before: RecordedDay | None, now: RecordedDay) -> bool:
    """Whether both say the same of the same day, whenever they were made."""
    if before is None:
        return False
    rests = [(n.day, n.revision, n.digest, n.holdings_state, n.summary) for n in (before, now)]
    return rests[0] == rests[1]

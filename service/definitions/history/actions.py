"""Noting how a set stands, keeping an exhibition, taking one down. Each action is part of the caller's transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.database.ids import new_id
from service.definitions.history.model import Exhibition, HistoryChange, RecordedDay, RecordedPlacements
from service.definitions.history.store import ExhibitionStore, HistoryStore
from service.definitions.store import DefinitionStore


def note(
    connection: Connection,
    owner: Owner,
    identity: str,
    plan: HistoryChange,
    noted: RecordedDay,
    *,
    expect: Callable[[RecordedPlacements], None],
) -> None:
    """Carries out a plan that was made for the standing as it is. `expect` raises Stale when that, or what the plan was
    worked out from, changed since. The same note of the same day changes nothing."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).line(identity)
    store = HistoryStore(connection, owner)
    standing = store.standing(identity)
    expect(standing)
    store.carry_out(identity, plan, noted.day)
    if not _is_same(standing.noted, noted):
        store.put(identity, noted)


def exhibit(
    connection: Connection, owner: Owner, identity: str, title: str, day: date, content: Mapping[str, Any]
) -> Exhibition:
    """The exhibition, kept. Raises NotFound when the definition is gone."""
    AccountStore(connection).lock(owner)
    DefinitionStore(connection, owner).line(identity)
    made = Exhibition(new_id(), title, day, content["summary"], datetime.now(UTC), content)
    ExhibitionStore(connection, owner).add(identity, made)
    return made


def take_down(
    connection: Connection, owner: Owner, definition: str, identity: str, *, expect: Callable[[Exhibition], None]
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

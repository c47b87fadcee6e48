"""One owner's notes to want lists in the database."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, delete, insert, select

from service.accounts.model import Owner
from service.definitions.model import WantNotes
from service.definitions.store import DefinitionStore
from service.definitions.tables import want_notes


class WantNoteStore:
    """Within one transaction."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def of(self, identity: str) -> WantNotes:
        """The notes to the definition's want list. Raises NotFound when there is no such definition."""
        DefinitionStore(self._connection, self._owner).line(identity)
        row = self._connection.execute(select(want_notes).where(*self._noted(identity))).first()
        return WantNotes({}) if row is None else WantNotes(row.notes, row.version)

    def replace(self, identity: str, made: WantNotes) -> None:
        """Puts these in the place of all notes that there were."""
        self._connection.execute(delete(want_notes).where(*self._noted(identity)))
        row = {"version": made.version, "notes": {place: dict(note) for place, note in made.notes.items()}}
        self._connection.execute(insert(want_notes).values(owner_id=self._owner.id, definition_id=identity, **row))

    def _noted(self, identity: str) -> tuple[Any, Any]:
        return want_notes.c.owner_id == self._owner.id, want_notes.c.definition_id == identity

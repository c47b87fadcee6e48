"""What an owner's definitions took in of their origins, in the database."""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, delete, insert, select

from service.accounts.model import Owner
from service.sharing.origins import TakenRevision
from service.sharing.tables import origin_pull


class PullStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def latest(self, definition: str, number: int) -> TakenRevision | None:
        """What the revision of this number, or one before it, took in last."""
        query = select(origin_pull).where(*self._of(definition), origin_pull.c.number <= number)
        row = self._connection.execute(query.order_by(origin_pull.c.number.desc()).limit(1)).first()
        return None if row is None else TakenRevision(row.revision, row.digest, row.document)

    def put(self, definition: str, number: int, taken: TakenRevision) -> None:
        """The draft that will bear this number took it in; what an earlier draft of the number took in is gone with it."""
        self._connection.execute(delete(origin_pull).where(*self._of(definition), origin_pull.c.number == number))
        row = {"revision": taken.number, "digest": taken.digest, "document": dict(taken.document)}
        self._connection.execute(
            insert(origin_pull).values(owner_id=self._owner.id, definition_id=definition, number=number, **row)
        )

    def _of(self, definition: str) -> tuple[ColumnElement[bool], ColumnElement[bool]]:
        return origin_pull.c.owner_id == self._owner.id, origin_pull.c.definition_id == definition

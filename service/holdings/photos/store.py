"""One owner's photos in the database: which photo shows which side of which piece, and the digest that names its images."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, delete, func, insert, select

from service.accounts.model import Owner
from service.errors import NotFound
from service.holdings.photos.tables import photo
from service.holdings.tables import holding

_COLUMNS = tuple(column for column in photo.c if column.name != "owner_id")


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photo of one side of a piece; it is never changed. `bytes` is the length of the full image, `stored_bytes` what it
    takes with its thumbnails."""

    id: str
    holding_id: str
    side: str
    digest: str
    kind: str
    width: int
    height: int
    bytes: int
    stored_bytes: int
    added_at: datetime


class PhotoStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    def add(self, kept: StoredPhoto) -> None:
        values = {column.name: getattr(kept, column.name) for column in _COLUMNS}
        self._connection.execute(insert(photo).values(owner_id=self._owner.id, **values))

    def get(self, holding_id: str, identity: str) -> StoredPhoto:
        query = self._mine().where(photo.c.holding_id == holding_id, photo.c.id == identity)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("photo", identity)
        return _kept(row)

    def of(self, holding_id: str) -> tuple[StoredPhoto, ...]:
        """The photos of a holding, in the order in which they were added."""
        query = self._mine().where(photo.c.holding_id == holding_id).order_by(photo.c.id)
        return tuple(map(_kept, self._connection.execute(query)))

    def remove(self, identity: str) -> None:
        self._connection.execute(delete(photo).where(photo.c.owner_id == self._owner.id, photo.c.id == identity))

    def used_bytes(self) -> int:
        """What all photos take; one that is kept for several pieces takes it once."""
        query = select(photo.c.digest, func.max(photo.c.stored_bytes).label("size"))
        once = query.where(photo.c.owner_id == self._owner.id).group_by(photo.c.digest).subquery()
        return int(self._connection.execute(select(func.coalesce(func.sum(once.c.size), 0))).scalar_one())

    def named(self, digests: Iterable[str] | None = None) -> frozenset[str]:
        """The digests, all or those of these, that a photo has."""
        query = select(photo.c.digest).where(photo.c.owner_id == self._owner.id).distinct()
        if digests is not None:
            query = query.where(photo.c.digest.in_(list(digests)))
        return frozenset(self._connection.execute(query).scalars())

    def remove_of_deleted(self, before: datetime | None = None) -> None:
        """Forgets the photos of holdings that were deleted, or of those deleted before then."""
        deleted = select(holding.c.id).where(holding.c.owner_id == self._owner.id, holding.c.destroyed.is_(True))
        if before is not None:
            deleted = deleted.where(holding.c.updated_at < before)
        gone = delete(photo).where(photo.c.owner_id == self._owner.id, photo.c.holding_id.in_(deleted))
        self._connection.execute(gone)

    def _mine(self) -> Select[Any]:
        return select(*_COLUMNS).where(photo.c.owner_id == self._owner.id)


def _kept(row: Row[Any]) -> StoredPhoto:
    return StoredPhoto(**row._mapping)

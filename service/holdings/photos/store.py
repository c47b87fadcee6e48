"""One owner's photos in the database: which photo shows which side of which piece, and the files that were received.

What a holding names is in its record; the rows here say the same the other way round (`put`)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, bindparam, delete, exists, func, insert, select, update

from service.accounts.model import Owner
from service.database.ids import new_id
from service.errors import NotFound
from service.holdings.photos.tables import photo, photo_file
from service.holdings.tables import holding

_OF_FILE = tuple(column for column in photo_file.c if column.name != "owner_id")
_OF_PHOTO = (photo.c.id, photo.c.holding_id, photo.c.side, photo.c.added_at)
_OBVERSE_FIRST = (photo.c.side != "obverse", photo.c.id)
_IS_OF_HOLDING = (holding.c.owner_id == photo.c.owner_id) & (holding.c.id == photo.c.holding_id)
# Made once: every batch of sync asks it.
_MISSING = (
    select(photo.c.sha256)
    .join(holding, _IS_OF_HOLDING)
    .distinct()
    .where(
        photo.c.owner_id == bindparam("owner"),
        holding.c.destroyed.is_(False),
        ~exists().where(photo_file.c.owner_id == bindparam("owner"), photo_file.c.sha256 == photo.c.sha256),
    )
    .order_by(photo.c.sha256)
    .limit(bindparam("most"))
)


@dataclass(frozen=True, slots=True)
class PhotoFile:
    """A file that was received under its SHA-256. `digest` names its images, `bytes` is the length of the full one,
    `stored_bytes` what it takes with its thumbnails."""

    sha256: str
    digest: str
    kind: str
    width: int
    height: int
    bytes: int
    stored_bytes: int
    added_at: datetime


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photo of one side of a piece, whose file is there; it is never changed. `added_at`: to the piece."""

    id: str
    holding_id: str
    side: str
    added_at: datetime
    file: PhotoFile


class PhotoStore:
    """Within one transaction. Whoever changes something holds the owner's account first."""

    def __init__(self, connection: Connection, owner: Owner) -> None:
        self._connection = connection
        self._owner = owner

    # -- what holdings name

    def put(self, holding_id: str, named: Iterable[tuple[str, str]], now: datetime) -> None:
        """The photos that the record of a holding names now: SHA-256 and side of each."""
        wanted = dict.fromkeys(named)
        there = {(row.sha256, row.side): row.id for row in self._connection.execute(self._of(holding_id))}
        gone = [identity for key, identity in there.items() if key not in wanted]
        if gone:
            mine = (photo.c.owner_id == self._owner.id, photo.c.id.in_(gone))
            self._connection.execute(delete(photo).where(*mine))
        new = [key for key in wanted if key not in there]
        if new:
            # In the order of the ids, which is that of lists: ids made within one millisecond are in none.
            ids = sorted(new_id() for _ in new)
            about = {"owner_id": self._owner.id, "holding_id": holding_id, "added_at": now}
            rows = [{**about, "id": i, "sha256": s, "side": side} for i, (s, side) in zip(ids, new, strict=True)]
            self._connection.execute(insert(photo), rows)

    def named_by(self, holding_id: str) -> frozenset[tuple[str, str]]:
        """SHA-256 and side of each photo that the holding names, whether its file is there or not."""
        return frozenset((row.sha256, row.side) for row in self._connection.execute(self._of(holding_id)))

    def all_named(self) -> dict[str, frozenset[tuple[str, str]]]:
        """The same by id of the holding."""
        query = select(photo.c.holding_id, photo.c.sha256, photo.c.side).where(photo.c.owner_id == self._owner.id)
        found: dict[str, set[tuple[str, str]]] = {}
        for row in self._connection.execute(query):
            found.setdefault(row.holding_id, set()).add((row.sha256, row.side))
        return {identity: frozenset(named) for identity, named in found.items()}

    def missing(self, most: int) -> list[str]:
        """Up to so many SHA-256 of files that holdings name and that are not there, in their order."""
        return list(self._connection.execute(_MISSING, {"owner": self._owner.id, "most": most}).scalars())

    def remove_of_purged(self) -> None:
        """Forgets what deleted holdings named whose values are purged."""
        mine = holding.c.owner_id == self._owner.id
        purged = select(holding.c.id).where(mine, holding.c.destroyed.is_(True), holding.c.purged.is_(True))
        gone = delete(photo).where(photo.c.owner_id == self._owner.id, photo.c.holding_id.in_(purged))
        self._connection.execute(gone)

    # -- photos whose file is there

    def get(self, holding_id: str, identity: str) -> StoredPhoto:
        query = self._whole().where(photo.c.holding_id == holding_id, photo.c.id == identity)
        row = self._connection.execute(query).first()
        if row is None:
            raise NotFound("photo", identity)
        return _kept(row)

    def of(self, holding_id: str) -> tuple[StoredPhoto, ...]:
        """The photos of a holding, in the order in which they were added."""
        query = self._whole().where(photo.c.holding_id == holding_id).order_by(photo.c.id)
        return tuple(map(_kept, self._connection.execute(query)))

    def first_of(self, holding_ids: Collection[str]) -> dict[str, StoredPhoto]:
        """By id of the holding the photo of its obverse, else the first that was added; those without any are left out."""
        query = self._whole().where(photo.c.holding_id.in_(holding_ids)).order_by(*_OBVERSE_FIRST)
        found: dict[str, StoredPhoto] = {}
        for row in self._connection.execute(query):
            kept = _kept(row)
            found.setdefault(kept.holding_id, kept)
        return found

    def by_holding(self) -> dict[str, tuple[StoredPhoto, ...]]:
        """All photos by the ids of their holdings, those of deleted ones too; of each the obverse first, then as they were
        added."""
        found: dict[str, list[StoredPhoto]] = {}
        for row in self._connection.execute(self._whole().order_by(*_OBVERSE_FIRST)):
            kept = _kept(row)
            found.setdefault(kept.holding_id, []).append(kept)
        return {holding_id: tuple(photos) for holding_id, photos in found.items()}

    # -- files

    def file(self, sha256: str) -> PhotoFile | None:
        row = self._connection.execute(select(*_OF_FILE).where(*self._is_file(sha256))).first()
        return None if row is None else PhotoFile(*row)

    def add_file(self, file: PhotoFile) -> None:
        values = {column.name: getattr(file, column.name) for column in _OF_FILE}
        self._connection.execute(insert(photo_file).values(owner_id=self._owner.id, **values))

    def touch_file(self, sha256: str, now: datetime) -> None:
        """It was sent again."""
        self._connection.execute(update(photo_file).where(*self._is_file(sha256)).values(added_at=now))

    def remove_file(self, sha256: str) -> None:
        """Forgets a file, unless a holding names it."""
        gone = delete(photo_file).where(*self._is_file(sha256), ~self._is_named())
        self._connection.execute(gone)

    def remove_files(self, deleted_before: datetime | None, unnamed_before: datetime) -> None:
        """Forgets files that no holding names and that were sent before then; and those that only deleted holdings name, all or
        those deleted before then."""
        wanted: ColumnElement[bool] = holding.c.destroyed.is_(False)
        if deleted_before is not None:
            wanted |= holding.c.updated_at >= deleted_before
        is_old = photo_file.c.added_at < unnamed_before
        gone = self._is_named() & ~self._is_named(wanted) | ~self._is_named() & is_old
        self._connection.execute(delete(photo_file).where(photo_file.c.owner_id == self._owner.id, gone))

    def used_bytes(self) -> int:
        """What all files take; images that several have take it once."""
        query = select(photo_file.c.digest, func.max(photo_file.c.stored_bytes).label("size"))
        once = query.where(photo_file.c.owner_id == self._owner.id).group_by(photo_file.c.digest).subquery()
        return int(self._connection.execute(select(func.coalesce(func.sum(once.c.size), 0))).scalar_one())

    def kept(self, digests: Sequence[str] | None = None) -> frozenset[str]:
        """The digests, all or those of these, that a file has."""
        query = select(photo_file.c.digest).where(photo_file.c.owner_id == self._owner.id).distinct()
        if digests is not None:
            query = query.where(photo_file.c.digest.in_(digests))
        return frozenset(self._connection.execute(query).scalars())

    def _of(self, holding_id: str) -> Select[Any]:
        mine = (photo.c.owner_id == self._owner.id, photo.c.holding_id == holding_id)
        return select(photo.c.id, photo.c.sha256, photo.c.side).where(*mine)

    def _is_file(self, sha256: str) -> tuple[ColumnElement[bool], ...]:
        return (photo_file.c.owner_id == self._owner.id, photo_file.c.sha256 == sha256)

    def _is_named(self, by: ColumnElement[bool] | None = None) -> ColumnElement[bool]:
        """Whether a holding, or one like this, names the file."""
        names = select(1).select_from(photo).where(photo.c.owner_id == self._owner.id)
        names = names.where(photo.c.sha256 == photo_file.c.sha256)
        if by is not None:
            names = names.join(holding, _IS_OF_HOLDING).where(by)
        return names.correlate(photo_file).exists()

    def _whole(self) -> Select[Any]:
        is_its_file = (photo_file.c.owner_id == photo.c.owner_id) & (photo_file.c.sha256 == photo.c.sha256)
        return select(*_OF_PHOTO, *_OF_FILE).join(photo_file, is_its_file).where(photo.c.owner_id == self._owner.id)


def _kept(row: Row[Any]) -> StoredPhoto:
    identity, holding_id, side, added_at, *of_file = list(row)
    return StoredPhoto(identity, holding_id, side, added_at, PhotoFile(*of_file))

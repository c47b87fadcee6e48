"""Keeping and removing photos. Bytes come before the row that names them, and go after it: at worst bytes lie on the shelf
that no row names, and `sweep` finds those.

Bytes are only removed while the owner's account is held and no row names them, and a row is only written while it is held
and the bytes are there. So no photo loses its bytes to somebody who tidies up at the same time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.database.ids import new_id, read_id
from service.errors import Conflict, NotFound, SetwrightError
from service.holdings.photos.images import FULL, SIZES, Photo, digest_in, name_of
from service.holdings.photos.store import KeptPhoto, PhotoStore
from service.holdings.store import HoldingStore


class QuotaFull(SetwrightError):
    """The owner, or the holding, has as many photos as it may have."""

    code = "quota-full"


@dataclass(frozen=True, slots=True)
class Quota:
    """What one owner may keep: bytes in all, and photos of one holding."""

    bytes: int
    per_holding: int


@contextmanager
def on_the_shelf(database: Database, shelf: BlobStore, owner: Owner, photo: Photo) -> Iterator[None]:
    """The photo's bytes are durable within; afterwards they are only where a row names them."""
    _put(shelf, owner, photo)
    try:
        yield
    finally:
        discard(database, shelf, owner, photo.digest)


def add(
    connection: Connection, owner: Owner, shelf: BlobStore, holding: str, side: str, photo: Photo, quota: Quota
) -> KeptPhoto:
    """The row of a photo whose bytes are on the shelf. Raises Clash when this side of the holding has it already."""
    AccountStore(connection).lock(owner)
    HoldingStore(connection, owner).get(holding)
    store = PhotoStore(connection, owner)
    there = store.of(holding)
    for kept in there:
        if (kept.side, kept.digest) == (side, photo.digest):
            raise Conflict(f"this is the photo '{kept.id}' already")
    if len(there) >= quota.per_holding:
        raise QuotaFull(f"the holding has {len(there)} photos; the limit is {quota.per_holding}")
    more = 0 if store.named([photo.digest]) else photo.stored_bytes
    used = store.used_bytes()
    if used + more > quota.bytes:
        # Photos that wait for a delete to be undone make room for those that are seen.
        store.remove_of_deleted()
        more = 0 if store.named([photo.digest]) else photo.stored_bytes
        used = store.used_bytes()
    if used + more > quota.bytes:
        raise QuotaFull(f"all photos take {used} bytes; with {more} more they would be past the limit of {quota.bytes}")
    # Somebody who tidied up may have taken them since they were put.
    _put(shelf, owner, photo)
    kept = KeptPhoto(
        new_id(),
        holding,
        side,
        photo.digest,
        photo.kind,
        photo.width,
        photo.height,
        len(photo.images[FULL]),
        photo.stored_bytes,
        datetime.now(UTC),
    )
    store.add(kept)
    return kept


def find(connection: Connection, owner: Owner, holding: str, identity: str) -> KeptPhoto:
    """A photo of a holding that there is."""
    HoldingStore(connection, owner).get(holding)
    return PhotoStore(connection, owner).get(holding, identity)


def remove(
    database: Database,
    shelf: BlobStore,
    owner: Owner,
    holding: str,
    identity: str,
    *,
    expect: Callable[[KeptPhoto], None],
) -> None:
    """Removes the photo, and its bytes where no other photo has the same."""

    def act(connection: Connection) -> str:
        AccountStore(connection).lock(owner)
        kept = find(connection, owner, holding, identity)
        expect(kept)
        PhotoStore(connection, owner).remove(identity)
        return kept.digest

    discard(database, shelf, owner, database.write(act))


def discard(database: Database, shelf: BlobStore, owner: Owner, digest: str) -> None:
    """Takes the bytes from the shelf unless a row names them. What cannot be taken away now is left to `sweep`."""
    with suppress(SetwrightError):
        if not database.read(lambda connection: PhotoStore(connection, owner).named([digest])):
            database.write(lambda connection: _take(connection, shelf, owner, digest))


def sweep(database: Database, shelf: BlobStore, deleted_before: datetime) -> int:
    """Takes from the shelf whatever no row names, of all owners; how many photos that were. It may run at any time.

    Photos of a holding that was deleted are not shown, and stay for a while, since a delete may be undone; those of
    holdings that were deleted before this instant go now."""
    taken = 0
    shelf.clear_abandoned()
    for identity in shelf.owners():
        if read_id(identity) is None:
            continue  # Not put here by this service.
        owner = Owner(identity)
        database.write(partial(_forget, owner=owner, before=deleted_before))
        lying = {digest_in(name) for name in shelf.names(identity)}
        named = database.read(partial(_named, owner=owner))
        for digest in sorted(lying - named):
            taken += database.write(partial(_take, shelf=shelf, owner=owner, digest=digest))
    return taken


def _put(shelf: BlobStore, owner: Owner, photo: Photo) -> None:
    for size, content in photo.images.items():
        name = name_of(photo.digest, size)
        if not shelf.has(owner.id, name):
            shelf.put(owner.id, name, content)


def _forget(connection: Connection, owner: Owner, before: datetime) -> None:
    # An account that is gone has no rows any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
        PhotoStore(connection, owner).remove_of_deleted(before)


def _named(connection: Connection, owner: Owner) -> frozenset[str]:
    return PhotoStore(connection, owner).named()


def _take(connection: Connection, shelf: BlobStore, owner: Owner, digest: str) -> bool:
    # An account that is gone adds nothing any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
    if PhotoStore(connection, owner).named([digest]):
        return False
    for size in SIZES:
        shelf.remove(owner.id, name_of(digest, size))
    return True

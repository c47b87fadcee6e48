"""Keeping and removing photos. Bytes are stored before the row that names them, and removed after it: at worst the blob store has
bytes that no row names, and `sweep` finds those.

Bytes are only removed while the owner's account is held and no row names them, and a row is only written while it is held and the
bytes are there. So no photo loses its bytes to a sweep that runs at the same time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.database.ids import new_id, read_id
from service.errors import Conflict, NotFound, SetwrightError
from service.holdings.photos.images import FULL, SIZES, Photo, digest_in, is_drawn_quickly, name_of, prepare_photo
from service.holdings.photos.store import PhotoStore, StoredPhoto
from service.holdings.store import HoldingStore
from service.runtime import Context


class QuotaFull(SetwrightError):
    """The owner, or the holding, has as many photos as it may have."""

    code = "quota-full"


@dataclass(frozen=True, slots=True)
class Quota:
    """What one owner may keep: bytes in all, and photos of one holding."""

    bytes: int
    per_holding: int


@contextmanager
def bytes_kept(database: Database, blobs: BlobStore, owner: Owner, photo: Photo) -> Iterator[None]:
    """The photo's bytes are durable inside the block; afterwards they are removed unless a row names them."""
    _put(blobs, owner, photo)
    try:
        yield
    finally:
        discard_bytes(database, blobs, owner, photo.digest)


async def prepared(context: Context, owner: Owner, holding: str, raw: bytes, kind: str) -> Photo:
    """What is kept of a file for a holding. Raises NotFound without the holding, before the file is looked at; else as
    `prepare`; Busy when too many wait."""
    await context.read(lambda connection: HoldingStore(connection, owner).get(holding))
    if is_drawn_quickly(raw, kind):
        return await context.photo_limiter.run(lambda: prepare_photo(raw, kind))
    photo: Photo = await context.in_process(
        "service.holdings.photos.images:prepare_photo", raw, kind, doing="drawing the picture anew"
    )
    return photo


def add(
    connection: Connection,
    owner: Owner,
    blobs: BlobStore,
    holding: str,
    side: str,
    photo: Photo,
    quota: Quota,
    now: datetime,
) -> StoredPhoto:
    """The row of a photo whose bytes are stored. Raises Conflict when this side of the holding has it already, QuotaFull."""
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
    # A sweep may have taken them since they were put.
    _put(blobs, owner, photo)
    kept = StoredPhoto(
        new_id(),
        holding,
        side,
        photo.digest,
        photo.kind,
        photo.width,
        photo.height,
        len(photo.images[FULL]),
        photo.stored_bytes,
        now,
    )
    store.add(kept)
    return kept


def find(connection: Connection, owner: Owner, holding: str, identity: str) -> StoredPhoto:
    """A photo of a holding that there is."""
    HoldingStore(connection, owner).get(holding)
    return PhotoStore(connection, owner).get(holding, identity)


def of_holding(connection: Connection, owner: Owner, holding: str) -> tuple[StoredPhoto, ...]:
    """The photos of a holding that there is, in the order in which they were added."""
    HoldingStore(connection, owner).get(holding)
    return PhotoStore(connection, owner).of(holding)


def image_of(context: Context, owner: Owner, photo: StoredPhoto, size: str) -> bytes:
    """The bytes of the image in one of SIZES. Raises NotFound when they were removed meanwhile, or are lost."""
    content = context.blobs.get(owner.id, name_of(photo.digest, size))
    if content is None:
        raise NotFound("image of the photo", photo.id)
    return content


def remove(
    database: Database,
    blobs: BlobStore,
    owner: Owner,
    holding: str,
    identity: str,
    *,
    expect: Callable[[StoredPhoto], None],
) -> None:
    """Removes the photo, and its bytes where no other photo has the same."""

    def act(connection: Connection) -> str:
        AccountStore(connection).lock(owner)
        kept = find(connection, owner, holding, identity)
        expect(kept)
        PhotoStore(connection, owner).remove(identity)
        return kept.digest

    discard_bytes(database, blobs, owner, database.write(act))


def discard_bytes(database: Database, blobs: BlobStore, owner: Owner, digest: str) -> None:
    """Removes the bytes unless a row names them. What cannot be removed now is left to `sweep`."""
    with suppress(SetwrightError):
        if not database.read(lambda connection: PhotoStore(connection, owner).named([digest])):
            database.write(lambda connection: _take(connection, blobs, owner, digest))


def sweep(database: Database, blobs: BlobStore, deleted_before: datetime) -> int:
    """Removes the bytes that no row names, of all owners; returns how many photos that were. It may run at any time.

    Photos of a holding that was deleted are not shown, and stay for a while, since a delete may be undone; those of
    holdings that were deleted before this instant go now."""
    taken = 0
    blobs.clear_abandoned()
    for identity in blobs.owners():
        if read_id(identity) is None:
            continue  # Not put here by this service.
        owner = Owner(identity)
        database.write(partial(_forget, owner=owner, before=deleted_before))
        taken += remove_unnamed(database, blobs, owner)
    return taken


def remove_unnamed(database: Database, blobs: BlobStore, owner: Owner) -> int:
    """Removes the owner's bytes that no row names; returns how many photos that were."""
    lying = {digest_in(name) for name in blobs.names(owner.id)}
    unnamed = lying - database.read(partial(_named, owner=owner))
    return sum(database.write(partial(_take, blobs=blobs, owner=owner, digest=digest)) for digest in sorted(unnamed))


def _put(blobs: BlobStore, owner: Owner, photo: Photo) -> None:
    for size, content in photo.images.items():
        name = name_of(photo.digest, size)
        if not blobs.has(owner.id, name):
            blobs.put(owner.id, name, content)


def _forget(connection: Connection, owner: Owner, before: datetime) -> None:
    # An account that is gone has no rows any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
        PhotoStore(connection, owner).remove_of_deleted(before)


def _named(connection: Connection, owner: Owner) -> frozenset[str]:
    return PhotoStore(connection, owner).named()


def _take(connection: Connection, blobs: BlobStore, owner: Owner, digest: str) -> bool:
    # An account that is gone adds nothing any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
    if PhotoStore(connection, owner).named([digest]):
        return False
    for size in SIZES:
        blobs.remove(owner.id, name_of(digest, size))
    return True

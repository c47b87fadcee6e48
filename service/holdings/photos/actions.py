"""Keeping and removing photos. Which photos a piece has is a field of its record, which devices merge; here are the files that
the field names. Bytes are stored before the row of their file, and removed after it: at worst the blob store has bytes that no
row names, and `sweep` finds those.

Bytes are only removed while the owner's account is held and no row names them, and a row is only written while it is held and the
bytes are there. So no photo loses its bytes to a sweep that runs at the same time.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial

from sqlalchemy import Connection

from service.accounts.model import Owner
from service.accounts.store import AccountStore
from service.blobs.store import BlobStore, accounts_in
from service.database.engine import Database
from service.errors import Conflict, Fault, Invalid, NotFound, Sentence, SetwrightError
from service.holdings.actions import change_photos
from service.holdings.photos.images import (
    FULL,
    SIZES,
    SMALL,
    Photo,
    digest_in,
    is_drawn_quickly,
    name_of,
    prepare_photo,
)
from service.holdings.photos.store import PhotoFile, PhotoStore, StoredPhoto
from service.holdings.store import HoldingStore
from service.runtime import Context

# A file that was sent within this time may be named by a mutation that is still to come.
_ON_ITS_WAY = timedelta(days=1)


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
    """The photo's bytes are durable inside the block; afterwards they are removed unless a file has them."""
    _put(blobs, owner, photo)
    try:
        yield
    finally:
        discard_bytes(database, blobs, owner, photo.digest)


def ensure_named(sha256: str, raw: bytes) -> None:
    """Raises Invalid when these are not the bytes of this SHA-256."""
    found = hashlib.sha256(raw).hexdigest()
    if found != sha256:
        message = Sentence(
            "the SHA-256 of the body is {found}, not the one in the address: it did not arrive as it was sent",
            found=found,
        )
        raise Invalid(
            [Fault("wrong-digest", message, hint="send the file again, or to the address of its own SHA-256")]
        )


async def prepared(context: Context, raw: bytes, kind: str) -> Photo:
    """What is kept of a file. Raises as `prepare_photo`; Busy when too many wait."""
    if is_drawn_quickly(raw, kind):
        return await context.photo_limiter.run(lambda: prepare_photo(raw, kind))
    photo: Photo = await context.in_process(
        "service.holdings.photos.images:prepare_photo", raw, kind, doing="drawing the picture anew"
    )
    return photo


async def prepared_for(context: Context, owner: Owner, holding: str, raw: bytes, kind: str) -> Photo:
    """The same for a holding. Raises NotFound without the holding, before the file is looked at."""
    await context.read(lambda connection: HoldingStore(connection, owner).get(holding))
    return await prepared(context, raw, kind)


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
    for kept in store.of(holding):
        if kept.side == side and photo.digest in (kept.file.digest, kept.file.sha256):
            raise Conflict("this is the photo '{id}' already", id=kept.id)
    named = store.named_by(holding)
    if len(named) >= quota.per_holding:
        raise QuotaFull("the holding has {count} photos; the limit is {most}", count=len(named), most=quota.per_holding)
    keep(connection, owner, blobs, photo.digest, photo, quota, now)
    change_photos(connection, owner, holding, now, add=[(photo.digest, side, None)])
    (kept,) = (each for each in store.of(holding) if (each.file.sha256, each.side) == (photo.digest, side))
    return kept


def keep(
    connection: Connection, owner: Owner, blobs: BlobStore, sha256: str, photo: Photo, quota: Quota, now: datetime
) -> PhotoFile:
    """The row of a file that was received under its SHA-256, whose bytes are stored. Raises QuotaFull."""
    AccountStore(connection).lock(owner)
    store = PhotoStore(connection, owner)
    known = store.file(sha256)
    if known is not None:
        _put(blobs, owner, photo)
        store.touch_file(sha256, now)
        return known
    more = 0 if store.kept([photo.digest]) else photo.stored_bytes
    used = store.used_bytes()
    if used + more > quota.bytes:
        # Photos that wait for a delete to be undone make room for those that are seen, and so do those that nothing names.
        store.remove_files(None, now - _ON_ITS_WAY)
        more = 0 if store.kept([photo.digest]) else photo.stored_bytes
        used = store.used_bytes()
    if used + more > quota.bytes:
        raise QuotaFull(
            "all photos take {used} bytes; with {more} more they would be past the limit of {bytes}",
            used=used,
            more=more,
            bytes=quota.bytes,
        )
    # A sweep may have taken them since they were put.
    _put(blobs, owner, photo)
    about = (photo.digest, photo.kind, photo.width, photo.height, len(photo.images[FULL]), photo.stored_bytes)
    made = PhotoFile(sha256, *about, now)
    store.add_file(made)
    return made


def kept_before(connection: Connection, owner: Owner, blobs: BlobStore, sha256: str, now: datetime) -> PhotoFile | None:
    """The file that was received under this SHA-256 before, whose images are all there; it counts as sent now."""
    AccountStore(connection).lock(owner)
    store = PhotoStore(connection, owner)
    known = store.file(sha256)
    if known is None or not all(blobs.has(owner.id, name_of(known.digest, size)) for size in SIZES):
        return None
    store.touch_file(sha256, now)
    return known


def file(connection: Connection, owner: Owner, sha256: str) -> PhotoFile:
    """A file that was received. Raises NotFound."""
    known = PhotoStore(connection, owner).file(sha256)
    if known is None:
        raise NotFound("photo", sha256)
    return known


def find(connection: Connection, owner: Owner, holding: str, identity: str) -> StoredPhoto:
    """A photo of a holding that there is."""
    HoldingStore(connection, owner).get(holding)
    return PhotoStore(connection, owner).get(holding, identity)


def of_holding(connection: Connection, owner: Owner, holding: str) -> tuple[StoredPhoto, ...]:
    """The photos of a holding that there is, in the order in which they were added."""
    HoldingStore(connection, owner).get(holding)
    return PhotoStore(connection, owner).of(holding)


def pictures(context: Context, owner: Owner, photos: Mapping[str, StoredPhoto]) -> dict[str, str]:
    """Small images by the same keys, as data: URLs (RFC 2397) to stand in a page; one that is lost is left out."""
    found = {}
    for key, photo in photos.items():
        with suppress(NotFound):
            image = base64.b64encode(image_of(context, owner, photo.file, SMALL)).decode()
            found[key] = f"data:{photo.file.kind};base64,{image}"
    return found


def image_of(context: Context, owner: Owner, file: PhotoFile, size: str) -> bytes:
    """The bytes of the image in one of SIZES. Raises NotFound when they were removed meanwhile, or are lost."""
    content = context.blobs.get(owner.id, name_of(file.digest, size))
    if content is None:
        raise NotFound("image of the photo", file.sha256)
    return content


def remove(
    database: Database,
    blobs: BlobStore,
    owner: Owner,
    holding: str,
    identity: str,
    now: datetime,
    *,
    expect: Callable[[StoredPhoto], None],
) -> None:
    """Removes the photo from its holding, and its bytes where no other photo has the same."""

    def act(connection: Connection) -> str:
        AccountStore(connection).lock(owner)
        kept = find(connection, owner, holding, identity)
        expect(kept)
        change_photos(connection, owner, holding, now, remove=(kept.file.sha256, kept.side))
        PhotoStore(connection, owner).remove_file(kept.file.sha256)
        return kept.file.digest

    discard_bytes(database, blobs, owner, database.write(act))


def discard_bytes(database: Database, blobs: BlobStore, owner: Owner, digest: str) -> None:
    """Removes the bytes unless a file has them. What cannot be removed now is left to `sweep`."""
    with suppress(SetwrightError):
        if not database.read(lambda connection: PhotoStore(connection, owner).kept([digest])):
            database.write(lambda connection: _take(connection, blobs, owner, digest))


def sweep(
    database: Database, blobs: BlobStore, deleted_before: datetime, unnamed_before: datetime | None = None
) -> int:
    """Removes photos that nothing needs, of all owners; returns how many that were. It may run at any time.

    Photos of a holding that was deleted are not shown, and stay for a while, since a delete may be undone; those of
    holdings that were deleted before this instant go now. A file may come before the mutation that names it: one that no
    holding names goes when it was sent before `unnamed_before` (left out: never)."""
    taken = 0
    blobs.clear_abandoned()
    for owner in map(Owner, accounts_in(blobs)):
        before = (deleted_before, unnamed_before or datetime.min.replace(tzinfo=UTC))
        database.write(partial(_forget, owner=owner, before=before))
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


def _forget(connection: Connection, owner: Owner, before: tuple[datetime, datetime]) -> None:
    # An account that is gone has no rows any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
        PhotoStore(connection, owner).remove_files(*before)


def _named(connection: Connection, owner: Owner) -> frozenset[str]:
    return PhotoStore(connection, owner).kept()


def _take(connection: Connection, blobs: BlobStore, owner: Owner, digest: str) -> bool:
    # An account that is gone adds nothing any more.
    with suppress(NotFound):
        AccountStore(connection).lock(owner)
    if PhotoStore(connection, owner).kept([digest]):
        return False
    for size in SIZES:
        blobs.remove(owner.id, name_of(digest, size))
    return True

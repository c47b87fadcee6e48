"""Accounts with many large photos, laid down past the service: what it keeps of a photo is a row and a file."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, datetime

from sqlalchemy import insert

from service.accounts.model import Owner
from service.blobs.store import BlobStore
from service.database.engine import Database
from service.holdings.photos.images import FULL, JPEG, name_of
from service.schema import metadata


def plant_photos(
    database: Database, blobs: BlobStore, owner: Owner, count: int, size: int, *, said: int | None = None
) -> list[bytes]:
    """So many files of photos of so many bytes; the digests of their contents. `said`: how many bytes their rows tell."""
    photo_file, digests = metadata.tables["photo_file"], []
    for _ in range(count):
        content = os.urandom(size)
        digest = hashlib.sha256(content).hexdigest()
        blobs.put(owner.id, name_of(digest, FULL), content)
        row = {"sha256": digest, "digest": digest, "kind": JPEG, "width": 4_000, "height": 3_000}
        row |= {"bytes": said or size, "stored_bytes": said or size, "added_at": datetime.now(UTC)}
        database.write(lambda c, row=row: c.execute(insert(photo_file).values(owner_id=owner.id, **row)))  # type: ignore[misc]
        digests.append(hashlib.sha256(content).digest())
    return digests

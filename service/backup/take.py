"""Taking a backup, while a server writes."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL

from service.backup import postgresql, sqlite
from service.backup.contents import Contents, contents_of
from service.backup.files import TAR, beside, pack, place, to_disk
from service.backup.manifest import DATABASES, FILE, FORMAT, PHOTOS, BackupFailed, Manifest, engine_of, part_of, write
from service.blobs import blob_store_of
from service.blobs.folder import FolderStore, bring_to_disk
from service.blobs.store import BlobStore
from service.settings import Settings, engine_version


def take(settings: Settings, target: Path, now: datetime) -> Manifest:
    """Writes a backup of the database, and of photos kept in a folder, as a folder, or as a tar when the name ends with .tar. It
    has its name only when it is whole. Raises BackupFailed, OSError, and what databases and blob stores raise."""
    target = target.absolute()
    if target.exists() or target.is_symlink():
        raise BackupFailed(f"{target} exists and is not overwritten; choose another name")
    target.parent.mkdir(parents=True, exist_ok=True)
    partial, packed = beside(target, "partial"), beside(target, "partial-tar")
    try:
        # Token digests and password hashes are in it.
        partial.mkdir(mode=0o700)
        manifest = _write(settings, partial, now)
        if target.suffix == TAR:
            pack(partial, packed)
            place(packed, target)
        else:
            place(partial, target)
    finally:
        packed.unlink(missing_ok=True)
        shutil.rmtree(partial, ignore_errors=True)
    return manifest


def _write(settings: Settings, folder: Path, now: datetime) -> Manifest:
    url = settings.database
    engine = engine_of(settings)
    file = folder / DATABASES[engine]
    contents = _copied(url, file) if settings.is_sqlite else _dumped(url, file)
    to_disk(file)
    missing: list[str] = []
    if not settings.s3_endpoint:
        # After the database: bytes are stored before the row that names them, so that what its rows name is there, unless it
        # was removed in between.
        missing = _copy_images(blob_store_of(settings), folder / PHOTOS, contents)
    names = [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file()]
    manifest = Manifest(
        format=FORMAT,
        program=engine_version(),
        engine=engine,
        schema_revision=contents.revision,
        taken_at=now,
        counts=contents.counts,
        photos="bucket" if settings.s3_endpoint else "folder",
        missing=missing,
        parts=[part_of(folder, name) for name in names],
    )
    write(manifest, folder)
    to_disk(folder / FILE)
    bring_to_disk(folder)
    return manifest


def _copied(url: URL, file: Path) -> Contents:
    sqlite.copy(Path(url.database or ""), file)
    with sqlite.reading(file) as connection:
        return contents_of(connection)


def _dumped(url: URL, file: Path) -> Contents:
    with postgresql.snapshot(url) as (connection, name):
        contents = contents_of(connection)
        postgresql.dump(url, name, file)
    return contents


def _copy_images(blobs: BlobStore, folder: Path, contents: Contents) -> list[str]:
    """Copies what the rows name; returns what was not there."""
    copies, missing = FolderStore(folder), []
    for owner, name in contents.images:
        content = blobs.get(owner, name)
        if content is None:
            missing.append(f"{owner}/{name}")
        else:
            copies.put(owner, name, content)
    shutil.rmtree(folder / FolderStore.coming, ignore_errors=True)
    return missing

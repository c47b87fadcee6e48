"""Restoring a backup. Everything is checked before anything is changed, and nothing that was there is deleted."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL

from service.backup import postgresql, sqlite
from service.backup.contents import counts_of, images_of
from service.backup.files import beside, to_disk, unpack
from service.backup.manifest import PHOTOS, BackupFailed, Manifest, engine_of, read
from service.blobs import blob_store_of
from service.database.engine import Database
from service.database.migrate import known, upgrade
from service.holdings.sync.verify import all_differences
from service.settings import Settings


@dataclass(frozen=True, slots=True)
class Restored:
    """`differences`: what `verify` found. `aside`: where that is what was there before, in words, or None. `missing`: images that
    rows name and that are in no place where photos are kept."""

    manifest: Manifest
    accounts: int
    differences: list[str]
    images: int
    missing: int
    aside: str | None


def restore(settings: Settings, source: Path, now: datetime, forced: str | None = None) -> Restored:
    """Restores a folder or a tar that `take` made into a database that is empty, or whose name is `forced`. Raises BackupFailed,
    OSError, and what databases and blob stores raise."""
    url = settings.database
    with _opened(source) as folder:
        manifest = read(folder)
        if manifest.engine != engine_of(settings):
            raise BackupFailed(
                f"it is a backup of {manifest.engine}, and SETWRIGHT_DATABASE_URL names another; restore into the same kind"
            )
        if manifest.schema_revision not in known():
            raise BackupFailed(
                f"it was made by a newer version of Setwright ({manifest.program}); install that version or a later one"
            )
        _check_target(url, settings.is_sqlite, forced)
        images = _put_images(settings, folder, manifest)
        install = _install_sqlite if settings.is_sqlite else _install_postgresql
        accounts, differences, wanted, aside = install(url, folder / manifest.database, manifest, now)
    blobs = blob_store_of(settings)
    missing = sum(not blobs.has(owner, name) for owner, name in wanted)
    return Restored(manifest, accounts, differences, images, missing, aside)


def name_of_database(url: URL) -> str:
    """What is typed to replace a database that is not empty: a file's name, or a database's."""
    return Path(url.database or "").name


@contextmanager
def _opened(source: Path) -> Iterator[Path]:
    if source.is_dir():
        yield source
        return
    if not source.is_file():
        raise BackupFailed(f"there is no {source}")
    with tempfile.TemporaryDirectory(prefix="setwright-restore-") as folder:
        unpack(source, Path(folder))
        yield Path(folder)


def _check_target(url: URL, is_sqlite: bool, forced: str | None) -> None:
    name = name_of_database(url)
    if forced is not None and forced != name:
        raise BackupFailed(f"the database is called '{name}', not '{forced}'; nothing was changed")
    if forced is None and not (sqlite.is_empty(Path(url.database or "")) if is_sqlite else postgresql.is_empty(url)):
        raise BackupFailed(
            f"the database '{name}' is not empty; name an empty one in SETWRIGHT_DATABASE_URL, or replace this one with: "
            f"--force {name}"
        )


def _put_images(settings: Settings, folder: Path, manifest: Manifest) -> int:
    """Before the rows that name them. An image that is there already has the same bytes, since its name is their digest; one that
    was damaged is mended."""
    blobs, count = blob_store_of(settings), 0
    for part in manifest.parts:
        kind, _, rest = part.name.partition("/")
        if kind == PHOTOS:
            owner, _, name = rest.partition("/")
            blobs.put(owner, name, (folder / part.name).read_bytes())
            count += 1
    return count


_Installed = tuple[int, list[str], list[tuple[str, str]], str | None]


def _install_sqlite(url: URL, part: Path, manifest: Manifest, now: datetime) -> _Installed:
    """Made beside its place and checked there; only then is it renamed."""
    target = Path(url.database or "").absolute()
    target.parent.mkdir(parents=True, exist_ok=True)
    made = beside(target, "restoring")
    aside = target.with_name(f"{target.name}.replaced-{now:%Y%m%dT%H%M%SZ}")
    try:
        with part.open("rb") as source, made.open("xb") as copied:
            shutil.copyfileobj(source, copied)
        found = _finish(url.set(database=str(made)), manifest)
        sqlite.one_file(made)
        to_disk(made)
        replaced = sqlite.install(made, target, aside)
    finally:
        sqlite.remove(made)
    return *found, f"the file {aside}" if replaced else None


def _install_postgresql(url: URL, part: Path, manifest: Manifest, now: datetime) -> _Installed:
    schema = None
    if not postgresql.is_empty(url):
        schema = f"{postgresql.REPLACED}{now:%Y%m%dt%H%M%Sz}"
        postgresql.set_aside(url, schema)
    try:
        postgresql.restore(url, part)
    except BaseException:
        if schema is not None:
            postgresql.put_back(url, schema)
        raise
    aside = None if schema is None else f'the schemas of the database whose names begin with "{schema}"'
    try:
        return *_finish(url, manifest), aside
    except Exception as error:
        before = "" if aside is None else f"; what was there before is {aside}"
        raise BackupFailed(f"{error}; what was restored is in the database and must not be used{before}") from error


def _finish(url: URL, manifest: Manifest) -> tuple[int, list[str], list[tuple[str, str]]]:
    """Counts the rows as they were restored, then migrates and verifies. Returns accounts, differences and images."""
    database = Database(url.render_as_string(hide_password=False))
    try:
        _compare(manifest.counts, database.read(counts_of))
        upgrade(database)
        return *all_differences(database), database.read(images_of)
    finally:
        database.close()


def _compare(told: Mapping[str, int], found: Mapping[str, int]) -> None:
    for name in sorted(told.keys() | found.keys()):
        if told.get(name) != found.get(name):
            raise BackupFailed(
                f"the table {name} has {found.get(name, 'no')} rows after restoring, "
                f"{told.get(name, 'no')} when the backup was made"
            )

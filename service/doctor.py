"""What may be wrong with an installation. It only looks: nothing is migrated, made or mended, and a server may run meanwhile."""

from __future__ import annotations

import importlib.util
import ipaddress
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from urllib.parse import urlsplit

from sqlalchemy import URL, Connection, column, func, select, table, text
from sqlalchemy.exc import DBAPIError

from service.backup import postgresql, sqlite
from service.backup.contents import images_of
from service.blobs import blob_store_of
from service.database.engine import SOUND_SQLITE, migration_engine
from service.database.ids import new_id, read_id
from service.database.migrate import current, known, newest
from service.database.types import Instant
from service.errors import SetwrightError
from service.holdings.photos.images import digest_in
from service.settings import MEBIBYTE, Settings

# Less than this free, or than the database is large: a migration or a backup may not have room.
_LEAST_FREE = 512 * MEBIBYTE
_CLOCKS_APART = timedelta(seconds=5)
_HOLDING = table("holding", column("updated_at", Instant))
# What PostgreSQL must not leave out for a change that was acknowledged to be there after a crash.
_DURABLE = ("fsync", "full_page_writes", "synchronous_commit")


class Kind(StrEnum):
    """OK: nothing to do. NOTE: good to know. FIX: something must be done."""

    OK = "ok"
    NOTE = "note"
    FIX = "fix"


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was looked at, and what was found or is to be done."""

    kind: Kind
    subject: str
    message: str

    def __str__(self) -> str:
        return f"{self.kind:<5} {self.subject}: {self.message}"


def examine(settings: Settings, now: datetime) -> Iterator[Line]:
    """Every check, in order."""
    url = settings.database
    yield from _settings(settings)
    yield from (_sqlite(url, settings, now) if settings.is_sqlite else _postgresql(url, settings, now))
    yield from _photos_place(settings)
    yield from _space(settings, url)


def _ok(subject: str, message: str) -> Line:
    return Line(Kind.OK, subject, message)


def _note(subject: str, message: str) -> Line:
    return Line(Kind.NOTE, subject, message)


def _fix(subject: str, message: str) -> Line:
    return Line(Kind.FIX, subject, message)


def _settings(settings: Settings) -> Iterator[Line]:
    """Settings that are valid each by itself and do not go together."""
    found = []
    if settings.is_sqlite and settings.workers > 1:
        found.append(_fix("settings", "SQLite is served by one process: set SETWRIGHT_WORKERS to 1, or use PostgreSQL"))
    if settings.is_sqlite and settings.partitions:
        found.append(_fix("settings", "SQLite has no partitions: remove SETWRIGHT_PARTITIONS, or use PostgreSQL"))
    if settings.s3_endpoint and importlib.util.find_spec("minio") is None:
        found.append(_fix("settings", "photos in S3 need one more library: install setwright[s3]"))
    if settings.s3_endpoint and settings.photos_dir is not None:
        found.append(
            _fix("settings", "SETWRIGHT_PHOTOS_DIR is not used while SETWRIGHT_S3_ENDPOINT is set: remove one of them")
        )
    if settings.photo_bytes > settings.photos_quota_bytes:
        found.append(
            _fix(
                "settings", "SETWRIGHT_PHOTO_BYTES is more than SETWRIGHT_PHOTOS_QUOTA_BYTES: no such photo can be kept"
            )
        )
    local = _is_loopback(settings.host)
    if settings.imports_from_loopback and not local:
        found.append(
            _fix(
                "settings", "SETWRIGHT_IMPORTS_FROM_LOOPBACK is for tests: remove it on a server that others can reach"
            )
        )
    if not local and not settings.base_url:
        found.append(
            _fix("settings", f"links would lead to {settings.public_url}: set SETWRIGHT_BASE_URL to the public address")
        )
    if settings.base_url.startswith("http://") and not _is_loopback(urlsplit(settings.base_url).hostname or ""):
        found.append(_note("settings", "SETWRIGHT_BASE_URL is not https: tokens can be read on the way"))
    yield from found or [_ok("settings", "they go together")]


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _sqlite(url: URL, settings: Settings, now: datetime) -> Iterator[Line]:
    file = Path(url.database or "").absolute()
    if sqlite3.sqlite_version_info < SOUND_SQLITE:
        wanted = ".".join(map(str, SOUND_SQLITE))
        yield _note(
            "SQLite",
            f"{sqlite3.sqlite_version} can damage a database that several connections write, which one server does not do: never "
            f"start a second one on this file, or use a Python with SQLite {wanted} or later",
        )
    else:
        yield _ok("SQLite", sqlite3.sqlite_version)
    if not file.exists():
        yield _note("database", f"there is none at {file} yet; `setwright serve` makes it")
        yield _folder("database's folder", file.parent)
        return
    try:
        with closing(sqlite.read_only(file)) as connection:
            faults = sqlite.check(connection)
    except sqlite3.Error as error:
        yield _why_unread(file, error)
        return
    yield _ok("database", f"{file} can be read")
    if faults:
        yield _fix(
            "integrity", f"{faults[0]} ({len(faults)} faults or more): keep a copy of {file}, and restore a backup"
        )
    else:
        yield _ok("integrity", "integrity_check and foreign_key_check find nothing")
    yield _folder("database's folder", file.parent)
    try:
        with sqlite.reading(file) as connection:
            yield from _contents(connection, settings, now)
    except DBAPIError:
        # Damage that was told above, met again.
        yield _fix("contents", f"{file} cannot be read through: keep a copy of it, and restore a backup")


def _why_unread(file: Path, error: sqlite3.Error) -> Line:
    """What a user may not do with the file or beside it, where SQLite keeps its log, is no damage: no backup would help."""
    if not os.access(file, os.R_OK | os.W_OK):
        return _fix("database", f"{file} may not be read and written: let the user that runs the server do so")
    folder = _folder("database's folder", file.parent)
    if folder.kind is Kind.FIX:
        return folder
    return _fix("database", f"{file} cannot be read ({error}): keep a copy of it, and restore a backup")


def _postgresql(url: URL, settings: Settings, now: datetime) -> Iterator[Line]:
    engine = migration_engine(url.update_query_dict({"connect_timeout": "5"}))
    shown = url.render_as_string(hide_password=True)
    try:
        connection = engine.connect()
    except DBAPIError:
        # Without the driver's own words, which repeat what is in the address.
        yield _fix(
            "database",
            f"{shown} cannot be reached: is PostgreSQL running, is the database there, and are name and password right?",
        )
        return
    with connection:
        yield _ok("database", f"{shown} can be reached")
        yield from _server(connection, settings, datetime.now(UTC))
        yield from _programs(int(str(connection.scalar(text("SHOW server_version_num")))) // 10_000)
        yield from _contents(connection, settings, now)
    engine.dispose()


def _programs(server: int) -> Iterator[Line]:
    """An older pg_dump refuses a newer server; a newer pg_restore may say what an older server does not know."""
    versions = {program: postgresql.major_version(program) for program in ("pg_dump", "pg_restore")}
    if off := [program for program, version in versions.items() if version != server]:
        yield _note(
            "backup",
            f"install {' and '.join(off)} of PostgreSQL {server}, the server's version, to back up and restore from here",
        )
    else:
        yield _ok("backup", f"pg_dump and pg_restore are there, of PostgreSQL {server}")


def _server(connection: Connection, settings: Settings, now: datetime) -> Iterator[Line]:
    def setting(name: str) -> str:
        return str(connection.scalar(text("SELECT current_setting(:name)"), {"name": name}))

    off = [name for name in _DURABLE if setting(name) == "off"]
    if off:
        yield _fix(
            "durability",
            f"{', '.join(off)} is off in PostgreSQL: what was acknowledged may be lost in a crash; turn it on",
        )
    else:
        yield _ok("durability", "PostgreSQL keeps what it has acknowledged")
    most = int(setting("max_connections")) - int(setting("superuser_reserved_connections"))
    wanted = settings.workers * settings.postgresql_connections
    if wanted > most:
        yield _fix(
            "connections",
            f"{settings.workers} workers may open {wanted} of {most}: lower SETWRIGHT_WORKERS or "
            "SETWRIGHT_POSTGRESQL_CONNECTIONS, or raise max_connections",
        )
    else:
        yield _ok("connections", f"{wanted} of {most} for this service")
    apart = connection.execute(select(func.clock_timestamp())).scalar_one() - now
    if abs(apart) > _CLOCKS_APART:
        yield _fix(
            "clock",
            f"this machine and PostgreSQL are {abs(apart.total_seconds()):.0f} s apart: set both by a time server",
        )
    else:
        yield _ok("clock", "as PostgreSQL's")


def _contents(connection: Connection, settings: Settings, now: datetime) -> Iterator[Line]:
    revision = current(connection)
    if revision is None:
        yield _note("schema", "the database is empty; `setwright serve` makes the tables")
    elif revision not in known():
        yield _fix("schema", f"it is of a newer version of Setwright ({revision}): install that version")
    elif revision != newest():
        yield _note("schema", f"it is at {revision}; the next start brings it to {newest()}: make a backup before")
    else:
        yield _ok("schema", f"{revision}, the newest")
        latest = connection.scalar(select(func.max(_HOLDING.c.updated_at)))
        if latest is not None and latest - now > _CLOCKS_APART:
            yield _fix(
                "clock", f"a holding was changed at {latest:%Y-%m-%d %H:%M} UTC, which is to come: set the clock"
            )
        elif connection.dialect.name == "sqlite":
            yield _ok("clock", f"{now:%Y-%m-%d %H:%M} UTC, after the last change")
        yield from _photos(images_of(connection), settings)


def _photos(named: list[tuple[str, str]], settings: Settings) -> Iterator[Line]:
    """Images that rows name against those that there are."""
    blobs = blob_store_of(settings)
    try:
        missing = [(owner, name) for owner, name in named if not blobs.has(owner, name)]
        digests = {(owner, digest_in(name)) for owner, name in named}
        lying = {
            (owner, digest_in(name))
            for owner in blobs.owners()
            if read_id(owner) is not None
            for name in blobs.names(owner)
        }
    except (SetwrightError, RuntimeError) as error:
        yield _fix("photos", f"{error}")
        return
    if missing:
        owner, name = missing[0]
        yield _fix("photos", f"{len(missing)} images are missing, the first {owner}/{name}: copy them from a backup")
    else:
        yield _ok("photos", f"{len(digests)}, with all their images")
    if orphans := len(lying - digests):
        yield _note("photos", f"{orphans} that nothing names; `setwright tidy` removes them")


def _photos_place(settings: Settings) -> Iterator[Line]:
    if settings.s3_endpoint:
        try:
            blob_store_of(settings).has(new_id(), "setwright-doctor")
        except (SetwrightError, RuntimeError) as error:
            yield _fix("photos' bucket", f"{error}: see SETWRIGHT_S3_ENDPOINT, _BUCKET, _KEY and _SECRET")
        else:
            yield _ok("photos' bucket", "it answers; back it up by its own means")
    else:
        yield _folder("photos' folder", settings.photos_folder)


def _folder(subject: str, folder: Path) -> Line:
    """Whether something can be written there; of a folder that will be made, whether it can be."""
    there = _nearest(folder)
    try:
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as error:
        return _fix(
            subject, f"{there} cannot be written to ({error.strerror}): let the user that runs the server write there"
        )
    return _ok(
        subject, f"{folder} can be written to" if there == folder else f"{folder} will be made when it is needed"
    )


def _space(settings: Settings, url: URL) -> Iterator[Line]:
    folders = {} if settings.s3_endpoint else {"photos": settings.photos_folder}
    wanted = _LEAST_FREE
    if settings.is_sqlite:
        file = Path(url.database or "").absolute()
        folders["database"] = file.parent
        wanted = max(wanted, file.stat().st_size if file.exists() else 0)
    for name, folder in sorted(folders.items()):
        free = shutil.disk_usage(_nearest(folder)).free
        told = f"{free // MEBIBYTE} MiB free for the {name}"
        if free < wanted:
            yield _fix("disk", f"{told}, {wanted // MEBIBYTE} are wanted: make room in {folder}")
        else:
            yield _ok("disk", told)


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest above it that there is."""
    folder = folder.absolute()
    while not folder.exists():
        folder = folder.parent
    return folder

"""What a backup says of itself: `manifest.json` beside its parts."""

from __future__ import annotations

import hashlib
import re
from datetime import datetime
from pathlib import Path
from typing import Literal

import msgspec

from service.settings import Settings

FILE = "manifest.json"
FORMAT = 1
PHOTOS = "photos"
EngineName = Literal["sqlite", "postgresql"]
DATABASES: dict[EngineName, str] = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}

# The only names a part may have, so that nothing is read or written outside the backup.
_PART = re.compile(r"database\.(sqlite3|dump)|photos/[0-9a-f-]{36}/[0-9a-f]{2}/[0-9a-f]{2}/[0-9a-f]{64}-[0-9a-z]+")


class BackupFailed(Exception):
    """A backup could not be made, or not be restored; the message says what to do."""


class Part(msgspec.Struct, frozen=True):
    """One file of a backup. `name` is its path, with forward slashes."""

    name: str
    bytes: int
    sha256: str


class Manifest(msgspec.Struct, frozen=True):
    """`counts`: rows by table. `photos`: whether their images are parts of the backup, or in a bucket that has backups of its
    own. `missing`: images that a row names and that were not there when they were to be copied."""

    format: int
    program: str
    engine: EngineName
    schema_revision: str
    taken_at: datetime
    counts: dict[str, int]
    photos: Literal["folder", "bucket"]
    missing: list[str]
    parts: list[Part]

    @property
    def database(self) -> str:
        """The name of the part that is the database."""
        return DATABASES[self.engine]


def engine_of(settings: Settings) -> EngineName:
    """Which kind of database the settings name."""
    return "sqlite" if settings.is_sqlite else "postgresql"


def is_part_name(name: str) -> bool:
    return _PART.fullmatch(name) is not None


def part_of(folder: Path, name: str) -> Part:
    """The part as it is in the folder of a backup now."""
    path = folder / name
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return Part(name, path.stat().st_size, digest)


def write(manifest: Manifest, folder: Path) -> None:
    (folder / FILE).write_bytes(msgspec.json.format(msgspec.json.encode(manifest), indent=1) + b"\n")


def read(folder: Path) -> Manifest:
    """The manifest of a backup whose parts are all as they were written. Raises BackupFailed."""
    try:
        raw = (folder / FILE).read_bytes()
    except FileNotFoundError:
        raise BackupFailed(f"there is no {FILE} in it, so it is no backup, or not a whole one") from None
    try:
        if (number := msgspec.json.decode(raw, type=_OnlyFormat).format) != FORMAT:
            raise BackupFailed(f"its format is {number}; this version of Setwright reads format {FORMAT}")
        manifest = msgspec.json.decode(raw, type=Manifest)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise BackupFailed(f"{FILE} cannot be read ({error}); use another backup") from None
    names = [part.name for part in manifest.parts]
    if not all(map(is_part_name, names)) or names.count(manifest.database) != 1:
        raise BackupFailed(f"{FILE} names parts that a backup does not have; use another backup")
    for part in manifest.parts:
        try:
            there = part_of(folder, part.name)
        except FileNotFoundError:
            raise BackupFailed(f"{part.name} is missing from it; use another backup") from None
        if there != part:
            raise BackupFailed(f"{part.name} is not as it was written (its SHA-256 differs); use another backup")
    return manifest


class _OnlyFormat(msgspec.Struct):
    format: int

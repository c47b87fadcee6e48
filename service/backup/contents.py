"""What a database has in it, whatever its schema revision: rows by table, and the images of photos that its rows name."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, Text, column, func, inspect, select, table

from service.backup.manifest import BackupFailed
from service.database.migrate import current
from service.database.types import Identity
from service.holdings.photos.images import SIZES, name_of

# Told here and not by the stores: these know the newest schema only.
_OLD_PHOTO, _PHOTO_FILE = (
    table(name, column("owner_id", Identity), column("digest", Text)) for name in ("photo", "photo_file")
)


@dataclass(frozen=True, slots=True)
class Contents:
    """`images`: the owner and name of each."""

    revision: str
    counts: dict[str, int]
    images: list[tuple[str, str]]


def contents_of(connection: Connection) -> Contents:
    """Raises BackupFailed when it is no database of Setwright."""
    counts = counts_of(connection)
    revision = current(connection)
    if revision is None:
        raise BackupFailed("there is no Setwright in this database; see SETWRIGHT_DATABASE_URL")
    return Contents(revision, counts, images_of(connection))


def counts_of(connection: Connection) -> dict[str, int]:
    """Rows by table."""
    names = sorted(inspect(connection).get_table_names())
    return {name: connection.scalar(select(func.count()).select_from(table(name))) or 0 for name in names}


def images_of(connection: Connection) -> list[tuple[str, str]]:
    """The owner and name of every image that a row of the database names. Files of photos have a table since revision 0020."""
    there = inspect(connection).get_table_names()
    named = next((each for each in (_PHOTO_FILE, _OLD_PHOTO) if each.name in there), None)
    if named is None:
        return []
    rows = connection.execute(select(named.c.owner_id, named.c.digest).distinct()).all()
    return sorted((row.owner_id, name_of(row.digest, size)) for row in rows for size in SIZES)

"""A SQLite file copied while a server writes, and put in its place."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from sqlalchemy import Connection, create_engine
from sqlalchemy.pool import NullPool

from service.backup.files import place
from service.backup.manifest import BackupFailed

# A database, and what SQLite keeps beside it while it is open, or after a crash.
_ENDS = ("", "-wal", "-shm", "-journal")


def copy(source: Path, target: Path) -> None:
    """A whole copy, of one moment, in one file. Raises BackupFailed."""
    if not source.is_file():
        raise BackupFailed(f"there is no database at {source}; see SETWRIGHT_DATABASE_URL")
    try:
        with closing(read_only(source)) as live, closing(sqlite3.connect(target)) as copied:
            # All pages in one step, which is one snapshot and blocks no writer: in several, each write from elsewhere would
            # begin the copy anew.
            live.backup(copied, pages=-1)
            # One file, without a log beside it.
            copied.execute("PRAGMA journal_mode=DELETE")
            faults = check(copied)
    except sqlite3.Error as error:
        raise BackupFailed(f"{source} cannot be copied: {error}; `setwright doctor` looks at it") from None
    if faults:
        raise BackupFailed(f"{source} is damaged: {faults[0]}; keep the file, and restore an older backup")


def check(connection: sqlite3.Connection) -> list[str]:
    """What SQLite finds wrong with a file (PRAGMA integrity_check and foreign_key_check); at most 20."""
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(20)") if row[0] != "ok"]
        if found:
            return found
        orphans = connection.execute("PRAGMA foreign_key_check").fetchmany(20)
    except sqlite3.DatabaseError as error:
        # Some damage keeps the checks themselves from being made.
        if not getattr(error, "sqlite_errorname", "").startswith("SQLITE_CORRUPT"):
            raise
        return [str(error)]
    return [f"row {row[1]} of {row[0]} belongs to a row of {row[2]} that is not there" for row in orphans]


@contextmanager
def reading(file: Path) -> Iterator[Connection]:
    """A connection that changes nothing, not even how the file's log is kept."""
    engine = create_engine("sqlite://", creator=lambda: read_only(file), poolclass=NullPool, hide_parameters=True)
    with engine.connect() as connection:
        yield connection


def is_empty(file: Path) -> bool:
    """Whether there is nothing to lose: no file, or one without tables, and no log of a file that is gone."""
    if any(_with(file, end).exists() for end in ("-wal", "-journal")):
        return False
    if not file.exists():
        return True
    try:
        with closing(read_only(file)) as connection:
            return connection.execute("SELECT 1 FROM sqlite_schema").fetchone() is None
    except sqlite3.Error:
        return False


def one_file(file: Path) -> None:
    """Brings the log into the file and takes it away. Raises sqlite3.Error; SQLITE_BUSY while another has the file open."""
    with closing(sqlite3.connect(file, timeout=1)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")


def remove(file: Path) -> None:
    """Takes a database away, with what lies beside it."""
    for end in _ENDS:
        _with(file, end).unlink(missing_ok=True)


def install(made: Path, target: Path, aside: Path) -> bool:
    """Puts a database in its place. What was there is renamed to `aside`; whether something was. Raises BackupFailed while a
    server has it open."""
    there = [end for end in _ENDS if _with(target, end).exists()]
    if "" in there:
        try:
            one_file(target)
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                raise BackupFailed(f"{target} is in use; stop the server, then restore again") from None
            # A damaged file: one more reason to replace it, with what lies beside it.
    if any(_with(aside, end).exists() for end in _ENDS):
        raise BackupFailed(f"{aside} exists already and is not overwritten; restore again in a moment")
    moved = [end for end in there if _with(target, end).exists()]
    for end in moved:
        _with(target, end).rename(_with(aside, end))
    try:
        place(made, target)
    except BaseException:
        if not target.exists():
            for end in moved:
                _with(aside, end).rename(_with(target, end))
        raise
    return bool(moved)


def _with(file: Path, end: str) -> Path:
    return file.with_name(file.name + end)


def read_only(file: Path) -> sqlite3.Connection:
    """A connection that changes nothing, and waits five seconds for others. Raises sqlite3.Error."""
    return sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True, timeout=5)

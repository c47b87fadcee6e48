"""apsw as a driver for SQLAlchemy: as much of PEP 249 as the service needs, so that its own way to the database runs on a file
system written in Python (an SQLite VFS), which the standard library's driver cannot take."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from types import SimpleNamespace
from typing import Any

import apsw

Execute = Callable[[str], str]


class Cursor:
    arraysize = 1

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._cursor = connection.apsw.cursor()
        self._cursor.exec_trace = self._begin
        self._rows: list[tuple[Any, ...]] = []
        self.description: Sequence[tuple[Any, ...]] | None = None
        self.rowcount = -1

    def _begin(self, cursor: Any, _text: str, _parameters: Any) -> bool:
        # apsw forgets the columns of an answer without rows.
        self.description = [(name, None, None, None, None, None, None) for name, _ in cursor.get_description()] or None
        return True

    @property
    def lastrowid(self) -> int:
        return int(self._connection.apsw.last_insert_rowid())

    def execute(self, text: str, parameters: Sequence[Any] = ()) -> Cursor:
        self.description = None
        self._rows = list(self._cursor.execute(self._connection.rewritten(text), tuple(parameters)))
        self.rowcount = -1 if self.description else self._connection.apsw.changes()
        return self

    def executemany(self, text: str, each: Iterable[Sequence[Any]]) -> Cursor:
        changed = 0
        for parameters in each:
            self.execute(text, parameters)
            changed += max(0, self.rowcount)
        self.rowcount = changed
        return self

    def fetchone(self) -> tuple[Any, ...] | None:
        return self._rows.pop(0) if self._rows else None

    def fetchmany(self, size: int | None = None) -> list[tuple[Any, ...]]:
        size = size or self.arraysize
        taken, self._rows = self._rows[:size], self._rows[size:]
        return taken

    def fetchall(self) -> list[tuple[Any, ...]]:
        taken, self._rows = self._rows, []
        return taken

    def close(self) -> None:
        self._cursor.close()


class Connection:
    # SQLAlchemy and the service set it to None: the driver begins nothing by itself, which is how apsw always is.
    isolation_level: str | None = None

    def __init__(self, file: str, vfs: str, rewritten: Execute) -> None:
        self.apsw = apsw.Connection(file, vfs=vfs)
        self.rewritten = rewritten

    def cursor(self) -> Cursor:
        return Cursor(self)

    def execute(self, text: str, parameters: Sequence[Any] = ()) -> Cursor:
        return self.cursor().execute(text, parameters)

    def create_function(self, name: str, arguments: int, function: Any, *, deterministic: bool = False) -> None:
        self.apsw.create_scalar_function(name, function, arguments, deterministic=deterministic)

    def commit(self) -> None:
        if self.apsw.in_transaction:
            self.execute("COMMIT")

    def rollback(self) -> None:
        if self.apsw.in_transaction:
            self.execute("ROLLBACK")

    def close(self) -> None:
        self.apsw.close()


def driver(vfs: str, prepared: Callable[[apsw.Connection], None], rewritten: Execute) -> Any:
    """The module for `create_engine(..., module=)`. Its files are those of the VFS named, `prepared` is called with each new
    connection, and `rewritten` may change the text of each statement."""

    def connect(file: str, **_: Any) -> Connection:
        made = Connection(file, vfs, rewritten)
        prepared(made.apsw)
        return made

    version = tuple(int(part) for part in apsw.sqlite_lib_version().split("."))
    errors = (
        "DatabaseError",
        "OperationalError",
        "IntegrityError",
        "InterfaceError",
        "ProgrammingError",
        "NotSupportedError",
    )
    return SimpleNamespace(
        connect=connect,
        paramstyle="qmark",
        sqlite_version_info=version,
        sqlite_version=apsw.sqlite_lib_version(),
        Error=apsw.Error,
        Binary=bytes,
        **dict.fromkeys(errors, apsw.Error),
    )

"""Look-ups: single statements that find a row by indexes, asked with nearly every request.

A statement alone is one snapshot on both engines, so that it needs no transaction around it. On SQLite a look-up takes some ten
microseconds on a connection that is kept for it, less than handing it to a thread takes; it is asked in the event loop. There it
never waits: a reader of a write-ahead log waits for no writer (SQLite's documentation, "Write-Ahead Logging"), and where SQLite
would wait for something else (recovery of the log after a crash) the connection gives up at once, and the look-up goes the usual
way.
"""

from __future__ import annotations

import sqlite3
from collections import namedtuple
from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy import Column, Connection, Dialect, Engine, Select, bindparam

from service.database.partitions import has_directories, in_its_partition

_Processor = Callable[[Any], Any]
_MOST_READ = 500


class Lookup:
    """A select that finds at most one row by the digest of a secret, which is the parameter of the column's name; the statement's
    own parameters are named by `bindparam`."""

    def __init__(self, statement: Select[Any], by: Column[Any]) -> None:
        value = bindparam(by.key, type_=by.type)
        self.statement = statement.where(by == value)
        self._in_partitions = self.statement.where(*in_its_partition(by, value))
        self._names = [str(column.key) for column in statement.selected_columns]
        self._row: Any = namedtuple("Row", self._names)  # type: ignore[misc]
        self._prepared: _Prepared | None = None
        self._read: dict[tuple[Any, ...], Any] = {}

    def statement_on(self, connection: Connection) -> Select[Any]:
        """The statement as the connection's database needs it: on partitions it names the owner too."""
        return self._in_partitions if has_directories(connection) else self.statement

    def find(self, connection: sqlite3.Connection, dialect: Dialect, values: dict[str, Any]) -> Any | None:
        """The row, asked of the driver's own connection; None where there is none. Raises sqlite3.Error."""
        prepared = self._prepared
        if prepared is None:
            prepared = self._prepared = _Prepared(self.statement, dialect)
        # All rows are fetched, which ends the snapshot: an open one would keep the log from being shortened.
        rows = connection.execute(prepared.text, prepared.parameters(values)).fetchall()
        return self._made(rows[0], prepared) if rows else None

    def _made(self, raw: tuple[Any, ...], prepared: _Prepared) -> Any:
        """The row, its columns as SQLAlchemy's types read them. Most rows come again as they were, so that those are the same
        object: reading the columns takes longer than finding the row."""
        made = self._read.get(raw)
        if made is None:
            if len(self._read) >= _MOST_READ:
                self._read.clear()
            made = self._read[raw] = self._row._make(prepared.read(raw))
        return made


class _Prepared:
    """The statement as the driver takes it, with what SQLAlchemy's types do to parameters and columns."""

    def __init__(self, statement: Select[Any], dialect: Dialect) -> None:
        # What SQLAlchemy fills in only when a statement runs, such as the separator of joined texts, is filled in now; for that
        # every parameter needs a value.
        asked = {name for name, bind in statement.compile(dialect=dialect).binds.items() if bind.required}
        whole = statement.params(dict.fromkeys(asked))
        compiled = whole.compile(dialect=dialect, compile_kwargs={"render_postcompile": True})
        self.text = str(compiled)
        self._order: Sequence[str] = compiled.positiontup or ()
        types = {name: bind.type for name, bind in compiled.binds.items()}
        self._writers: dict[str, _Processor | None] = {
            name: kind.dialect_impl(dialect).bind_processor(dialect) for name, kind in types.items()
        }
        self._fixed: dict[str, Any] = {name: bind.value for name, bind in compiled.binds.items() if name not in asked}
        self._readers: list[_Processor | None] = [
            column.type.dialect_impl(dialect).result_processor(dialect, None) for column in statement.selected_columns
        ]

    def parameters(self, values: dict[str, Any]) -> list[Any]:
        given = {**self._fixed, **values}
        return [self._written(name, given[name]) for name in self._order]

    def _written(self, name: str, value: Any) -> Any:
        writer = self._writers[name]
        return value if writer is None else writer(value)

    def read(self, row: tuple[Any, ...]) -> list[Any]:
        readers = zip(row, self._readers, strict=True)
        return [value if reader is None or value is None else reader(value) for value, reader in readers]


class Beside:
    """A connection to a SQLite file that is kept for look-ups, beside the pools; of one thread at a time.

    What was found is found again without asking, as long as nothing was committed to the file since: SQLite tells that by a
    number (PRAGMA data_version: it differs when another connection, of any process, committed something in between; this one
    never writes).
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._connection: sqlite3.Connection | None = None
        self._version: int | None = None
        self._found: dict[tuple[Any, ...], Any] = {}

    def find(self, lookup: Lookup, values: dict[str, Any]) -> Any | None:
        """Raises sqlite3.Error where the file cannot be read at once."""
        connection = self._connection
        if connection is None:
            connection = self._connection = self._opened()
        ((version,),) = connection.execute("PRAGMA data_version").fetchall()
        if version != self._version or len(self._found) >= _MOST_READ:
            self._found.clear()
            self._version = version
        key = (lookup, *values.items())
        if key not in self._found:
            # What is committed between the two questions is found already, and asked for once more by the next.
            self._found[key] = lookup.find(connection, self._engine.dialect, values)
        return self._found[key]

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _opened(self) -> sqlite3.Connection:
        fairy = self._engine.raw_connection()
        made: sqlite3.Connection = fairy.driver_connection  # type: ignore[assignment]
        # Taken out of SQLAlchemy's hands: `close` closes it.
        fairy.detach()
        made.execute("PRAGMA busy_timeout=0")
        return made

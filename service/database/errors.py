"""What the database's own errors mean to a caller."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from service.errors import Busy, SetwrightError


class StorageFull(SetwrightError):
    """The database has no room left: nothing was written, reading goes on."""

    code = "storage-full"


class ReadOnly(SetwrightError):
    """Nothing can be written for now: the file system or the database takes no changes. Reading goes on."""

    code = "read-only"


class Unreachable(SetwrightError):
    """The database cannot be reached."""

    code = "not-ready"


# SQLSTATE (PostgreSQL, appendix A): lock not available, statement cancelled by its time limit, too many connections,
# idle in transaction too long.
_BUSY_STATES = frozenset({"55P03", "57014", "53300", "25P03"})
# Serialization failure, deadlock detected: the same transaction may succeed when run again.
RETRIED_STATES = frozenset({"40001", "40P01"})


def sqlstate(error: DBAPIError) -> str | None:
    """PostgreSQL's five-character code of an error, or None."""
    state = getattr(error.orig, "sqlstate", None)
    return state if isinstance(state, str) else None


@contextmanager
def translated(*, writing: bool = False) -> Iterator[None]:
    """Lets a caller see Busy, StorageFull, ReadOnly or Unreachable where that is what the database's error means."""
    try:
        yield
    except PoolTimeout as error:
        raise Busy("every connection to the database is in use; try again shortly") from error
    except DBAPIError as error:
        meaning = _meaning(error, writing=writing)
        if meaning is None:
            raise
        raise meaning from error


def _meaning(error: DBAPIError, *, writing: bool) -> SetwrightError | None:
    state = sqlstate(error)
    if state in _BUSY_STATES or state in RETRIED_STATES:
        return Busy("the database is busy with other changes; try again shortly")
    # Read-only transaction, and a transaction that may write on a server that only follows another (0A000: "not supported").
    if writing and state in ("25006", "0A000"):
        return ReadOnly("the database takes no changes now; nothing was written")
    if state == "53100":
        return StorageFull("the database has no room left; nothing was written")
    if state == "23503" or getattr(error.orig, "sqlite_errorname", "") == "SQLITE_CONSTRAINT_FOREIGNKEY":
        # Another request deleted it, an account mostly, while this one was under way: asked again it says what is missing.
        return Busy("what this belongs to was deleted meanwhile; try again shortly")
    # 08...: connection exceptions; 57P0x: the server is shutting down or starting.
    if state is not None and state.startswith(("08", "57P")):
        return Unreachable("the database cannot be reached")
    name = getattr(error.orig, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return Busy("the database is busy with other changes; try again shortly")
    if name.startswith("SQLITE_FULL"):
        return StorageFull("the database has no room left; nothing was written")
    # A file system that was mounted read-only, or became so after a fault, is told as one of these.
    if name.startswith(("SQLITE_READONLY", "SQLITE_IOERR", "SQLITE_CANTOPEN")):
        if writing:
            return ReadOnly("the database cannot be written now; nothing was written")
        if name == "SQLITE_READONLY" and error.statement is not None:
            # A statement that writes, given to a connection that only reads: a fault of this program, as on PostgreSQL. Of a
            # disk, reading says more: which file of the log it cannot make or repair (SQLITE_READONLY_...), or it fails to open.
            return None
        return Unreachable("the database cannot be read")
    if error.connection_invalidated or (state is None and not name and isinstance(error, OperationalError)):
        return Unreachable("the database cannot be reached")
    return None

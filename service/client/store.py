"""What a device keeps, in one SQLite file: records as the service last had them, an outbox of mutations that were not
acknowledged, a journal of all that were, what needs its owner's attention, and photos.

Every step is one transaction, so that the program may be killed anywhere; several programs may have the file, and one at a time
sends. The journal is kept as long as the oldest backup of the service may be, by the service's clock: after a restore it brings
back what the service lost. A file belongs to one account.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from service.client.model import Mutation, as_json, from_json, is_newer

# `alive`: the last copy that was not destroyed. `at` orders the outbox; a copy takes a place between two. `acknowledged_at` is
# the service's clock; empty where an answer did not say it.
_TABLES = """
CREATE TABLE IF NOT EXISTS record (
    id TEXT PRIMARY KEY, content TEXT NOT NULL, alive TEXT, is_current INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS outbox (
    at REAL PRIMARY KEY, mutation_id TEXT UNIQUE NOT NULL, content TEXT NOT NULL, has_copy INTEGER NOT NULL DEFAULT 0);
CREATE TABLE IF NOT EXISTS journal (
    at INTEGER PRIMARY KEY AUTOINCREMENT, mutation_id TEXT UNIQUE NOT NULL, content TEXT NOT NULL, is_recent INTEGER NOT NULL,
    acknowledged_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS attention (
    at INTEGER PRIMARY KEY AUTOINCREMENT, mutation_id TEXT UNIQUE NOT NULL, content TEXT NOT NULL, error TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS photo (
    sha256 TEXT PRIMARY KEY, kind TEXT NOT NULL, content BLOB NOT NULL, is_sent INTEGER NOT NULL DEFAULT 0, problem TEXT);
CREATE TABLE IF NOT EXISTS note (name TEXT PRIMARY KEY, value TEXT);
"""


# So long a step waits for that of another program.
_WAIT_SECONDS = 10.0


class LocalStore:
    """The file of one device."""

    def __init__(self, path: Path | str) -> None:
        self._path = Path(path)
        self._connection = sqlite3.connect(path, isolation_level=None, timeout=_WAIT_SECONDS)
        self._connection.execute("PRAGMA journal_mode=WAL")
        self._connection.execute("PRAGMA synchronous=FULL")
        self._connection.executescript(_TABLES)

    def close(self) -> None:
        self._connection.close()

    @contextmanager
    def step(self) -> Iterator[None]:
        """Everything within happens, or nothing does."""
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")

    @contextmanager
    def view(self) -> Iterator[None]:
        """What is read within is of one moment, whatever other programs do with the file."""
        if self._connection.in_transaction:
            yield
            return
        self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.execute("COMMIT")

    @contextmanager
    def sending(self) -> Iterator[bool]:
        """True within where no other program sends from this file now. A lock on a file beside it, which ends with the program
        that has it, however that ends."""
        turn = sqlite3.connect(f"{self._path}-sending", isolation_level=None, timeout=0)
        try:
            turn.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            yield False
        else:
            yield True
        finally:
            turn.close()

    # -- records

    def record(self, identity: str) -> Mapping[str, Any] | None:
        """The record as the service last had it, or the marker of a destroyed one."""
        return self._one("SELECT content FROM record WHERE id = ? AND is_current = 1", identity)

    def copy_of(self, identity: str) -> Mapping[str, Any] | None:
        """The last copy that was not destroyed, be it from before a fresh start."""
        return self._one("SELECT alive FROM record WHERE id = ?", identity)

    def records(self) -> list[Mapping[str, Any]]:
        rows = self._connection.execute("SELECT content FROM record WHERE is_current = 1 ORDER BY id")
        return [from_json(content) for (content,) in rows]

    def keep_records(self, records: Iterable[Mapping[str, Any]]) -> None:
        for record in records:
            content = as_json(record).decode()
            self._connection.execute(
                "INSERT INTO record VALUES (:id, :content, :alive, 1) ON CONFLICT (id) DO UPDATE SET "
                "content = excluded.content, alive = coalesce(excluded.alive, alive), is_current = 1",
                {"id": record["id"], "content": content, "alive": None if record["destroyed"] else content},
            )

    def set_records_aside(self) -> None:
        """A fresh start: what is here is no longer what the service has, and may be needed as a copy."""
        self._connection.execute("UPDATE record SET is_current = 0")

    # -- mutations

    def outbox(self, most: int = -1) -> list[Mutation]:
        rows = self._connection.execute("SELECT content FROM outbox ORDER BY at LIMIT ?", (most,))
        return [from_json(content) for (content,) in rows]

    def enqueue(self, mutation: Mutation) -> None:
        self._connection.execute(
            "INSERT INTO outbox (at, mutation_id, content) SELECT coalesce(max(at), 0) + 1, ?, ? FROM outbox",
            (mutation["mutation_id"], as_json(mutation).decode()),
        )

    def enqueue_copy(self, copy: Mutation, before: str) -> bool:
        """Puts the copy right before a mutation; False where that was done before."""
        row = self._connection.execute("SELECT at, has_copy FROM outbox WHERE mutation_id = ?", (before,)).fetchone()
        if row is None or row[1]:
            return False
        self._connection.execute(
            "INSERT INTO outbox (at, mutation_id, content) SELECT (coalesce(max(at), :at - 1) + :at) / 2, :id, :content "
            "FROM outbox WHERE at < :at",
            {"at": row[0], "id": copy["mutation_id"], "content": as_json(copy).decode()},
        )
        self._connection.execute("UPDATE outbox SET has_copy = 1 WHERE mutation_id = ?", (before,))
        return True

    def send_all_again(self) -> None:
        """The journal becomes the beginning of the outbox."""
        waiting = self.outbox()
        names = {mutation["mutation_id"] for mutation in waiting}
        earlier = [mutation for mutation in self.journal() if mutation["mutation_id"] not in names]
        self._connection.execute("DELETE FROM outbox")
        self._connection.execute("DELETE FROM journal")
        for mutation in (*earlier, *waiting):
            self.enqueue(mutation)

    def knows(self, mutation_id: str) -> bool:
        """Whether the mutation waits here, was acknowledged, or needs attention."""
        tables = ("outbox", "journal", "attention")
        query = " UNION ALL ".join(f"SELECT 1 FROM {name} WHERE mutation_id = :id" for name in tables)  # noqa: S608 - ours
        return self._connection.execute(query, {"id": mutation_id}).fetchone() is not None

    def acknowledge(self, mutation: Mutation, now: datetime | None) -> None:
        """From the outbox into the journal; it counts as recent until all changes were taken. `now` is the service's clock, None
        where it did not say it."""
        self._connection.execute("DELETE FROM outbox WHERE mutation_id = ?", (mutation["mutation_id"],))
        row = (mutation["mutation_id"], as_json(mutation).decode(), "" if now is None else _written(now))
        self._connection.execute(
            "INSERT OR IGNORE INTO journal (mutation_id, content, is_recent, acknowledged_at) VALUES (?, ?, 1, ?)", row
        )

    def refuse(self, mutation: Mutation, error: Mapping[str, Any]) -> None:
        """From the outbox to what needs attention: nothing that the owner did is dropped."""
        self._connection.execute("DELETE FROM outbox WHERE mutation_id = ?", (mutation["mutation_id"],))
        row = (mutation["mutation_id"], as_json(mutation).decode(), as_json(error).decode())
        self._connection.execute("INSERT OR REPLACE INTO attention (mutation_id, content, error) VALUES (?, ?, ?)", row)

    def journal(self, *, recent_only: bool = False) -> list[Mutation]:
        where = "WHERE is_recent = 1" if recent_only else ""
        rows = self._connection.execute(f"SELECT content FROM journal {where} ORDER BY at")  # noqa: S608 - ours
        return [from_json(content) for (content,) in rows]

    def nothing_is_recent(self, now: datetime | None, kept: timedelta) -> None:
        """Everything acknowledged is in the records; what is older than any backup is not needed for a restore either. `now` is
        the service's clock; None where it did not say it: then nothing is forgotten."""
        self._connection.execute("UPDATE journal SET is_recent = 0 WHERE is_recent = 1")
        if now is None:
            return
        self._connection.execute("UPDATE journal SET acknowledged_at = ? WHERE acknowledged_at = ''", (_written(now),))
        self._connection.execute("DELETE FROM journal WHERE acknowledged_at < ?", (_written(now - kept),))

    def attention(self) -> list[tuple[Mutation, Mapping[str, Any]]]:
        """Refused mutations with the reason."""
        rows = self._connection.execute("SELECT content, error FROM attention ORDER BY at")
        return [(from_json(content), from_json(error)) for content, error in rows]

    def dismiss(self, mutation_id: str) -> None:
        """The owner has dealt with a refusal."""
        self._connection.execute("DELETE FROM attention WHERE mutation_id = ?", (mutation_id,))

    def send_again(self, mutation_id: str) -> None:
        """A refused mutation goes to the end of the outbox, as it was."""
        for mutation, _ in self.attention():
            if mutation["mutation_id"] == mutation_id:
                self.dismiss(mutation_id)
                self.enqueue(mutation)

    # -- photos

    def keep_photo(self, sha256: str, kind: str, content: bytes) -> None:
        row = (sha256, kind, content)
        self._connection.execute("INSERT OR IGNORE INTO photo (sha256, kind, content) VALUES (?, ?, ?)", row)

    def photo(self, sha256: str) -> tuple[str, bytes] | None:
        """Media type and bytes of a photo that was taken here."""
        query = "SELECT kind, content FROM photo WHERE sha256 = ?"
        found: tuple[str, bytes] | None = self._connection.execute(query, (sha256,)).fetchone()
        return found

    def unsent_photos(self) -> list[str]:
        """Those that were neither sent nor refused."""
        rows = self._connection.execute("SELECT sha256 FROM photo WHERE is_sent = 0 AND problem IS NULL ORDER BY rowid")
        return [sha256 for (sha256,) in rows]

    def refused_photos(self) -> list[tuple[str, Mapping[str, Any]]]:
        rows = self._connection.execute("SELECT sha256, problem FROM photo WHERE problem IS NOT NULL ORDER BY rowid")
        return [(sha256, from_json(problem)) for sha256, problem in rows]

    def note_photo(self, sha256: str, *, is_sent: bool, problem: Mapping[str, Any] | None = None) -> None:
        row = (is_sent, None if problem is None else as_json(problem).decode(), sha256)
        self._connection.execute("UPDATE photo SET is_sent = ?, problem = ? WHERE sha256 = ?", row)

    def note_missing(self, sha256: str) -> None:
        """The service has not got it, or not any more; one that it refused is left to the owner."""
        self._connection.execute("UPDATE photo SET is_sent = 0 WHERE sha256 = ? AND problem IS NULL", (sha256,))

    # -- notes

    def note(self, name: str) -> str | None:
        row = self._connection.execute("SELECT value FROM note WHERE name = ?", (name,)).fetchone()
        return None if row is None else row[0]

    def note_known(self, state: str) -> None:
        """Notes a state that an answer had: the greatest of all is the one that is known."""
        if is_newer(state, self.note("known")):
            self.set_note("known", state)

    def set_note(self, name: str, value: str | None) -> None:
        self._connection.execute("INSERT OR REPLACE INTO note VALUES (?, ?)", (name, value))

    def _one(self, query: str, identity: str) -> Mapping[str, Any] | None:
        row = self._connection.execute(query, (identity,)).fetchone()
        found: Mapping[str, Any] | None = None if row is None or row[0] is None else from_json(row[0])
        return found


def _written(moment: datetime) -> str:
    """In one form, so that texts are in the order of moments."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds")

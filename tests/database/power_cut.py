"""A disk that records, and the states in which a power cut could leave it.

What was synced is there after a cut. What was written since may be there, may not be, or in parts: any of the writes, each of
them by any of its sectors, whatever their order was. SQLite assumes no more of a disk than that bytes beside a write stay as they
are (its documentation, "Atomic Commit In SQLite", and `SQLITE_IOCAP_POWERSAFE_OVERWRITE`).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import apsw

SECTOR = 512
# The files of a database that outlive a power cut, by what follows its name; the index of the log ("-shm") is made anew.
KEPT = ("", "-wal", "-journal")


@dataclass(frozen=True)
class Write:
    file: str
    offset: int
    data: bytes


@dataclass(frozen=True)
class Truncate:
    file: str
    size: int


@dataclass(frozen=True)
class Delete:
    file: str


@dataclass(frozen=True)
class Sync:
    file: str


Event = Write | Truncate | Delete | Sync


class RecordingVfs(apsw.VFS):
    """The usual file system of SQLite; what is done to the files of one database is kept in `events` once there is a list."""

    def __init__(self, name: str, database: Path, chance: random.Random) -> None:
        self.name, self._database, self._chance = name, str(database), chance
        self.events: list[Event] | None = None
        super().__init__(name, "")

    def note(self, event: Event) -> None:
        if self.events is not None and event.file in KEPT:
            self.events.append(event)

    def part(self, name: str) -> str:
        return name.removeprefix(self._database)

    def xOpen(self, name: Any, flags: Any) -> apsw.VFSFile:
        return _RecordingFile(self, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        super().xDelete(filename, syncdir)
        self.note(Delete(self.part(filename)))

    def xRandomness(self, numbytes: int) -> bytes:
        return self._chance.randbytes(numbytes)


class _RecordingFile(apsw.VFSFile):
    def __init__(self, disk: RecordingVfs, name: Any, flags: Any) -> None:
        self._disk = disk
        said = name.filename() if isinstance(name, apsw.URIFilename) else name
        # Files without a name are temporary.
        self._part = disk.part(said) if said else "temporary"
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:
        super().xWrite(data, offset)
        self._disk.note(Write(self._part, offset, bytes(data)))

    def xTruncate(self, newsize: int) -> None:
        super().xTruncate(newsize)
        self._disk.note(Truncate(self._part, newsize))

    def xSync(self, flags: int) -> None:
        super().xSync(flags)
        self._disk.note(Sync(self._part))


Files = dict[str, bytearray]


@dataclass
class Disk:
    """What is for certain on the disk, and what was done since and is not yet."""

    synced: Files
    syncs: bool = True
    live: Files = field(init=False)
    pending: dict[str, list[Event]] = field(init=False)

    def __post_init__(self) -> None:
        self.live = {name: bytearray(content) for name, content in self.synced.items()}
        self.pending = {}

    def do(self, event: Event) -> None:
        if not isinstance(event, Sync):
            _apply(self.live, event)
            self.pending.setdefault(event.file, []).append(event)
        elif self.syncs:
            for waiting in self.pending.pop(event.file, []):
                _apply(self.synced, waiting)

    def kept(self) -> Files:
        return self.live

    def dropped(self) -> Files:
        return self.synced

    def torn(self, chance: random.Random) -> Files:
        """Of all that waits any part, each file by itself."""
        files = {name: bytearray(content) for name, content in self.synced.items()}
        for events in self.pending.values():
            for event in events:
                kind = chance.random()
                if kind < 0.4:
                    _apply(files, event)
                elif kind < 0.8 and isinstance(event, Write):
                    for piece in _sectors(event):
                        if chance.random() < 0.5:
                            _apply(files, piece)
        return files


def _sectors(write: Write) -> Iterator[Write]:
    """The parts of a write that lie in different sectors of the disk."""
    at, end = write.offset, write.offset + len(write.data)
    while at < end:
        until = min(end, (at // SECTOR + 1) * SECTOR)
        yield Write(write.file, at, write.data[at - write.offset : until - write.offset])
        at = until


def _apply(files: Files, event: Event) -> None:
    if isinstance(event, Delete):
        files.pop(event.file, None)
        return
    content = files.setdefault(event.file, bytearray())
    if isinstance(event, Truncate):
        del content[event.size :]
    elif isinstance(event, Write):
        # What lies between the end of the file and a write beyond it is zero.
        content.extend(bytes(max(0, event.offset - len(content))))
        content[event.offset : event.offset + len(event.data)] = event.data


def crashes(
    base: Files, events: Sequence[Event], chance: random.Random, *, syncs: bool = True, states: int | None = None
) -> Iterator[tuple[int, str, Files]]:
    """The states after each prefix of the events, each with how many events there were and what became of the unsynced: kept,
    dropped, torn. With `syncs=False` the disk ignores syncs. `states` is about how many there are to be, evenly; None: of every
    prefix."""
    disk = Disk({name: bytearray(content) for name, content in base.items()}, syncs)
    every = 1 if states is None else max(1, 3 * len(events) // states)
    for number, event in enumerate(events, 1):
        disk.do(event)
        if number % every == 0:
            yield number, "kept", disk.kept()
            yield number, "dropped", disk.dropped()
            yield number, "torn", disk.torn(chance)


def put(files: Files, folder: Path) -> Path:
    """Writes a state into a folder, in place of what was there; returns the database's file."""
    database = folder / "database"
    for part in (*KEPT, "-shm"):
        path = Path(f"{database}{part}")
        if part in files:
            path.write_bytes(files[part])
        else:
            path.unlink(missing_ok=True)
    return database

"""Blobs in a folder of the file system, one folder for each owner."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from service.blobs.store import NO_ROOM, PIECE_BYTES, READ_ONLY, UNREACHABLE
from service.database.errors import ReadOnly, StorageFull, Unreachable

# A file that is older than this, where files are written, was left by a server that ended in between.
_ABANDONED_SECONDS = 86_400


class FolderStore:
    """A folder for each owner. A file is written elsewhere, brought to the disk and then renamed, so that it is there as a
    whole or not at all."""

    # The folder in which files are written.
    coming = ".coming"

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def put(self, owner: str, name: str, content: bytes) -> None:
        self._put(owner, name, lambda file: file.write(content))

    def put_file(self, owner: str, name: str, source: Path) -> None:
        def copy(file: IO[bytes]) -> None:
            with source.open("rb") as read:
                shutil.copyfileobj(read, file, PIECE_BYTES)

        self._put(owner, name, copy)

    def _put(self, owner: str, name: str, write: Callable[[IO[bytes]], object]) -> None:
        with _of_disk():
            target, coming = self._folder / owner / name, self._folder / self.coming
            _make(target.parent)
            _make(coming)
            written = coming / uuid.uuid4().hex
            try:
                with written.open("xb") as file:
                    write(file)
                    file.flush()
                    os.fsync(file.fileno())
                written.replace(target)
            except BaseException:
                written.unlink(missing_ok=True)
                raise
            bring_to_disk(target.parent)

    def get(self, owner: str, name: str) -> bytes | None:
        with _of_disk():
            try:
                return (self._folder / owner / name).read_bytes()
            except FileNotFoundError:
                return None

    def pieces(self, owner: str, name: str) -> Iterator[bytes] | None:
        with _of_disk():
            try:
                opened = (self._folder / owner / name).open("rb")
            except FileNotFoundError:
                return None
        return _pieces(opened)

    def has(self, owner: str, name: str) -> bool:
        with _of_disk():
            return (self._folder / owner / name).is_file()

    def remove(self, owner: str, name: str) -> None:
        with _of_disk():
            (self._folder / owner / name).unlink(missing_ok=True)

    def names(self, owner: str) -> Iterator[str]:
        with _of_disk():
            folder = self._folder / owner
            yield from sorted(path.relative_to(folder).as_posix() for path in folder.glob("*/*/*") if path.is_file())

    def owners(self) -> Iterator[str]:
        with _of_disk():
            yield from sorted(path.name for path in self._folder.glob("[!.]*") if path.is_dir())

    def try_write(self) -> None:
        with _of_disk():
            folder = next(path for path in (self._folder, *self._folder.absolute().parents) if path.is_dir())
            if folder != self._folder:
                # There is no photo yet, so nothing is made.
                if not os.access(folder, os.W_OK):
                    raise ReadOnly(READ_ONLY)
                return
            # As large as a block, since an empty file needs none.
            with tempfile.TemporaryFile(dir=folder, prefix=".trial-") as file:
                file.write(bytes(4_096))
                file.flush()
                os.fsync(file.fileno())

    def clear_abandoned(self) -> None:
        before = time.time() - _ABANDONED_SECONDS
        with _of_disk():
            for path in (self._folder / self.coming).glob("*"):
                # Another server may take it away, or finish it, at the same time.
                with suppress(FileNotFoundError):
                    if path.stat().st_mtime < before:
                        path.unlink()


def _pieces(opened: IO[bytes]) -> Iterator[bytes]:
    with opened, _of_disk():
        while piece := opened.read(PIECE_BYTES):
            yield piece


def _make(folder: Path) -> None:
    """The folder with those above it, each of them durable."""
    if folder.is_dir():
        return
    _make(folder.parent)
    folder.mkdir(mode=0o700, exist_ok=True)
    bring_to_disk(folder.parent)


def bring_to_disk(folder: Path) -> None:
    """Makes the names in a folder durable."""
    # Where folders cannot be opened, the system brings names to the disk by itself.
    if os.name == "nt":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


@contextmanager
def _of_disk() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise StorageFull(NO_ROOM) from error
        if error.errno == errno.EROFS:
            raise ReadOnly(READ_ONLY) from error
        raise Unreachable(UNREACHABLE) from error

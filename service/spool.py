"""The folder of what is too long for memory, and is gone with the request or the process that laid it down.

A process that is killed leaves its folder behind. So each holds a lock on its own (flock(2)), which the system lets go with the
process, and whoever starts next removes folders that nobody holds.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = "setwright-spool-"
# An empty one that nobody holds is being made, or was left in that moment.
_ABANDONED_SECONDS = 3_600


@contextmanager
def opened_spool(parent: Path | None) -> Iterator[Path]:
    """A folder of this process alone in `parent` (None: where the system keeps temporary files), gone at the end. Removes
    those of processes that were killed. Raises OSError where it cannot be made."""
    parent = Path(tempfile.gettempdir()) if parent is None else parent
    remove_abandoned(parent)
    with tempfile.TemporaryDirectory(prefix=_PREFIX, dir=parent, ignore_cleanup_errors=True) as name:
        held = os.open(name, os.O_RDONLY)
        try:
            # Before there is anything in it.
            fcntl.flock(held, fcntl.LOCK_EX)
            yield Path(name)
        finally:
            os.close(held)


@contextmanager
def piece_folder(spool: Path) -> Iterator[Path]:
    """A folder for what one piece of work lays down, gone at the end with all that is still in it. A process that goes on for a
    moment after that can lay down nothing more."""
    folder = spool / uuid.uuid4().hex
    folder.mkdir(mode=0o700)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def remove_abandoned(parent: Path) -> None:
    """Removes the folders of processes that are gone. What belongs to others, or cannot be removed, stays."""
    for folder in parent.glob(f"{_PREFIX}*"):
        with suppress(OSError):
            if folder.is_symlink() or folder.stat().st_uid != os.getuid():
                continue
            if _is_abandoned(folder):
                shutil.rmtree(folder, ignore_errors=True)


def _is_abandoned(folder: Path) -> bool:
    held = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    finally:
        os.close(held)
    return any(folder.iterdir()) or folder.stat().st_mtime < time.time() - _ABANDONED_SECONDS

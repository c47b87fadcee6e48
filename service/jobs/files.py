"""Answers of jobs that are too long for a row of the database: files in a blob store.

A file is put there before the row that names it, and removed after it. So at worst there is one that no row names, of a process
that was killed in between, and `sweep_files` finds those.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from service.accounts.model import Owner
from service.blobs.store import BlobStore, accounts_in
from service.database.engine import Database
from service.database.ids import made_at, new_id, read_id
from service.errors import SetwrightError
from service.jobs.store import JobStore

# The row of a file that was put there within this time may be still to come.
_ON_ITS_WAY = timedelta(days=1)


def keep_file(blobs: BlobStore, owner: Owner, source: Path) -> str:
    """Keeps the bytes of a file; the name that they have from now on, which nothing had before. Raises what the store raises."""
    identity = new_id()
    # By the end of the id, which is chance: two folders deep, so that no folder grows large.
    name = f"{identity[-2:]}/{identity[-4:-2]}/{identity}"
    blobs.put_file(owner.id, name, source)
    return name


def remove_files(blobs: BlobStore, owner: Owner, names: Iterable[str]) -> None:
    """Removes files that no row names any more. What cannot be removed now is left to `sweep_files`."""
    for name in names:
        with suppress(SetwrightError):
            blobs.remove(owner.id, name)


def remove_all_files(blobs: BlobStore, owner: Owner) -> None:
    """Removes all files of an account that is gone. What cannot be removed now is left to `sweep_files`."""
    with suppress(SetwrightError):
        remove_files(blobs, owner, list(blobs.names(owner.id)))


def sweep_files(database: Database, blobs: BlobStore, now: datetime) -> int:
    """Removes files that no row names, of all owners; how many. It may run at any time."""
    taken = 0
    blobs.clear_abandoned()
    for owner in map(Owner, accounts_in(blobs)):
        lying = [name for name in blobs.names(owner.id) if _is_old(name, now - _ON_ITS_WAY)]
        if not lying:
            continue
        # After those that are there were listed: a file has its row from then on, or has none for good.
        named = database.read(lambda connection, owner=owner: JobStore(connection, owner).files())  # type: ignore[misc]
        for name in lying:
            if name not in named:
                blobs.remove(owner.id, name)
                taken += 1
    return taken


def _is_old(name: str, before: datetime) -> bool:
    identity = read_id(name.rsplit("/", 1)[-1])
    return identity is not None and made_at(identity) < before

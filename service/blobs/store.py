"""Where the bytes of photos, and long answers of jobs, are kept, by owner and name: what a folder and an S3-compatible store have
in common."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from service.database.ids import read_id

PIECE_BYTES = 256 * 1024
"""How much of a file is in memory at a time where it is copied or read in pieces."""

NO_ROOM = "the place where photos are kept has no room left; nothing was kept"
UNREACHABLE = "the place where photos are kept cannot be reached"
READ_ONLY = "the place where photos are kept cannot be written now; nothing was kept"


def accounts_in(store: BlobStore) -> list[str]:
    """The ids of accounts of which a store has something. Whatever else lies there was not put there by this service."""
    return [owner for owner in store.owners() if read_id(owner) is not None]


class BlobStore(Protocol):
    """`owner` is an account's id; `name` has forward slashes in it, and comes from `photos.images.name_of` or `jobs.files`.

    Every method raises StorageFull where there is no room, ReadOnly where nothing can be written, and Unreachable for any other
    trouble of the place."""

    def put(self, owner: str, name: str, content: bytes) -> None:
        """Returns when the bytes are durable. The same name always has the same bytes, so putting again changes nothing."""

    def put_file(self, owner: str, name: str, source: Path) -> None:
        """The same for the bytes of a file, of which no more than a piece is in memory."""

    def get(self, owner: str, name: str) -> bytes | None:
        """The bytes; None where there are none."""

    def pieces(self, owner: str, name: str) -> Iterator[bytes] | None:
        """The same in pieces of at most PIECE_BYTES. What was removed after this came back is read to its end all the same. The
        iterator raises what a method does, and is to be read to its end or closed."""

    def has(self, owner: str, name: str) -> bool: ...

    def remove(self, owner: str, name: str) -> None:
        """Removes the bytes; that there are none is no error."""

    def names(self, owner: str) -> Iterator[str]:
        """Every name that the owner has bytes under."""

    def owners(self) -> Iterator[str]: ...

    def try_write(self) -> None:
        """Raises what `put` would raise now, as far as this can be told without another server."""

    def clear_abandoned(self) -> None:
        """Removes what was left behind by a `put` that did not end."""

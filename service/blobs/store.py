"""Where the bytes of photos are kept, by owner and name: what a folder and an S3-compatible store have in common."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

NO_ROOM = "the place where photos are kept has no room left; nothing was kept"
UNREACHABLE = "the place where photos are kept cannot be reached"
READ_ONLY = "the place where photos are kept cannot be written now; nothing was kept"


class BlobStore(Protocol):
    """`owner` is an account's id; `name` has forward slashes in it, and comes from `photos.images.name_of`.

    Every method raises StorageFull where there is no room, ReadOnly where nothing can be written, and Unreachable for any other
    trouble of the place."""

    def put(self, owner: str, name: str, content: bytes) -> None:
        """Returns when the bytes are durable. The same name always has the same bytes, so putting again changes nothing."""

    def get(self, owner: str, name: str) -> bytes | None:
        """The bytes; None where there are none."""

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

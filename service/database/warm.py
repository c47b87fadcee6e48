"""What is kept in memory of a database, by owner and within a number of bytes: the least recently used goes first.

Every value belongs to one state of its owner, and is given only to a transaction that reads this state. So it does not
matter which process changed the database, or whether it was restored from a backup.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Generic, Protocol, TypeVar

# Transactions that began before a change still read the state before it.
_VERSIONS = 4


class Kept(Protocol):
    """A value of one state. `nbytes` is about what it takes; it may grow with use."""

    @property
    def state(self) -> Any: ...

    @property
    def nbytes(self) -> int: ...

    def let_go(self) -> None:
        """Forgets what was worked out from it, when there is a newer version."""


Value = TypeVar("Value", bound=Kept)


@dataclass(frozen=True, slots=True)
class WarmCounts:
    """How often what was asked for was there (`hits`), was there for another state and brought to the one asked for (`patches`),
    or had to be read whole (`misses`); how often an owner's values were let go of, and what is kept now."""

    hits: int = 0
    patches: int = 0
    misses: int = 0
    evictions: int = 0
    owners: int = 0
    nbytes: int = 0


@dataclass(slots=True)
class _Shelf(Generic[Value]):
    """What is kept of one owner: versions made of each other, so that they share nearly all that they have."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    versions: tuple[Value, ...] = ()
    nbytes: int = 0


class Warm(Generic[Value]):
    """Bounded by `most_bytes` over all owners; an owner whose value alone is larger has nothing kept. For many threads: of one
    owner's value one thread at a time makes a version, and the others wait for it."""

    def __init__(self, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        self._lock = threading.Lock()
        self._shelves: OrderedDict[str, _Shelf[Value]] = OrderedDict()
        self._hits = self._patches = self._misses = self._evictions = self._bytes = 0

    def value(self, owner: str, state: Any, make: Callable[[], Value], patch: Callable[[Value], Value | None]) -> Value:
        """The owner's value for this state, which the caller's transaction reads: the one that is kept, or else another one
        patched (`patch` gives None where it cannot be), or one made anew."""
        with self._lock:
            shelf = self._shelves.setdefault(owner, _Shelf())
            self._shelves.move_to_end(owner)
        with shelf.lock:
            hit = next((version for version in shelf.versions if version.state == state), None)
            patched = None if hit is not None else _first(patch(version) for version in shelf.versions)
            found = hit if hit is not None else patched if patched is not None else make()
            if hit is None:
                for version in shelf.versions:
                    version.let_go()
            if patched is not None:
                shelf.versions = (patched, *shelf.versions)[:_VERSIONS]
            elif hit is None:
                # Of another history, or for a transaction that began long ago: whoever reads a later state patches it.
                shelf.versions = (found,)
            with self._lock:
                self._hits += hit is not None
                self._patches += patched is not None
                self._misses += hit is None and patched is None
                self._weigh(owner, shelf)
        return found

    def _weigh(self, owner: str, shelf: _Shelf[Value]) -> None:
        # Of versions that share nearly all they have the largest says what they take together.
        nbytes = max(version.nbytes for version in shelf.versions)
        if self._shelves.get(owner) is not shelf:
            # It was let go of while it was looked at.
            return
        self._bytes += nbytes - shelf.nbytes
        shelf.nbytes = nbytes
        while self._bytes > self.most_bytes:
            _, gone = self._shelves.popitem(last=False)
            for version in gone.versions:
                version.let_go()
            self._bytes -= gone.nbytes
            self._evictions += 1

    @property
    def counts(self) -> WarmCounts:
        """What was asked for and what is kept, so far."""
        with self._lock:
            return WarmCounts(self._hits, self._patches, self._misses, self._evictions, len(self._shelves), self._bytes)


def _first(found: Iterable[Value | None]) -> Value | None:
    return next((one for one in found if one is not None), None)

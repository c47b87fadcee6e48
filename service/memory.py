"""How a process that serves keeps its memory: when garbage is looked for, how many heaps glibc divides it into, and when what is
free in them is given back."""

from __future__ import annotations

import asyncio
import ctypes
import gc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from service.beside import beside

# A collection read at once is a million objects and no garbage: with Python's own thresholds, looking through them again and
# again took two thirds of the time of a filter over 10,000 holdings. New objects are looked through once, in small portions:
# while that goes on no request gets its turn, and 100,000 took up to 0.1 s.
_GARBAGE = (10_000, 200, 50)
# Rings of objects wait for that: with so large thresholds those of some 240,000 requests did. So what came since the last time is
# looked through once a minute as well, which takes milliseconds: what stays is not looked at again.
TIDY_SECONDS = 60.0
_NOT_OLD = 1
# mallopt(3): M_ARENA_MAX.
_MOST_HEAPS = -8
_HEAPS = 2


def settle_memory() -> None:
    """To be called before threads are started. glibc gives every thread a heap of its own, up to eight a core, and keeps what is
    free in each: the forty threads that wait for the database fill one after the other. Other libraries of C have no such limit,
    and keep theirs."""
    gc.set_threshold(*_GARBAGE)
    limit_heaps(_HEAPS)


def limit_heaps(most: int) -> None:
    """How many glibc may divide its memory into, the first one included. Each of the others reserves 64 MiB of address space."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_MOST_HEAPS, most)


@asynccontextmanager
async def tidied() -> AsyncIterator[None]:
    """Frees rings of objects that nobody refers to any more, and gives back to the system what is free, again and again as long
    as the block runs."""

    async def tidy() -> None:
        while True:
            await asyncio.sleep(TIDY_SECONDS)
            look_for_rings()
            # What asks the same heap for memory meanwhile waits: a millisecond, or long after very much was freed at once.
            await asyncio.to_thread(give_back)

    async with beside(tidy()):
        yield


def look_for_rings() -> None:
    """Frees those that came since the last time."""
    gc.collect(_NOT_OLD)


def give_back() -> None:
    """Gives whole pages that are free in glibc's heaps back to the system, which by itself it does at their ends alone
    (malloc_trim(3)). Other libraries of C have nothing of the kind."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)

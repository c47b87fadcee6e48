"""Rings of objects: what refers back to itself, which garbage collection alone frees."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from types import FunctionType


class Ring:
    """Refers to itself."""

    __module__ = "service.tests"

    def __init__(self) -> None:
        self.ring = self


def left_to_collection() -> dict[str, int]:
    """How many objects of ours garbage collection finds now, in rings or held by them, by the names of classes and functions."""
    gc.set_debug(gc.DEBUG_SAVEALL)
    try:
        gc.collect()
        return dict(Counter(name for one in gc.garbage if (name := _name_of(one))))
    finally:
        gc.set_debug(0)
        gc.garbage.clear()
        gc.collect()


def _name_of(found: object) -> str | None:
    of = found if isinstance(found, FunctionType) else type(found)
    return of.__qualname__ if of.__module__.partition(".")[0] == "service" else None


@contextmanager
def only_asked() -> Iterator[None]:
    """Garbage is not looked for unless it is asked for, and not among what is there already, which takes long."""
    gc.collect()
    gc.disable()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        gc.enable()

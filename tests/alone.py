"""Tests marked `alone` measure how long a server takes, so they have the processors to themselves: while they run, the other
workers of the session wait. They come first, one after another, in one worker. Those marked `long` follow, so that at the end
no worker is left with one of them while the others have nothing to do."""

from __future__ import annotations

import fcntl
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


class Turns:
    """The turns of one worker. `folder` is the same for all workers of a session."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(exist_ok=True)
        # Whoever waits for the processors stands at the door, so that nobody who comes later goes in before it.
        self._door, self._processors = ((folder / name).open("ab") for name in ("door", "processors"))
        self._is_in = False

    def pytest_unconfigure(self) -> None:
        # The others have their files open.
        shutil.rmtree(self._folder, ignore_errors=True)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item, nextitem: pytest.Item | None) -> Iterator[None]:
        if not self._is_in:
            fcntl.flock(self._door, fcntl.LOCK_EX)
            fcntl.flock(self._processors, fcntl.LOCK_EX if is_alone(item) else fcntl.LOCK_SH)
            fcntl.flock(self._door, fcntl.LOCK_UN)
            self._is_in = True
        try:
            return (yield)
        finally:
            # It is taken once for all that follow each other.
            if not is_alone(item) or nextitem is None or not is_alone(nextitem):
                fcntl.flock(self._processors, fcntl.LOCK_UN)
                self._is_in = False


def is_alone(item: pytest.Item) -> bool:
    return item.get_closest_marker("alone") is not None


def pytest_configure(config: pytest.Config) -> None:
    session = getattr(config, "workerinput", {}).get("testrunuid")
    # In a session of one process nothing runs beside.
    if session is not None:
        config.pluginmanager.register(Turns(Path(tempfile.gettempdir(), f"setwright-{session}")), "setwright-turns")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: (not is_alone(item), item.get_closest_marker("long") is None))

"""Bounds of time that a collection of garbage does not break."""

from __future__ import annotations

import time
from collections.abc import Callable


def is_within(most: float, act: Callable[[], object]) -> bool:
    """Whether it takes less than so many seconds of this process at least once of three times: in a process that has run
    thousands of tests a collection of garbage takes longer by itself."""

    def seconds() -> float:
        begun = time.process_time()
        act()
        return time.process_time() - begun

    return any(seconds() < most for _ in range(3))

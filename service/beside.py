"""Work that goes on beside a block."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager
from typing import Any


@asynccontextmanager
async def beside(*work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Runs each of these, one or more, until it ends or the block does, which cancels it and waits for that."""
    tasks = [asyncio.create_task(one) for one in work]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)

"""The process of `setwright worker`: does jobs until it is told to end."""

from __future__ import annotations

import asyncio
import signal

from service.job_queue import job_queue
from service.runtime import Context


def work_until_told(context: Context) -> None:
    """Until SIGTERM or SIGINT. What runs then is given back, and another worker begins it again."""
    asyncio.run(_work(context))


async def _work(context: Context) -> None:
    told = asyncio.Event()
    for sign in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(sign, told.set)
    context.start_work()
    async with job_queue(context, works=True):
        print("Working.", flush=True)  # noqa: T201
        await told.wait()

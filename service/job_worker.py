"""The process of `setwright worker`: does jobs until it is told to end."""

from __future__ import annotations

import asyncio
import signal
import socket

from service.http.worker_metrics import metrics_told
from service.job_queue import job_queue
from service.memory import tidied
from service.runtime import Context
from service.settings import Settings


def work_until_told(context: Context, listener: socket.socket | None) -> None:
    """Until SIGTERM or SIGINT. What runs then is given back, and another worker begins it again. At the socket, if there is one,
    the metrics are told."""
    asyncio.run(_work(context, listener))


def metrics_listener(settings: Settings) -> socket.socket | None:
    """The socket at which the metrics are to be told, if the settings name a port. Raises OSError where it cannot be had."""
    if not settings.worker_metrics_port:
        return None
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    return socket.create_server((settings.host, settings.worker_metrics_port), family=family)


async def _work(context: Context, listener: socket.socket | None) -> None:
    told = asyncio.Event()
    for sign in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(sign, told.set)
    context.start_work()
    async with tidied(), metrics_told(context, listener), job_queue(context, works=True):
        print("Working.", flush=True)  # noqa: T201
        await told.wait()

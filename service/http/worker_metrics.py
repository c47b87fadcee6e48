"""The port at which a process that does jobs tells its metrics: one path, for those who may read them of a server too."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.errors import Forbidden
from service.http.api.metrics import told
from service.http.connections import ConnectionTable, serving_options
from service.http.metric_sources import worker_readings
from service.http.problems import problem_of, problem_response
from service.observability.metrics import Metrics
from service.runtime import Context


class _Server(uvicorn.Server):
    """One beside other work, which looks at signals itself."""

    def capture_signals(self) -> AbstractContextManager[None]:  # type: ignore[override]
        return nullcontext()


@asynccontextmanager
async def metrics_told(context: Context, listener: socket.socket | None) -> AsyncIterator[None]:
    """`GET /metrics` is answered at the socket, if there is one, as long as the block runs."""
    if listener is None:
        yield
        return
    server = _Server(
        uvicorn.Config(
            metrics_app(context),
            lifespan="off",
            timeout_graceful_shutdown=1,
            **serving_options(context.settings),
        )
    )
    serving = asyncio.create_task(server.serve([listener]))
    try:
        yield
    finally:
        server.should_exit = True
        await serving


def metrics_app(context: Context) -> Starlette:
    """What answers there."""
    metrics = Metrics()

    async def get_metrics(request: Request) -> Response:
        try:
            return await told(request, context, metrics, worker_readings(context))
        except Forbidden as error:
            return problem_response(request, problem_of(error))

    app = Starlette(routes=[Route("/metrics", get_metrics)])
    app.state.settings = context.settings
    app.state.connections = ConnectionTable(context.settings)
    return app

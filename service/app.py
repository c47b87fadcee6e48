"""The application: its parts opened at the start, closed at the end."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from anyio import to_thread
from fastapi import FastAPI
from starlette.responses import Response

from service.blobs.store import blob_store_of
from service.database.engine import Database
from service.database.migrate import upgrade
from service.fetch.client import Fetcher
from service.http import declared, openapi, problems
from service.http.api.clubs import clubs
from service.http.dependencies import context_of
from service.http.middleware import RequestLog, begin_log
from service.http.routes import (
    account,
    allocations,
    candidates,
    checks,
    club_definitions,
    definition_imports,
    definitions,
    devices,
    displays,
    doubts,
    evaluations,
    exhibitions,
    health,
    history,
    holdings,
    imports,
    insurance,
    issues,
    origins,
    photos,
    pieces,
    pins,
    reference,
    revisions,
    shares,
    standings,
    swaps,
    sync,
    wants,
)
from service.runtime import Limiter
from service.settings import Settings, engine_version
from service.sharing.actions.polling import follow
from service.worker import keep_tidy

ROUTERS = (
    evaluations.router,
    candidates.router,
    allocations.router,
    doubts.router,
    definitions.router,
    revisions.router,
    checks.router,
    pins.router,
    wants.router,
    history.router,
    exhibitions.router,
    sync.router,
    imports.router,
    photos.router,
    holdings.router,
    insurance.router,
    issues.router,
    pieces.router,
    reference.router,
    account.router,
    devices.router,
    shares.router,
    definition_imports.router,
    origins.router,
    clubs,
    club_definitions.router,
    standings.router,
    displays.router,
    swaps.router,
    health.router,
)

# FastAPI can report to OpenTelemetry collectors that the environment names; this service reports to nobody.
_SILENT: dict[str, Any] = {
    "tracing": False,
    "metrics": False,
    "logs": False,
    "operation_spans": False,
    "auto_configure": False,
}


# A collection read at once is a million objects and no garbage: with Python's own thresholds, looking through them again and
# again took two thirds of the time of a filter over 10,000 holdings.
GARBAGE = (100_000, 20, 50)


def create_app(settings: Settings) -> FastAPI:
    """The service. Its lifespan migrates the database and opens it; nothing is opened before."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        database = Database(settings.database_url.get_secret_value(), settings.limits)
        await to_thread.run_sync(upgrade, database)
        app.state.database = database
        app.state.blobs = blob_store_of(settings)
        app.state.limiter = Limiter(settings.solves_at_once, settings.solves_waiting)
        app.state.fetcher = Fetcher(from_loopback=settings.imports_from_loopback)
        # One at a time: a large picture takes a core and hundreds of megabytes.
        app.state.photo_limiter = Limiter(1, settings.solves_waiting)
        beside = [asyncio.create_task(keep_tidy(database, app.state.blobs, settings))]
        if settings.follow_hours:
            beside.append(asyncio.create_task(follow(context_of(app), settings.follow_hours)))
        try:
            yield
        finally:
            for task in beside:
                task.cancel()
            await asyncio.wait(beside)
            database.close()

    app = FastAPI(
        title="Setwright",
        version=engine_version(),
        lifespan=lifespan,
        # The interactive pages load scripts from elsewhere; the document itself is served below.
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry=_SILENT,  # type: ignore[arg-type]
    )
    app.state.settings = settings
    problems.install(app)
    app.add_middleware(RequestLog)
    for router in ROUTERS:
        app.include_router(router)

    @app.get(
        "/openapi.json",
        **declared.operation(
            "get_openapi", "This document", tag="Service", access=openapi.OPEN, answer="application/json"
        ),
    )
    async def openapi_document() -> Response:
        return Response(openapi.encoded(app), media_type="application/json")

    # FastAPI's own way to ask for the document leads to the mended one.
    app.openapi = lambda: openapi.document(app)  # type: ignore[method-assign]
    return app


def from_environment() -> FastAPI:
    """The service as the environment sets it; every worker process calls this."""
    settings = Settings()
    begin_log(settings.log_level)
    gc.set_threshold(*GARBAGE)
    return create_app(settings)

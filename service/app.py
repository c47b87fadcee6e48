"""The application: its parts opened at the start, closed at the end."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

from fastapi import FastAPI
from starlette.middleware.errors import ServerErrorMiddleware
from starlette.types import ASGIApp

from service.beside import beside
from service.http import openapi, problems
from service.http.answered_before import AnsweredBefore, AnswersBefore
from service.http.answers import keep_answers
from service.http.api.account import account
from service.http.api.account_data import account_data
from service.http.api.allocations import allocations, doubts
from service.http.api.app import app_files
from service.http.api.candidates import candidates
from service.http.api.clubs import clubs
from service.http.api.definition_imports import definition_imports
from service.http.api.definitions import checks, definitions
from service.http.api.devices import devices
from service.http.api.displayed_photos import displayed_photos
from service.http.api.evaluation_parts import evaluation_parts
from service.http.api.evaluations import evaluations
from service.http.api.exhibitions import exhibitions
from service.http.api.history import history
from service.http.api.holdings import holdings
from service.http.api.imports import imports
from service.http.api.issues import issues
from service.http.api.jobs import jobs
from service.http.api.labels import holding_labels
from service.http.api.lists import insurance, want_lists
from service.http.api.metrics import metrics
from service.http.api.need_sheets import need_sheets
from service.http.api.offers import offers
from service.http.api.origins import origins
from service.http.api.photos import photo_files, photos
from service.http.api.pieces import pieces
from service.http.api.pins import pins
from service.http.api.presumptions import presumptions
from service.http.api.previews import previews
from service.http.api.reference import reference
from service.http.api.revisions import followed, revisions
from service.http.api.service import service
from service.http.api.shares import shares
from service.http.api.standings import standings
from service.http.api.swaps import swaps
from service.http.api.sync import sync
from service.http.api.vocabularies import vocabularies
from service.http.asked_again import AskedAgain
from service.http.client_address import ClientAddresses
from service.http.compression import Compression
from service.http.connections import ConnectionTable
from service.http.dependencies import Parts, set_context
from service.http.elsewhere import Answered, Deadlines, answered
from service.http.gate import Gate, Gated
from service.http.known_callers import KnownCallers
from service.http.metric_sources import readings
from service.http.middleware import EmptiedScope, HeadAsGet, RequestLog
from service.http.quotas import CallerLimits, Quotas
from service.http.routing import RouteTable
from service.http.safe_headers import SafeHeaders
from service.job_queue import job_queue
from service.memory import settle_memory, tidied
from service.observability.log import begin_log
from service.observability.metrics import PUBLISH_SECONDS, Metrics
from service.observability.work_counts import Tally
from service.reference import compiled
from service.runtime import Context, opened
from service.settings import Settings, engine_version
from service.worker import background

ROUTERS = (
    evaluations,
    evaluation_parts,
    candidates,
    need_sheets,
    allocations,
    doubts,
    definitions,
    revisions,
    followed,
    checks,
    pins,
    presumptions,
    want_lists,
    history,
    exhibitions,
    sync,
    imports,
    photos,
    photo_files,
    holding_labels,
    holdings,
    insurance,
    issues,
    pieces,
    reference,
    vocabularies,
    account,
    account_data,
    devices,
    shares,
    definition_imports,
    origins,
    clubs,
    offers,
    standings,
    displayed_photos,
    previews,
    swaps,
    service,
    app_files,
    metrics,
    jobs,
)

# FastAPI can report to OpenTelemetry collectors that the environment names; this service sends nothing.
_SILENT: dict[str, Any] = {
    "tracing": False,
    "metrics": False,
    "logs": False,
    "operation_spans": False,
    "auto_configure": False,
}


@asynccontextmanager
async def _shared_metrics(app: FastAPI, context: Context) -> AsyncIterator[None]:
    """Where several processes serve, what this one counts is brought up to date for the others, as long as the block runs."""
    metrics: Metrics = app.state.metrics

    async def keep_up() -> None:
        while True:
            await asyncio.sleep(PUBLISH_SECONDS)
            metrics.publish(readings(app.state, context))

    if metrics.folder is None:
        yield
        return
    try:
        async with beside(keep_up()):
            yield
    finally:
        metrics.publish(readings(app.state, context))


class _Layered(FastAPI):
    """The framework, with the service's layers around all of its own: what these answer before never gets there. The
    framework's outermost layer, which answers unforeseen errors, is left out: RequestLog does that."""

    def build_middleware_stack(self) -> ASGIApp:
        layers, self.user_middleware = self.user_middleware, []
        try:
            app = super().build_middleware_stack()
        finally:
            self.user_middleware = layers
        assert isinstance(app, ServerErrorMiddleware)
        app = app.app
        for layer, positional, named in reversed(layers):
            app = layer(app, *positional, **named)
        return app


def framework(settings: Settings, lifespan: Any = None, kind: type[FastAPI] = FastAPI) -> FastAPI:
    """The application without its outer layers; `lifespan` opens its parts."""
    app = kind(
        title="Setwright",
        version=engine_version(),
        lifespan=lifespan,
        # The document and a page for it are operations: http/api/service.py.
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry=_SILENT,  # type: ignore[arg-type]
    )
    app.state = Parts()
    app.state.settings = settings
    app.state.known_callers = KnownCallers()
    app.state.connections = ConnectionTable(settings)
    app.state.work_counts = Tally()
    problems.install(app)
    app.add_exception_handler(Answered, answered)
    keep_answers(app.state, settings.answers_bytes)
    compiled.keep_at_most(settings.definitions_bytes)
    # The routes themselves: what `include_router` makes of them anew for each app is the same, and takes most of the start.
    for router in ROUTERS:
        app.router.routes.extend(router.routes)
    app.router.routes.insert(0, RouteTable(app.router.routes))

    # FastAPI's own way to ask for the document leads to the mended one.
    app.openapi = lambda: openapi.document(app)  # type: ignore[method-assign]
    return app


def create_app(settings: Settings, *, alone: bool = False) -> FastAPI:
    """The service. Its lifespan migrates the database and opens it; nothing is opened before. `alone`: the process is there for
    nothing else, so that what it has at the start is left out of garbage collection."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        with opened(settings) as context:
            if tracing is not None:
                context = replace(context, span=tracing.span)
            set_context(app, context)
            try:
                async with (
                    background(context),
                    _shared_metrics(app, context),
                    tidied(),
                    job_queue(context, works=settings.jobs_in_server) as app.state.job_queue,
                ):
                    if alone:
                        context.start_work()
                        gc.collect()
                        gc.freeze()
                    yield
            finally:
                await app.state.quotas.close()
                if tracing is not None:
                    await context.run(tracing.close)

    tracing = None
    if settings.sends_traces:
        from service.observability.tracing import Traced, Tracing

        tracing = Tracing(settings)
    app = framework(settings, lifespan, _Layered)
    app.state.quotas = Quotas(settings)
    app.state.metrics = Metrics()
    routes = [route for router in ROUTERS for route in router.routes]
    before = AnswersBefore(app.state, app.state.quotas, routes)
    is_https = settings.public_url.startswith("https://")
    if settings.is_sqlite and tracing is None:
        app.state.asked_again = AskedAgain(before, app.state.metrics, is_https=is_https)
    # Where a look-up waits for nothing, an answer that is kept costs less than the gate's refusal: it needs no place.
    app.add_middleware(Compression)
    if not settings.is_sqlite:
        app.add_middleware(AnsweredBefore, before=before)
    app.add_middleware(CallerLimits, quotas=app.state.quotas, routes=routes)
    app.state.gate = Gate(settings.requests_at_once, settings.requests_waiting, settings.waiting_seconds)
    app.add_middleware(Gated, gate=app.state.gate)
    app.add_middleware(Deadlines)
    if settings.is_sqlite:
        app.add_middleware(AnsweredBefore, before=before)
    app.add_middleware(HeadAsGet)
    app.add_middleware(RequestLog, metrics=app.state.metrics)
    if tracing is not None:
        app.add_middleware(Traced, tracing=tracing)
    app.add_middleware(SafeHeaders, is_https=is_https)
    if settings.trusted_networks:
        app.add_middleware(ClientAddresses, trusted=settings.trusted_networks)
    app.add_middleware(EmptiedScope)
    return app


def from_environment() -> FastAPI:
    """The service as the environment sets it; every worker process calls this."""
    settings = Settings()
    begin_log(settings.log_level, settings.log_format, settings.secrets)
    settle_memory()
    return create_app(settings, alone=True)

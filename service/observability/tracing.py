"""Traces for an OpenTelemetry collector. Imported only where the settings name one.

A span has the method, the route's template and the status: the instrumentations that there are for ASGI record addresses, which
have the secrets of links in them. No header, body, query or text of an error is recorded.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
from opentelemetry.sdk.resources import SERVICE_NAME, SERVICE_VERSION, Resource
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import BatchSpanProcessor, SpanExporter
from opentelemetry.trace import Span, SpanKind, StatusCode, format_trace_id, get_current_span
from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from structlog.contextvars import bound_contextvars

from service.observability.log import TRACE
from service.observability.metrics import NO_ROUTE
from service.settings import Settings, engine_version

# What is asked every few seconds, and says nothing of anybody's wait.
_LEFT_OUT = ("/health/", "/metrics")
_PROPAGATOR = TraceContextTextMapPropagator()


def exporter_of(settings: Settings) -> SpanExporter:
    """Sends spans over HTTP to the address of the settings, or else of OpenTelemetry's own variables."""
    where = settings.traces_endpoint.rstrip("/")
    return OTLPSpanExporter(endpoint=f"{where}/v1/traces" if where else None)


class Tracing:
    """Spans of this process, sent in the background."""

    def __init__(self, settings: Settings) -> None:
        of_this = Resource.create({SERVICE_NAME: "setwright", SERVICE_VERSION: engine_version()})
        self._provider = TracerProvider(resource=of_this, shutdown_on_exit=False)
        self._provider.add_span_processor(BatchSpanProcessor(exporter_of(settings)))
        self.tracer = self._provider.get_tracer("setwright", engine_version())

    @contextmanager
    def span(self, name: str) -> Iterator[None]:
        """Times the block as a part of the span around it; where there is none, as nothing."""
        if not get_current_span().get_span_context().is_valid:
            yield
            return
        with self.tracer.start_as_current_span(name, record_exception=False, set_status_on_exception=False):
            yield

    def close(self) -> None:
        """Sends what is left."""
        self._provider.shutdown()


class Traced:
    """The layer that makes a span of each request, a part of the caller's trace where `traceparent` names one. Every line of the
    log has the trace's id meanwhile."""

    def __init__(self, app: ASGIApp, tracing: Tracing) -> None:
        self._app = app
        self._tracing = tracing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(_LEFT_OUT):
            await self._app(scope, receive, send)
            return
        sent = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"] if name in _READ}
        with self._tracing.tracer.start_as_current_span(
            scope["method"],
            context=_PROPAGATOR.extract(sent),
            kind=SpanKind.SERVER,
            record_exception=False,
            set_status_on_exception=False,
        ) as span:

            async def noting(message: Message) -> None:
                if message["type"] == "http.response.start":
                    _note_status(span, message["status"])
                await send(message)

            scope[TRACE] = trace = format_trace_id(span.get_span_context().trace_id)
            try:
                with bound_contextvars(trace=trace):
                    await self._app(scope, receive, noting)
            finally:
                route = getattr(scope.get("route"), "path", NO_ROUTE)
                span.update_name(f"{scope['method']} {route}")
                span.set_attributes({"http.request.method": scope["method"], "http.route": route})


_READ = (b"traceparent", b"tracestate")


def _note_status(span: Span, status: int) -> None:
    span.set_attribute("http.response.status_code", status)
    if status >= 500:
        span.set_status(StatusCode.ERROR)

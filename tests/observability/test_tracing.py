"""Traces: only where the settings say so, by route templates, and without anything that a caller sent."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from opentelemetry.sdk.trace import ReadableSpan
from opentelemetry.sdk.trace.export import SpanExporter
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.trace import SpanKind, StatusCode, format_span_id, format_trace_id

from service.http.dependencies import context_of
from service.observability import tracing
from service.settings import Settings
from tests.conftest import Running, running, settings_for
from tests.http import doors
from tests.http.examples import CHECK
from tests.logs import listening
from tests.server import ROOT

pytestmark = pytest.mark.anyio

CANARY = "canary-of-the-mint-4711"
TRACE, PARENT = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"


class Traced:
    """A service that sends traces, and what it sent."""

    def __init__(self, service: Running, exporter: InMemorySpanExporter) -> None:
        self.service, self._exporter = service, exporter

    def spans(self) -> list[ReadableSpan]:
        assert self.provider.force_flush()
        return list(self._exporter.get_finished_spans())

    provider: tracing.TracerProvider


@pytest.fixture
async def traced(
    database_url: str, tmp_path: Path, anyio_backend: str, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Traced]:
    exporter = InMemorySpanExporter()
    providers: list[tracing.TracerProvider] = []
    honest = tracing.TracerProvider

    def exporter_of(settings: Settings) -> SpanExporter:
        assert settings.traces_endpoint == "http://127.0.0.1:9"
        return exporter

    def provider(**options: object) -> tracing.TracerProvider:
        providers.append(honest(**options))  # type: ignore[arg-type]
        return providers[-1]

    monkeypatch.setattr(tracing, "exporter_of", exporter_of)
    monkeypatch.setattr(tracing, "TracerProvider", provider)
    settings = settings_for(database_url, photos_dir=tmp_path, traces_endpoint="http://127.0.0.1:9")
    async with running(settings) as service:
        found = Traced(service, exporter)
        (found.provider,) = providers
        yield found


async def test_a_request_is_a_span_by_its_route_in_the_trace_of_the_caller(traced: Traced) -> None:
    client, owner = traced.service.client, traced.service.collector()
    sent = {**owner, "traceparent": f"00-{TRACE}-{PARENT}-01"}
    with listening() as log:
        assert (await client.post("/v1/holdings", json={}, headers=sent)).status_code == 201
        assert (await client.get("/v1/holdings/nothing", headers=owner)).status_code == 404
        assert (await client.get("/health/live")).status_code == 200
    spans = traced.spans()
    requests = [span for span in spans if span.kind is SpanKind.SERVER]
    assert [span.name for span in requests] == ["POST /v1/holdings", "GET /v1/holdings/{id}"]
    assert [dict(span.attributes or {}) for span in requests] == [
        {"http.request.method": "POST", "http.route": "/v1/holdings", "http.response.status_code": 201},
        {"http.request.method": "GET", "http.route": "/v1/holdings/{id}", "http.response.status_code": 404},
    ]
    first, second = requests
    assert first.parent is not None
    assert (format_trace_id(first.parent.trace_id), format_span_id(first.parent.span_id)) == (TRACE, PARENT)
    assert second.parent is None
    inside = [span for span in spans if span.kind is SpanKind.INTERNAL]
    assert inside, "what is done in the database is a part"
    assert {span.name for span in inside} <= {"read", "write", "compute"}
    assert all(span.parent is not None for span in inside)
    # The log has the ids of both, of the caller's trace and of the one that began here.
    told = [entry.get("trace") for entry in log.entries if entry["part"] == "requests"]
    assert told == [TRACE, format_trace_id(second.get_span_context().trace_id), None]  # type: ignore[union-attr]


async def test_what_no_request_asked_for_is_in_no_trace(traced: Traced) -> None:
    context = context_of(traced.service.app)
    await context.read(lambda connection: None)
    await context.run(lambda: None)
    assert traced.spans() == []
    with context.span("read"):
        pass
    assert traced.spans() == []
    # The control: within a span there is a trace of it.
    with traced.provider.get_tracer("tests").start_as_current_span("outside"):
        await context.read(lambda connection: None)
    assert {span.name for span in traced.spans()} == {"outside", "read"}


async def test_no_span_has_anything_that_a_caller_sent(traced: Traced, monkeypatch: pytest.MonkeyPatch) -> None:
    client, owner = traced.service.client, traced.service.collector()
    share = await doors.shared(traced.service, owner)
    path = share["link"].removeprefix("http://setwright.test")

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError(CANARY)

    monkeypatch.setattr("service.http.api.definitions.check_report", fail)
    headers = {**owner, "User-Agent": CANARY, "X-Canary": CANARY, "baggage": f"a={CANARY}", "tracestate": "a=1"}
    await client.get(path, headers=headers)
    await client.get(f"/v1/holdings/{CANARY}?x={CANARY}", headers=headers)
    await client.post("/v1/holdings", json={"facts": {CANARY: CANARY}}, headers=headers)
    failed = await client.post("/v1/definition-checks", json=CHECK, headers=headers)
    assert failed.status_code == 500
    spans = traced.spans()
    told = "\n".join(span.to_json() for span in spans)
    assert "/v1/shared/{secret}" in told, "the spans must have been seen"
    assert [span.status.status_code for span in spans if span.name.endswith("definition-checks")] == [StatusCode.ERROR]
    for secret in (CANARY, path.rpartition("/")[2], owner["Authorization"].removeprefix("Bearer ")):
        assert secret not in told


async def test_a_span_with_the_address_is_seen(traced: Traced, monkeypatch: pytest.MonkeyPatch) -> None:
    # The control of the test above: what instrumentations for ASGI usually record.
    honest = tracing._note_status

    def note(span: tracing.Span, status: int) -> None:
        honest(span, status)
        span.set_attribute("url.path", f"/v1/holdings/{CANARY}")

    monkeypatch.setattr(tracing, "_note_status", note)
    await traced.service.client.get(f"/v1/holdings/{CANARY}")
    assert CANARY in "".join(span.to_json() for span in traced.spans())


PROGRAM = """
import sys
from pydantic import SecretStr
from service.app import create_app
from service.settings import Settings
app = create_app(Settings())
layers = [layer.cls.__name__ for layer in app.user_middleware]
print("Traced" in layers, "opentelemetry.sdk.trace" in sys.modules, "opentelemetry.exporter.otlp.proto.http" in sys.modules)
"""


@pytest.mark.parametrize(
    ("variable", "told"),
    [
        ("", "False False False"),
        ("SETWRIGHT_TRACES_ENDPOINT", "True True True"),
        ("OTEL_EXPORTER_OTLP_ENDPOINT", "True True True"),
    ],
)
def test_nothing_is_imported_where_no_collector_is_named(
    variable: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SETWRIGHT_DATABASE_URL", f"sqlite:///{tmp_path / 'a.sqlite3'}")
    for name in ("OTEL_EXPORTER_OTLP_ENDPOINT", "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT"):
        monkeypatch.delenv(name, raising=False)
    if variable:
        monkeypatch.setenv(variable, "http://127.0.0.1:9")
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], cwd=ROOT, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.stdout.strip() == told, done.stderr

"""Metrics, for whoever looks after the service."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from secrets import compare_digest
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Request
from starlette.responses import Response

from service import runtime
from service.errors import Forbidden
from service.http.dependencies import Context
from service.http.known_callers import bearer
from service.http.metric_sources import readings
from service.http.openapi import problems, router
from service.http.responses import Sends
from service.observability.metrics import MEDIA_TYPE, Metrics, Reading
from service.settings import Settings

metrics = router("", "Service")

# By which a proxy on this machine would show that it asks for somebody else.
_FORWARDING = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip")


@metrics.get("/metrics", responses=problems("forbidden"))
async def get_metrics(request: Request, context: Context) -> Annotated[Response, Sends(media=("text/plain",))]:
    """Metrics in Prometheus' text format; they tell nothing of any account.

    Given to whoever sends the token of the setting `SETWRIGHT_METRICS_TOKEN`, and to this machine itself where no proxy stands
    before the service.
    """
    return await told(request, context, request.app.state.metrics, readings(request.app.state, context))


async def told(request: Request, context: runtime.Context, kept: Metrics, readings: Iterable[Reading]) -> Response:
    """The metrics, brought up to what was read. Raises Forbidden."""
    if not may_read(request, context.settings):
        raise Forbidden(
            "metrics are given to whoever sends SETWRIGHT_METRICS_TOKEN as Authorization: Bearer <token>, and without one only "
            "to this machine itself, where the service has no public address and no proxy"
        )
    kept.publish(readings)
    return Response(await context.run(kept.text), headers={"Cache-Control": "no-store"}, media_type=MEDIA_TYPE)


def may_read(request: Request, settings: Settings) -> bool:
    """Whether the caller may read the metrics. A proxy on this machine comes from it too, so that without the token nothing may
    speak for one: no trusted proxies, no public address in the settings, no header of a proxy."""
    secret = settings.metrics_token.get_secret_value()
    sent = bearer(request.headers.get("authorization", ""))
    if secret and sent is not None:
        return compare_digest(sent.encode(), secret.encode())
    return (
        not settings.trusted_networks
        and (not settings.base_url or _is_loopback(urlsplit(settings.base_url).hostname))
        and not any(name in request.headers for name in _FORWARDING)
        and _is_loopback(request.client.host if request.client else None)
    )


def _is_loopback(host: str | None) -> bool:
    if host is None or host == "localhost":
        return host is not None
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address):
        address = address.ipv4_mapped or address
    return address.is_loopback

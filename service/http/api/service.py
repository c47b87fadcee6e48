"""The service itself: what it is, whether it can serve, its operations, and the pages that explain problems."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import Request
from msgspec import Meta
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from service import runtime
from service.database.migrate import current, newest, write_nothing_new
from service.errors import NotFound
from service.formats.html import render
from service.http import openapi
from service.http.dependencies import Context
from service.http.negotiation import accepted
from service.http.openapi import problems, router
from service.http.problems import PROBLEM_KINDS, Problem
from service.http.responses import Reply, Sends
from service.http.wire import Out
from service.settings import engine_version

service = router("", "Service")

_STATIC = Path(__file__).resolve().parents[1] / "static"
# What /docs loads, all from here.
_ASSETS = {"swagger-ui-bundle.js": "text/javascript", "docs.js": "text/javascript", "swagger-ui.css": "text/css"}
_DOCS_POLICY = (
    # What it loads sets styles of single elements, and writes no sheet of its own.
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
# Whoever asks often whether the service is ready makes it write so seldom.
_FINE_SECONDS = 5.0
Page = Annotated[Response, Sends(media=("text/html",))]


class RootOut(Out):
    """What this service is, and where to go."""

    name: str
    version: str
    description: str
    docs: Annotated[str, Meta(description="A page with all operations.")]
    openapi: Annotated[str, Meta(description="All operations as an OpenAPI document.")]
    problems: Annotated[str, Meta(description="A page with all kinds of problems.")]
    ready: Annotated[str, Meta(description="Whether the service can serve.")]
    anonymous: Annotated[bool, Meta(description="Whether some of it can be used without an account.")]


class HealthOut(Out):
    """How the service is."""

    status: Literal["up", "ready"]


@service.get("/")
async def get_root(request: Request) -> Reply[RootOut]:
    """What this service is, and where to go.

    A browser (`Accept: text/html`) is sent to the web app: 303, `Location: /app/`."""
    if accepted(request, {"json": "application/json", "html": "text/html"}) == "html":
        return RedirectResponse("/app/", 303, {"Vary": "Accept"})  # type: ignore[return-value]
    about = "Stores set definitions of coins collected by type and evaluates collections against them."
    where = ("/docs", "/openapi.json", "/problems", "/health/ready")
    value = RootOut("Setwright", engine_version(), about, *where, anonymous=request.app.state.settings.anonymous)
    return Reply(value, {"Vary": "Accept"})


@service.get("/docs")
async def get_docs() -> Page:
    """All operations, to read and try, as a page; it loads nothing from elsewhere."""
    return HTMLResponse(render("docs.html"), headers={"Content-Security-Policy": _DOCS_POLICY})


@service.get("/docs/assets/{name}", responses=problems("not-found"))
async def get_docs_asset(name: str) -> Annotated[Response, Sends(media=("text/javascript", "text/css"))]:
    """A file that the page of operations loads."""
    if name not in _ASSETS:
        raise NotFound("file", name[:60])
    return FileResponse(_STATIC / name, media_type=_ASSETS[name])


@service.get("/openapi.json")
async def get_openapi(request: Request) -> Annotated[Response, Sends(media=("application/json",))]:
    """This document."""
    return Response(openapi.encoded(request.app), media_type="application/json")


@service.get("/health/live")
async def health_live() -> HealthOut:
    """Whether the process is up."""
    return HealthOut("up")


@service.get("/health/ready", responses=problems("not-ready", "busy", "storage-full", "read-only"))
def health_ready(request: Request, context: Context) -> HealthOut:
    """Whether the database can be reached, is at this program's version and can be written, and photos can be kept."""
    if context.database.read(current) != newest():
        raise Problem("not-ready", "the database is not at the version that this program needs")
    _try_writes(request.app.state, context)
    return HealthOut("ready")


def _try_writes(state: Any, context: runtime.Context) -> None:
    """Raises what keeps the service from writing. What was fine a moment ago is not tried again: each try waits for the disk."""
    now = time.monotonic()
    if now < getattr(state, "writable_until", 0.0):
        return
    context.database.write(write_nothing_new)
    context.blobs.try_write()
    state.writable_until = now + _FINE_SECONDS


@service.get("/problems")
async def list_problems() -> Page:
    """All kinds of problems, as a page."""
    return HTMLResponse(render("problems.html", kinds=list(PROBLEM_KINDS.values())))


@service.get("/problems/{kind}", responses=problems("not-found"))
async def explain_problem(kind: str) -> Page:
    """What a kind of problem means, as a page."""
    if kind not in PROBLEM_KINDS:
        raise NotFound("kind of problem", kind[:60])
    return HTMLResponse(render("problem.html", kind=PROBLEM_KINDS[kind]))

"""Whether the process is up, whether it can serve, and the pages that explain problems."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from service.database.migrate import current, newest
from service.errors import NotFound
from service.http.declared import OPEN, operation
from service.http.dependencies import Context
from service.http.pages import problem_page, problems_page
from service.http.problems import PROBLEM_KINDS, Problem
from service.http.responses import Answer
from service.http.wire import OldOut

router = APIRouter()


class HealthOut(OldOut):
    """How the service is."""

    status: str


@router.get(
    "/health/live",
    **operation("health_live", "Whether the process is up", tag="Service", access=OPEN, answer=HealthOut),
)
async def live() -> Response:
    return Answer({"status": "up"}).response()


@router.get(
    "/health/ready",
    **operation(
        "health_ready",
        "Whether the database can be reached and is at this program's version",
        tag="Service",
        access=OPEN,
        answer=HealthOut,
        problems=["not-ready", "busy"],
    ),
)
def ready(parts: Context) -> Response:
    if parts.database.read(current) != newest():
        raise Problem("not-ready", "the database is not at the version that this program needs")
    return Answer({"status": "ready"}).response()


@router.get(
    "/problems",
    **operation("list_problems", "All kinds of problems, as a page", tag="Service", access=OPEN, answer="text/html"),
)
async def problems() -> Response:
    return HTMLResponse(problems_page())


@router.get(
    "/problems/{kind}",
    **operation(
        "explain_problem",
        "What a kind of problem means, as a page",
        tag="Service",
        access=OPEN,
        answer="text/html",
        problems=["not-found"],
    ),
)
async def problem(kind: str) -> Response:
    if kind not in PROBLEM_KINDS:
        raise NotFound("kind of problem", kind[:60])
    return HTMLResponse(problem_page(PROBLEM_KINDS[kind]))

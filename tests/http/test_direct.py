"""Operations that are asked without the framework's general way are answered as the framework answers them."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from typing import Annotated, Any

import httpx
import pytest
from fastapi import Depends, FastAPI, Header, Path, Query, Request
from fastapi.routing import APIRoute, request_response
from pydantic import BaseModel
from starlette.responses import JSONResponse, Response

from service.app import ROUTERS
from service.http.direct import direct_handler

pytestmark = pytest.mark.anyio

CALLS: list[str] = []


class Asked(BaseModel):
    limit: int = 10
    after: str | None = None


async def _whole(request: Request) -> str:
    CALLS.append("whole")
    return request.headers.get("x-told", "nothing")


async def _step(text: str = Path(alias="id")) -> str:
    CALLS.append("step")
    if text == "gone":
        raise ValueError("gone")
    return text.upper()


async def _both(request: Request, whole: Annotated[str, Depends(_whole)], other: str) -> str:
    CALLS.append("both")
    return f"{request.method} {whole} {other}"


async def _fresh(whole: Annotated[str, Depends(_whole, use_cache=False)]) -> str:
    return whole


async def _closing() -> AsyncIterator[int]:
    yield 1


async def _counted(number: int) -> int:
    return number


async def everything(
    request: Request,
    whole: Annotated[str, Depends(_whole)],
    both: Annotated[str, Depends(_both)],
    step: Annotated[str, Depends(_step)],
    fresh: Annotated[str, Depends(_fresh)],
    other: str,
    query: Annotated[Asked, Query()],
) -> Response:
    found = {"path": request.url.path, "whole": whole, "both": both, "step": step, "fresh": fresh, "other": other}
    return JSONResponse({**found, "limit": query.limit, "after": query.after, "calls": CALLS})


async def a_header(told: Annotated[str, Header()]) -> Response:
    raise NotImplementedError


async def a_generator(one: Annotated[int, Depends(_closing)]) -> Response:
    raise NotImplementedError


async def a_number(number: Annotated[int, Depends(_counted)]) -> Response:
    raise NotImplementedError


async def a_bounded_text(text: Annotated[str, Path(max_length=3)]) -> Response:
    raise NotImplementedError


def not_waiting() -> Response:
    raise NotImplementedError


def app_of(*, is_direct: bool) -> FastAPI:
    app = FastAPI()
    route = APIRoute("/{other}/{id}", everything, methods=["GET"])
    if is_direct:
        direct = direct_handler(route.dependant)
        assert direct is not None
        route.app = request_response(direct)
    app.router.routes.append(route)

    async def gone(_: Request, error: Exception) -> Response:
        return Response(str(error), 410)

    app.add_exception_handler(ValueError, gone)
    return app


ASKED: tuple[tuple[str, dict[str, str]], ...] = (
    ("/a/b", {}),
    ("/a/b?limit=3&after=x&limit=4&more=1", {"x-told": "something"}),
    ("/%C3%A4/b%20c", {}),
    ("/a/b?limit=many&after=", {}),
    ("/a/gone?limit=many", {}),
)


@pytest.mark.parametrize(("path", "headers"), ASKED)
async def test_it_answers_and_calls_as_the_framework_does(path: str, headers: dict[str, str]) -> None:
    answers = []
    for is_direct in (False, True):
        CALLS.clear()
        transport = httpx.ASGITransport(app_of(is_direct=is_direct))
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            answer = await client.get(path, headers=headers)
        answers.append((answer.status_code, answer.text, sorted(answer.headers.items()), [*CALLS]))
    assert answers[0] == answers[1]
    assert answers[0][0] in (200, 410, 422)


@pytest.mark.parametrize("operation", [a_header, a_generator, a_number, a_bounded_text, not_waiting])
async def test_what_takes_more_is_left_to_the_framework(operation: Callable[..., Any]) -> None:
    assert direct_handler(APIRoute("/{number}/{text}", operation).dependant) is None


async def test_nearly_every_operation_is_asked_so() -> None:
    routes = [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]
    left = [route.path for route in routes if direct_handler(route.dependant) is None]
    assert len(routes) > 170
    # A revision's number is read and bounded by the framework.
    assert all("{number}" in path for path in left), left

"""The outermost layer: every request is logged by its route template, and no unforeseen error reaches the caller."""

from __future__ import annotations

import logging
import sys
import time
import traceback

from fastapi import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.problems import problem_of, problem_response

requests = logging.getLogger("setwright.requests")
errors = logging.getLogger("setwright.errors")


def begin_log(level: str) -> None:
    """Sends the process's log to standard error. Every worker process calls it."""
    form = "%(asctime)s %(levelname)s %(name)s: %(message)s"
    # What no line of it shows is not looked for (Python's documentation, "Logging HOWTO", Optimization).
    logging._srcfile = None
    logging.logThreads = logging.logProcesses = logging.logMultiprocessing = False
    logging.basicConfig(level=level.upper(), format=form, stream=sys.stderr)
    # It tells of every look at the database's version, which the readiness check takes often, and what it is made of.
    for name in ("alembic.runtime.migration", "alembic.runtime.plugins"):
        logging.getLogger(name).setLevel(logging.WARNING)
    # In detail it would tell the headers of what is fetched, which may repeat a link's secret.
    logging.getLogger("httpcore").setLevel(logging.WARNING)


class HeadAsGet:
    """Answers HEAD as GET without the body (RFC 9110, section 9.3.2): the same status and headers. `method_sent` in the scope
    is HEAD then, for what counts documents that are handed out."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return
        is_sent = False

        async def listen() -> Message:
            # An answer without an end, such as a stream of events, ends when its reader goes away.
            return {"type": "http.disconnect"} if is_sent else await receive()

        async def without_body(message: Message) -> None:
            nonlocal is_sent
            if message["type"] == "http.response.start":
                await send(message)
            elif message["type"] == "http.response.body" and not is_sent:
                is_sent = True
                await send({"type": "http.response.body", "body": b"", "more_body": False})

        await self._app({**scope, "method": "GET", "method_sent": "HEAD"}, listen, without_body)


class RequestLog:
    """Logs method, route template, status and milliseconds: never an address with its query, a header or a body, which
    may hold secrets. An unforeseen error is logged as its kind and its places in the code, without its text."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started, status = time.perf_counter(), 0

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", []), (b"x-content-type-options", b"nosniff")]
            await send(message)

        try:
            await self._app(scope, receive, noting)
        except Exception as error:
            frames = traceback.extract_tb(error.__traceback__)
            places = " < ".join(f"{frame.filename}:{frame.lineno} {frame.name}" for frame in reversed(frames))
            errors.error("unforeseen %s at %s", type(error).__name__, places)
            if status == 0:
                await problem_response(Request(scope), problem_of(error))(scope, receive, noting)
        finally:
            path = getattr(scope.get("route"), "path", "(no route)")
            spent = (time.perf_counter() - started) * 1000
            requests.info("%s %s %d %.1f ms", scope["method"], path, status, spent)

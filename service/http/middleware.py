"""The outermost layer: every request is logged by its route template, and no unforeseen error reaches the caller."""

from __future__ import annotations

import os
import re
import time
import traceback
from collections.abc import Iterable
from dataclasses import dataclass

import structlog
from fastapi import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from structlog.contextvars import bind_contextvars, reset_contextvars

from service.accounts.model import masked
from service.http.dependencies import IS_ACCOUNT
from service.http.problems import problem_of, problem_response
from service.observability.log import TRACE, log_request
from service.observability.metrics import NO_ROUTE, Metrics

errors = structlog.get_logger(part="errors")

_STREAM = b"text/event-stream"
_OF_THE_ANSWER = ("route", IS_ACCOUNT)
# What proxies and clients make: UUIDs, random numbers, ULIDs.
_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")
# W3C Trace Context, section 3.2: version, trace id, parent id, flags; a later version may have more.
_TRACEPARENT = re.compile(r"(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(-.*)?")


def log_unforeseen(error: Exception) -> None:
    """Logs an error's kind and its places in the code, without its text, which may hold secrets."""
    frames = traceback.extract_tb(error.__traceback__)
    places = " < ".join(f"{frame.filename}:{frame.lineno} {frame.name}" for frame in reversed(frames))
    errors.error("unforeseen error", kind=type(error).__name__, places=places)


class EmptiedScope:
    """The layer around all others: a request that was answered is given back at once. Frameworks put into its scope what refers
    back to it, and such a ring of some hundred objects is freed only when garbage is collected; of those that were there when
    that was done last, a process that is asked little kept more every minute."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._app(scope, receive, send)
        if scope["type"] == "http":
            scope.clear()


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

        asked = {**scope, "method": "GET", "method_sent": "HEAD"}
        try:
            await self._app(asked, listen, without_body)
        finally:
            scope.update({name: asked[name] for name in _OF_THE_ANSWER if name in asked})


@dataclass(frozen=True, slots=True)
class RequestNames:
    """By what a request is found again: its id, and the trace that it is a part of, if the caller says so."""

    id: str
    trace: str | None


def names_of(headers: Iterable[tuple[bytes, bytes]]) -> RequestNames:
    """The id of `X-Request-Id` where it has a safe form and no secret in it, else a new one; the trace id of `traceparent`
    (W3C Trace Context) where it is valid."""
    sent, trace = "", None
    for name, value in headers:
        if name == b"x-request-id":
            sent = value.decode("latin-1")
        elif name == b"traceparent":
            trace = _trace_id(value.decode("latin-1"))
    if not _REQUEST_ID.fullmatch(sent) or masked(sent) != sent:
        sent = os.urandom(16).hex()
    return RequestNames(sent, trace)


def _trace_id(text: str) -> str | None:
    found = _TRACEPARENT.fullmatch(text)
    # Version 00 ends with the flags.
    return None if found is None or (found[1] == "00" and found[3]) else found[2]


class RequestLog:
    """Logs method, route template, status, milliseconds, bytes sent, and whether a valid token came: never an address with
    its query, a header or a body, which may hold secrets. An unforeseen error is logged as its kind and its places in the
    code, without its text. Every line that is logged meanwhile has the request's id, and so has the answer."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app = app
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started, status, sent, received, is_stream = time.perf_counter(), 0, 0, 0, False
        self._metrics.in_flight += 1
        names = names_of(scope["headers"])
        bound = bind_contextvars(request=names.id, **({} if names.trace is None else {"trace": names.trace}))
        added = (b"x-request-id", names.id.encode())

        async def noting(message: Message) -> None:
            nonlocal status, sent, is_stream
            if message["type"] == "http.response.body":
                sent += len(message.get("body", b""))
            elif message["type"] == "http.response.start":
                status, headers = message["status"], message.get("headers", ())
                is_stream = any(name == b"content-type" and value.startswith(_STREAM) for name, value in headers)
                message["headers"] = [*headers, added]
            await send(message)

        async def listening() -> Message:
            nonlocal received
            message = await receive()
            received += len(message.get("body", b""))
            return message

        try:
            await self._app(scope, receive if scope["method"] == "GET" else listening, noting)
        except Exception as error:
            log_unforeseen(error)
            if status == 0:
                await problem_response(Request(scope), problem_of(error))(scope, receive, noting)
        finally:
            spent, route = time.perf_counter() - started, getattr(scope.get("route"), "path", NO_ROUTE)
            self._metrics.in_flight -= 1
            self._metrics.count(scope["method"], route, status, None if is_stream else spent, sent, received)
            log_request(
                names.id,
                names.trace or scope.get(TRACE),
                scope["method"],
                route,
                status,
                round(spent * 1000, 1),
                "account" if IS_ACCOUNT in scope else "anonymous",
                sent,
            )
            reset_contextvars(**bound)

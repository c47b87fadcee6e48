"""Requests that are answered in a process of their own: whole, by the same application, so that the answer is the one that this
process would have given.

What takes longer than a moment, and what reads large or compressed bodies, goes there: there it has a deadline and a limit of
memory, and ends when its caller goes away.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from tempfile import NamedTemporaryFile, TemporaryFile
from typing import IO, Annotated, Any, cast

from fastapi import Depends, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send
from structlog.contextvars import get_contextvars

from service.accounts.model import Caller
from service.errors import Sentence, TooHeavy
from service.evaluation.cost import Cost
from service.http.gate import STEP_ASIDE
from service.http.kept_jobs import LONGEST_BODY, is_preferred, keep_job
from service.http.known_callers import KnownCallers
from service.http.openapi import describes
from service.http.problems import Problem
from service.observability.work_counts import Tally
from service.processes import Processes
from service.settings import Settings
from service.spool import piece_folder

# Longer answers come back in a file, and are sent from there.
LONGEST_IN_MEMORY = 4 * 1024 * 1024
_PIECE = 64 * 1024
# Where a request's time ends, by the event loop's clock: put there by the outermost layer.
DEADLINE = "setwright.deadline"
CALLER = "setwright.caller"
# The folder of one request alone, in a process for work.
FOLDER = "setwright.folder"
# An answer may be told as the path of a file that has it (ASGI's extensions, "Path Send").
PATH_SEND = "http.response.pathsend"
# What is never passed on: the caller was looked up here, and the answer is compressed here.
_LEFT_OUT = frozenset({b"authorization", b"cookie", b"accept-encoding"})


@dataclass(frozen=True, slots=True)
class RequestCopy:
    """A request as another process is to answer it: `caller` as it was found here, `at` the time that it came, `seconds` how long
    it may take in all, `bound` what every line of the log has of it. The body is bytes, or a file that has them; in `folder`,
    which is this request's own, a long answer is laid down."""

    method: str
    path: str
    query: bytes
    headers: tuple[tuple[bytes, bytes], ...]
    client: tuple[str, int] | None
    caller: Any
    at: datetime
    body: bytes | Path
    folder: Path
    bound: Mapping[str, str]
    seconds: float
    method_sent: str | None = None

    def scope(self) -> dict[str, Any]:
        """What an application is told of it (ASGI 3.0, HTTP connection scope)."""
        scope = {
            "type": "http",
            "asgi": {"version": "3.0", "spec_version": "2.3"},
            "http_version": "1.1",
            "method": self.method,
            "scheme": "http",
            "path": self.path,
            "raw_path": self.path.encode(),
            "root_path": "",
            "query_string": self.query,
            "headers": list(self.headers),
            "client": self.client,
            "server": None,
            CALLER: self.caller,
            FOLDER: self.folder,
            "extensions": {PATH_SEND: {}},
        }
        return scope if self.method_sent is None else {**scope, "method_sent": self.method_sent}


@dataclass(frozen=True, slots=True)
class AnswerCopy:
    """What the other process answered, and what it counted meanwhile: the body is bytes, or a file in its request's folder."""

    status: int
    headers: tuple[tuple[bytes, bytes], ...]
    body: bytes | Path
    counts: Tally

    def response(self) -> Response:
        """The same, to be sent. The file is opened now, and may lose its name."""
        if isinstance(self.body, Path):
            return FileAnswer(self.status, self.headers, self.body.open("rb"))
        response = Response(self.body, self.status)
        response.raw_headers = list(self.headers)
        return response


class FileAnswer(Response):
    """An answer whose body is what an open file has, which is closed when it was sent. It cannot be kept."""

    def __init__(self, status: int, headers: tuple[tuple[bytes, bytes], ...], file: IO[bytes]) -> None:
        super().__init__(None, status)
        self.raw_headers = list(headers)
        self._file = file

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with self._file as file:
            await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
            if PATH_SEND in scope.get("extensions", {}):
                file.flush()
                await send({"type": PATH_SEND, "path": file.name})
                return
            file.seek(0)
            # It was written a moment ago: the kernel still has it.
            while piece := file.read(_PIECE):
                await send({"type": "http.response.body", "body": piece, "more_body": True})
            await send({"type": "http.response.body", "body": b"", "more_body": False})


def answer_file(request: Request) -> IO[bytes]:
    """A file for an answer that is too long for memory, to be sent as a FileAnswer. It has no name, so that it is gone with the
    request, whatever becomes of that; in a process for work it lies in the folder of its request, which is gone with that."""
    folder: Path | None = request.scope.get(FOLDER)
    if folder is None:
        return cast("IO[bytes]", TemporaryFile(dir=request.app.state.spool))
    return cast("IO[bytes]", NamedTemporaryFile(dir=folder, delete=False))


@dataclass(slots=True)
class Deadline:
    """Where a request's time ends, by the event loop's clock, how many seconds it had, and what is called when the request
    ends."""

    at: float
    seconds: float
    at_end: list[Callable[[], None]] = field(default_factory=list)

    def extend(self, seconds: float) -> None:
        """The request had so many all along, if that is more."""
        more = max(0.0, seconds - self.seconds)
        self.at, self.seconds = self.at + more, self.seconds + more

    @property
    def seconds_left(self) -> float:
        return self.at - asyncio.get_running_loop().time()


class Deadlines:
    """Says of each request when its time ends, from the last byte of its head on."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        settings: Settings = scope["app"].state.settings
        seconds = settings.request_seconds if is_signed(scope) else settings.anonymous_seconds
        deadline = scope[DEADLINE] = Deadline(asyncio.get_running_loop().time() + seconds, seconds)
        try:
            await self._app(scope, receive, send)
        finally:
            for call in deadline.at_end:
                call()


def is_signed(scope: Scope) -> bool:
    """Whether it is somebody with an account, as far as can be told yet."""
    callers: KnownCallers = scope["app"].state.known_callers
    return scope.get(CALLER) is not None or callers.knows(scope)


class Answered(Exception):
    """A dependency has the answer already; the operation is not asked."""

    def __init__(self, response: Response) -> None:
        self.response = response
        super().__init__()


async def answered(_: Request, error: Exception) -> Response:
    """The handler of Answered."""
    assert isinstance(error, Answered)
    return error.response


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Where the work of one request is done."""

    request: Request

    async def weigh(self, cost: Cost) -> None:
        """Comes back where the work is thought to take a moment; else another process answers the request, and Answered is
        raised with its response. Raises TooHeavy for what cannot end in time. To be asked before anything is changed."""
        request = self.request
        if is_inside(request):
            return
        settings: Settings = request.app.state.settings
        caller: Caller | None = request.scope.get(CALLER)
        is_job = caller is not None and is_preferred(request)
        if not is_job and cost.is_within(settings.small_work_milliseconds):
            return
        try:
            deadline: Deadline = request.scope[DEADLINE]
            cost.ensure_ends_within(settings.job_seconds if is_job else deadline.seconds)
        except TooHeavy:
            if caller is None:
                raise
            # What cannot end while somebody waits may end later.
            cost.ensure_ends_within(settings.job_seconds)
            is_job = True
        cost.ensure_fits_into(settings.room_of(caller).memory_bytes)
        if caller is not None and is_job and len(body_of(request)) <= LONGEST_BODY:
            raise Answered(await keep_job(request, caller, body_of(request), cost.doing))
        raise Answered(await forwarded(request, body_of(request), cost.doing))


def is_inside(request: Request) -> bool:
    """Whether this is a process for work, in which everything is done."""
    return request.app.state.members is None


def body_of(request: Request) -> bytes:
    """The bytes of a body that was read, or nothing."""
    _, raw = getattr(request.state, "body", ("", b""))
    return cast("bytes", raw)


async def forwarded(request: Request, body: bytes | Path, doing: str = "") -> Response:
    """The answer of another process to this request. Raises Busy and TooHeavy; when the caller goes away the process is
    ended."""
    state, scope = request.app.state, request.scope
    deadline: Deadline = scope[DEADLINE]
    if STEP_ASIDE in scope:
        # Processes have a queue of their own.
        scope[STEP_ASIDE]()
    with piece_folder(state.spool) as folder:
        return await _forwarded(request, body, doing, folder, deadline)


async def _forwarded(request: Request, body: bytes | Path, doing: str, folder: Path, deadline: Deadline) -> Response:
    state, scope = request.app.state, request.scope
    caller = scope.get(CALLER)
    rooms: Mapping[bool, Processes] = {True: state.members, False: state.strangers}
    copy = RequestCopy(
        method=scope["method"],
        path=scope["path"],
        query=scope["query_string"],
        headers=tuple((name, value) for name, value in scope["headers"] if name not in _LEFT_OUT),
        client=scope.get("client"),
        caller=caller,
        at=state.clock(),
        body=body,
        folder=folder,
        bound=get_contextvars(),
        seconds=deadline.seconds,
        method_sent=scope.get("method_sent"),
    )
    work = asyncio.ensure_future(
        rooms[caller is not None].run(
            "service.inside:answer",
            state.settings,
            copy,
            seconds=max(0.0, deadline.seconds_left),
            doing=doing or _doing(request),
            limit=deadline.seconds,
            whose=None if caller is None else caller.owner.id,
        )
    )
    leaving = asyncio.ensure_future(_left(request.receive))
    try:
        with state.span("work in another process"):
            await asyncio.wait({work, leaving}, return_when=asyncio.FIRST_COMPLETED)
        if not work.done():
            raise Problem("bad-request", "the connection ended before the answer was there")
        answer: AnswerCopy = work.result()
        state.work_counts.update(answer.counts)
    finally:
        for task in (work, leaving):
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.wait({work, leaving})
    return answer.response()


async def _left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _doing(request: Request) -> str:
    route = request.scope.get("route")
    summary = getattr(route, "summary", None)
    return Sentence("'{name}'", name=Sentence(summary)) if summary else Sentence("this request")


@describes(problems=("too-heavy", "busy"))
async def work_of(request: Request) -> Elsewhere:
    return Elsewhere(request)


Work = Annotated[Elsewhere, Depends(work_of)]

"""What runs in a process that answers whole requests (http/elsewhere.py): the application, without its outer layers."""

from __future__ import annotations

import asyncio
import errno
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import IO, cast

from fastapi import FastAPI, Request
from starlette.types import Message, Receive
from structlog.contextvars import bound_contextvars

from service.app import framework
from service.clubs.actions import ahead
from service.clubs.store.offers import OfferedIn
from service.evaluation.cost import allowed
from service.http.answers import keep_answers
from service.http.dependencies import context_of, set_context
from service.http.elsewhere import LONGEST_IN_MEMORY, PATH_SEND, AnswerCopy, RequestCopy
from service.http.middleware import log_unforeseen
from service.http.problems import problem_of, problem_response
from service.observability.log import begin_log
from service.observability.work_counts import tally
from service.runtime import Context, opened_inside, utc_now
from service.settings import Settings

_PIECE = 1024 * 1024
# What threads, C++, and the loader of shared libraries (glibc, elf/dl-load.c) say; the solver is loaded when it is needed first.
_SIGNS_OF_NO_MEMORY = (
    "can't start new thread",
    "bad_alloc",
    "failed to map segment from shared object",
    "annot allocate memory",
)


@dataclass(slots=True)
class _Clock:
    """Stands at the time at which the request came."""

    at: datetime

    def __call__(self) -> datetime:
        return self.at


@dataclass(frozen=True, slots=True)
class _Inside:
    """The application of this process, opened once."""

    app: FastAPI
    runner: asyncio.Runner
    clock: _Clock


def answer(settings: Settings, request: RequestCopy) -> AnswerCopy:
    """What the application answers. Raises MemoryError; another unforeseen error is logged and becomes a problem document."""
    inside = _opened(settings)
    inside.clock.at = request.at
    context = context_of(inside.app)
    before = tally(context)
    memory_bytes = settings.room_of(request.caller).memory_bytes
    answer = inside.runner.run(_answered(inside.app, request, memory_bytes))
    counts = tally(context)
    counts.subtract(before)
    return replace(answer, counts=counts)


def outdated_standings(
    settings: Settings, at: datetime, offers: Sequence[OfferedIn], seconds: float
) -> tuple[list[OfferedIn], int]:
    """See `ahead.outdated`."""
    inside = _opened(settings)
    inside.clock.at = at
    return inside.runner.run(ahead.outdated(context_of(inside.app), offers, seconds))


def renew_standings(settings: Settings, at: datetime, offer: OfferedIn, seconds: float) -> ahead.Renewal:
    """See `ahead.renew`."""
    inside = _opened(settings)
    inside.clock.at = at
    context = context_of(inside.app)
    before = tally(context)
    done = inside.runner.run(_renewed(context, offer, seconds))
    counts = tally(context)
    counts.subtract(before)
    return replace(done, counts=counts)


async def _renewed(context: Context, offer: OfferedIn, seconds: float) -> ahead.Renewal:
    """The member whose coins are too much is left as it was, and not those that come after."""
    with allowed(context.settings.request_seconds, context.settings.rooms[0].memory_bytes):
        return await ahead.renew(context, offer, seconds)


@lru_cache(1)
def _opened(settings: Settings) -> _Inside:
    """The application. It ends with the process, which is killed rather than closed."""
    begin_log(settings.log_level, settings.log_format, settings.secrets)
    clock = _Clock(utc_now())
    app = framework(settings)
    # Answers are kept where they are asked for.
    keep_answers(app.state, 0)
    set_context(app, opened_inside(settings, clock))
    return _Inside(app, asyncio.Runner(), clock)


async def _answered(app: FastAPI, request: RequestCopy, memory_bytes: int) -> AnswerCopy:
    scope = {**request.scope(), "app": app}
    body = _Body(request.folder)
    with bound_contextvars(**request.bound), allowed(request.seconds, memory_bytes):
        try:
            await app(scope, _sent(request), body.take)
        except MemoryError:
            raise
        except Exception as error:
            if is_out_of_memory(error):
                raise MemoryError from None
            log_unforeseen(error)
            body.close()
            body = _Body(request.folder)
            await problem_response(Request(scope), problem_of(error))(scope, _sent(request), body.take)
    return body.answer()


def is_out_of_memory(error: BaseException | None) -> bool:
    """Whether an error tells, or hides, that there was no memory: libraries and the system say so in other ways too."""
    while error is not None:
        text = str(error)
        if (
            isinstance(error, MemoryError)
            or (isinstance(error, OSError) and error.errno == errno.ENOMEM)
            or any(sign in text for sign in _SIGNS_OF_NO_MEMORY)
        ):
            return True
        error = error.__cause__ or error.__context__
    return False


def _sent(request: RequestCopy) -> Receive:
    """The messages that bring the request's body (ASGI, HTTP request event)."""

    def messages() -> Iterator[Message]:
        if isinstance(request.body, Path):
            with request.body.open("rb") as file:
                while piece := file.read(_PIECE):
                    yield {"type": "http.request", "body": piece, "more_body": True}
            yield {"type": "http.request", "body": b"", "more_body": False}
        else:
            yield {"type": "http.request", "body": request.body, "more_body": False}

    coming = messages()

    async def receive() -> Message:
        message = next(coming, None)
        if message is None:
            # The caller is there as long as this process is.
            await asyncio.Event().wait()
        assert message is not None
        return message

    return receive


@dataclass(slots=True)
class _Body:
    """Takes an answer as it is sent: past LONGEST_IN_MEMORY into a file in `folder`."""

    folder: Path
    status: int = 200
    headers: tuple[tuple[bytes, bytes], ...] = ()
    pieces: list[bytes] = field(default_factory=list)
    length: int = 0
    file: IO[bytes] | None = None
    path: Path | None = None

    async def take(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = tuple((bytes(name), bytes(value)) for name, value in message.get("headers", ()))
        elif message["type"] == "http.response.body":
            self._add(message.get("body", b""))
        elif message["type"] == PATH_SEND:
            self.path = Path(message["path"])

    def _add(self, piece: bytes) -> None:
        self.length += len(piece)
        if self.file is not None:
            self.file.write(piece)
            return
        self.pieces.append(piece)
        if self.length > LONGEST_IN_MEMORY:
            made = tempfile.NamedTemporaryFile(dir=self.folder, delete=False)  # noqa: SIM115 - it is closed in `close`
            self.file = cast("IO[bytes]", made)
            self.file.writelines(self.pieces)
            self.pieces.clear()

    def close(self) -> None:
        if self.file is not None:
            self.file.close()
            self.path = Path(self.file.name)

    def answer(self) -> AnswerCopy:
        self.close()
        return AnswerCopy(self.status, self.headers, self.path or b"".join(self.pieces), Counter())

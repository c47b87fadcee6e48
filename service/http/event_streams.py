"""Streams of events (server-sent events) that tell how something is, again whenever it changed."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from service.accounts.model import Owner
from service.errors import NotFound
from service.http.dependencies import still_authenticated

EVENTS = "text/event-stream"
# Whoever reads for longer asks again.
_LONGEST_SECONDS = 900
# A line that is no event, so that proxies between do not take the connection for a dead one.
_SIGN_OF_LIFE_SECONDS = 20


@dataclass(frozen=True, slots=True)
class Event:
    """How it is: `key` is another one whenever that changed. `identity` is the event's id, if it has one; after one that
    `is_last` nothing more is told."""

    kind: str
    key: object
    told: Mapping[str, Any]
    identity: str | None = None
    is_last: bool = False

    def line(self) -> str:
        """As it is sent (HTML, Server-sent events)."""
        identity = "" if self.identity is None else f"id: {self.identity}\n"
        return f"event: {self.kind}\n{identity}data: {json.dumps(self.told)}\n\n"


Look = Callable[[Owner], Awaitable[Event]]


def event_stream(request: Request, owner: Owner, look: Look, pause_seconds: float) -> EventStream:
    """How it is at once, then whenever it changed. The token is checked each time: once it is revoked nothing more is sent. Ends
    when what `look` finds is gone (NotFound), after a quarter of an hour, and with the process, so that the reader asks another
    one. Raises Busy where the owner reads as many streams as one may."""
    with ExitStack() as stack:
        stack.enter_context(request.app.state.connections.streams.place(owner))
        return EventStream(_changes(request, look, pause_seconds), stack.pop_all())


async def _changes(request: Request, look: Look, pause_seconds: float) -> AsyncIterator[str]:
    stopping: asyncio.Event = request.app.state.connections.stopping
    alive = round(_SIGN_OF_LIFE_SECONDS / pause_seconds)
    sent: object = None
    for number in range(round(_LONGEST_SECONDS / pause_seconds)):
        owner = await still_authenticated(request)
        if owner is None or await request.is_disconnected():
            return
        try:
            event = await look(owner)
        except NotFound:
            return
        if event.key != sent:
            sent = event.key
            yield event.line()
        elif number % alive == alive - 1:
            yield ": still here\n\n"
        if event.is_last:
            return
        with suppress(TimeoutError):
            await asyncio.wait_for(stopping.wait(), pause_seconds)
            return


class EventStream(StreamingResponse):
    """A stream of events, which gives its place back at its end, however that comes about."""

    def __init__(self, events: AsyncIterator[str], place: ExitStack) -> None:
        # X-Accel-Buffering: a proxy is to pass each event on at once.
        headers = {"Cache-Control": "private, no-store", "X-Accel-Buffering": "no"}
        super().__init__(events, media_type=EVENTS, headers=headers)
        self._place = place

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with self._place:
            await super().__call__(scope, receive, send)

"""How many requests are worked on at the same time, and how many wait for their turn, and how long.

Without a bound every request of an overload is begun, all of them share the processor, and each takes longer than its caller
waits. Here a request that has no place soon is told so at once, and costs next to nothing. Whoever has an account comes before
strangers, and part of the room is never a stranger's. A token is looked up further in: until one was accepted (known_callers.py)
who sends it is a stranger.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from fastapi import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import Busy
from service.http.known_callers import KnownCallers
from service.http.problems import problem_of, problem_response

# Of the places, and of those of the queue, strangers have at most this part.
_STRANGERS_PART = 0.5
# A body that is not whole after so many seconds is waited for without a place.
_BODY_SECONDS = 0.05
_RETRY_SECONDS = 2
# In the scope: gives the place back, once the request only waits for another process.
STEP_ASIDE = "setwright.step_aside"
# In the scope: makes the place of a stranger that of an account, once its token is accepted.
ACCEPTED = "setwright.accepted"
# Whoever looks after the service is answered under every load.
_ALWAYS = ("/health/", "/metrics")


@dataclass(slots=True)
class GateCounts:
    """What became of requests since the start. `full`: refused because the queue was full; `late`: because their turn did not
    come in time; `gone`: whose caller left while they waited; `waited`: that waited, whatever came of it."""

    full: int = 0
    late: int = 0
    gone: int = 0
    waited: int = 0


class Gate:
    """`at_once` requests are inside; up to `waiting` more wait up to `seconds` for a turn, first come first served, those with
    an account before strangers; past that: Busy. Of one event loop."""

    def __init__(self, at_once: int, waiting: int, seconds: float) -> None:
        self._at_once, self._waiting, self._seconds = at_once, waiting, seconds
        self._strangers_at_once = max(1, int(at_once * _STRANGERS_PART))
        self._strangers_waiting = int(waiting * _STRANGERS_PART)
        self._inside = 0
        self._strangers_inside = 0
        self._known: deque[_Turn] = deque()
        self._strangers: deque[_Turn] = deque()
        self.counts = GateCounts()

    @property
    def inside(self) -> int:
        return self._inside

    @property
    def waiting(self) -> int:
        return len(self._known) + len(self._strangers)

    async def enter(self, *, is_stranger: bool, again: bool = False) -> None:
        """Returns when the request has a place, which `leave` gives back. `again`: it had one before, and comes first. Raises
        Busy."""
        # Where somebody waits who may come in, there is no room: they came in with the place that was given back.
        if self._has_room(is_stranger=is_stranger):
            self._take(is_stranger=is_stranger)
            return
        queue = self._strangers if is_stranger else self._known
        self._make_room_to_wait(is_stranger=is_stranger)
        turn = _Turn()
        queue.appendleft(turn) if again else queue.append(turn)
        self.counts.waited += 1
        try:
            async with asyncio.timeout(self._seconds):
                await turn.comes.wait()
        except TimeoutError:
            if not turn.comes.is_set():
                self.counts.late += 1
                raise _busy() from None
        except asyncio.CancelledError:
            if turn.comes.is_set() and not turn.is_refused:
                self.leave(is_stranger=is_stranger)
            raise
        finally:
            if not turn.comes.is_set():
                queue.remove(turn)
        if turn.is_refused:
            raise _busy()

    def leave(self, *, is_stranger: bool) -> None:
        """Gives a place back, to whoever has waited longest."""
        self._inside -= 1
        self._strangers_inside -= is_stranger
        self._let_in()

    def accept(self) -> None:
        """A stranger inside is none: the place is that of an account."""
        self._strangers_inside -= 1
        self._let_in()

    def _let_in(self) -> None:
        while self._known and self._has_room(is_stranger=False):
            self._take(is_stranger=False)
            self._known.popleft().comes.set()
        while self._strangers and self._has_room(is_stranger=True):
            self._take(is_stranger=True)
            self._strangers.popleft().comes.set()

    def _has_room(self, *, is_stranger: bool) -> bool:
        if self._inside >= self._at_once:
            return False
        return not is_stranger or self._strangers_inside < self._strangers_at_once

    def _take(self, *, is_stranger: bool) -> None:
        self._inside += 1
        self._strangers_inside += is_stranger

    def _make_room_to_wait(self, *, is_stranger: bool) -> None:
        """Raises Busy where there is none. The stranger who came last gives way to a caller with an account."""
        if is_stranger and len(self._strangers) >= self._strangers_waiting:
            self.counts.full += 1
            raise _busy()
        if self.waiting < self._waiting:
            return
        self.counts.full += 1
        if is_stranger or not self._strangers:
            raise _busy()
        last = self._strangers.pop()
        last.is_refused = True
        last.comes.set()


class _Turn:
    """A request that waits. `comes` is set when it has a place, or is refused."""

    __slots__ = ("comes", "is_refused")

    def __init__(self) -> None:
        self.comes = asyncio.Event()
        self.is_refused = False


def _busy() -> Busy:
    return Busy("the service has as many requests as it can answer in time; try again shortly", _RETRY_SECONDS)


class Gated:
    """The layer that lets requests in. A request has its place from its head until its answer begins: what is sent, such as a
    stream of events, takes none, nor does a body that is slow to come, or work that another process does."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self._app = app
        self._gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["path"].startswith(_ALWAYS):
            await self._app(scope, receive, send)
            return
        visit = _Visit(self._gate, scope, receive, send)
        try:
            await visit.enter()
        except Busy as busy:
            await problem_response(Request(scope), problem_of(busy))(scope, receive, send)
            return
        is_gone: Callable[[], bool] | None = scope.get("setwright.is_gone")
        try:
            if is_gone is not None and is_gone():
                self._gate.counts.gone += 1
            else:
                scope[STEP_ASIDE] = visit.leave
                if visit.is_stranger:
                    scope[ACCEPTED] = visit.accept
                await self._app(scope, visit.receive, visit.send)
        finally:
            visit.leave()


class _Visit:
    """One request, and whether it has a place."""

    __slots__ = ("_gate", "_has_body", "_has_place", "_is_answered", "_receive", "_send", "_timer", "is_stranger")

    def __init__(self, gate: Gate, scope: Scope, receive: Receive, send: Send) -> None:
        self._gate, self._receive, self._send = gate, receive, send
        names = {name for name, _ in scope["headers"]}
        callers: KnownCallers = scope["app"].state.known_callers
        self.is_stranger = not callers.knows(scope)
        self._has_body = b"content-length" in names or b"transfer-encoding" in names
        self._has_place = self._is_answered = False
        self._timer: asyncio.TimerHandle | None = None

    async def enter(self, *, again: bool = False) -> None:
        await self._gate.enter(is_stranger=self.is_stranger, again=again)
        self._has_place = True

    def accept(self) -> None:
        if self.is_stranger:
            self.is_stranger = False
            if self._has_place:
                self._gate.accept()

    def leave(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        if self._has_place:
            self._has_place = False
            self._gate.leave(is_stranger=self.is_stranger)

    async def receive(self) -> Message:
        if self._has_body and self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(_BODY_SECONDS, self.leave)
        message = await self._receive()
        if self._timer is not None and not message.get("more_body", False):
            self._timer.cancel()
            self._has_body, self._timer = False, None
            if not self._has_place and not self._is_answered and message["type"] == "http.request":
                await self.enter(again=True)
        return message

    async def send(self, message: Message) -> None:
        if not self._is_answered:
            self._is_answered = True
            self.leave()
        await self._send(message)

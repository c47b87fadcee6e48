"""Connections: how many there may be, and how long one may keep the service waiting.

uvicorn itself waits for the head of a request without an end, and answers all requests with 503 once there are too many
connections, so that a stranger with a thousand open sockets shuts everybody out. Here a connection that is not being answered
is *waiting*; those that have been waiting longest are closed when there are too many.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections import Counter, OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any

import h11
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import STATUS_PHRASES, H11Protocol
from uvicorn.server import ServerState

from service.accounts.model import Owner
from service.errors import Busy, Sentence
from service.http.answered_before import COMES_AGAIN
from service.http.asked_again import AskedAgain, is_short_head
from service.http.problems import Problem, problem_response_at
from service.http.safe_headers import NOSNIFF
from service.settings import Network, Settings

# How long what was sent last may take to be read after a connection was closed, in seconds.
_LINGER_SECONDS = 5.0
_RETRY_SECONDS = "2"


def serving_options(settings: Settings) -> dict[str, Any]:
    """What every server of ours is told, as uvicorn's options."""
    return {
        # uvicorn's own log has whole addresses in it, secrets included; http/middleware.py writes one without.
        "access_log": False,
        "log_config": None,
        "server_header": False,
        "proxy_headers": False,
        # These connections have deadlines, and there is room for new ones.
        "http": f"{__name__}:{Connection.__name__}",
        "ws": "none",
        "timeout_keep_alive": settings.keep_alive_seconds,
    }


@dataclass(slots=True)
class ConnectionCounts:
    """What became of connections since the start. `timed_out`: the head was not there in time, or an answer was not read;
    `displaced`: closed to make room while waiting; `refused`: answered with 503, because every connection was being answered."""

    timed_out: int = 0
    displaced: int = 0
    refused: int = 0


@dataclass(slots=True, eq=False)
class _Group:
    """The connections from one address: how many there are, and those that are waiting, the longest first."""

    count: int = 0
    waiting: OrderedDict[Connection, None] = field(default_factory=OrderedDict)


class ConnectionTable:
    """The connections of one process, of one event loop. `stopping` is set when the process has been asked to end."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.counts = ConnectionCounts()
        self.stopping = asyncio.Event()
        self.streams = Streams(settings.streams_at_once, settings.streams_per_account)
        self._all = _Group()
        self._groups: dict[str, _Group] = {}

    @property
    def count(self) -> int:
        return self._all.count

    def enter(self, connection: Connection) -> bool:
        """Takes a new connection in, closing one that waits where there is no room: of the same address where that has too
        many, else the one that has waited longest. False: there is none to close, so that this one is to be refused."""
        has_room = self._make_room(self._all, self.settings.connections_at_once)
        if connection.group is not None:
            group = self._groups.setdefault(connection.group, _Group())
            has_room = self._make_room(group, self.settings.connections_per_address) and has_room
            group.count += 1
        self._all.count += 1
        self.wait(connection)
        return has_room

    def _make_room(self, group: _Group, most: int) -> bool:
        if group.count < most:
            return True
        oldest = next(iter(group.waiting), None)
        if oldest is None:
            return False
        self.counts.displaced += 1
        self.leave(oldest)
        oldest.close()
        return True

    def wait(self, connection: Connection) -> None:
        """The connection is not being answered from now on."""
        if connection.has_left:
            return
        for group in self._of(connection):
            group.waiting.setdefault(connection)

    def answer(self, connection: Connection) -> None:
        """A request of the connection is being answered from now on."""
        for group in self._of(connection):
            group.waiting.pop(connection, None)

    def leave(self, connection: Connection) -> None:
        """The connection is no more; to be told once or more often."""
        if connection.has_left:
            return
        connection.has_left = True
        for group in self._of(connection):
            group.waiting.pop(connection, None)
            group.count -= 1
        if connection.group is not None and not self._groups[connection.group].count:
            del self._groups[connection.group]

    def _of(self, connection: Connection) -> tuple[_Group, ...]:
        if connection.group is None:
            return (self._all,)
        return self._all, self._groups[connection.group]

    def group_of(self, address: str | None) -> str | None:
        """What the connections of one caller have in common; None where there is no limit: of a proxy's, many callers' come."""
        return None if address is None else _network_of(address, self.settings.trusted_networks)


@lru_cache(4_096)
def _network_of(address: str, trusted: tuple[Network, ...]) -> str | None:
    """An IPv4 address, or the network of an IPv6 address, since whoever has one has 2^64; None of a trusted one."""
    try:
        read = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(read, ipaddress.IPv6Address):
        read = read.ipv4_mapped or read
    if any(read in network for network in trusted):
        return None
    return str(read) if read.version == 4 else str(ipaddress.IPv6Network((int(read) >> 64 << 64, 64)))


class Streams:
    """The streams of events of one process: each looks into the database every second, so that they are counted."""

    def __init__(self, most: int, most_per_account: int) -> None:
        self._most, self._most_per_account = most, most_per_account
        self._open: Counter[Owner] = Counter()

    @property
    def count(self) -> int:
        """How many are open now."""
        return self._open.total()

    @contextmanager
    def place(self, owner: Owner) -> Iterator[None]:
        """The place of one more stream. Raises Busy where there is none."""
        if self._open[owner] >= self._most_per_account:
            raise Busy("this account has as many streams of events open as it may; close one, or ask for changes", 60)
        if self._open.total() >= self._most:
            raise Busy("as many streams of events are open as there may be; ask for changes meanwhile", 60)
        self._open[owner] += 1
        try:
            yield
        finally:
            self._open[owner] -= 1
            if not self._open[owner]:
                del self._open[owner]


class Connection(H11Protocol):
    """A connection with deadlines: for the head of each request, for a body that is no longer read, and for the caller to read
    what is sent. That of a body is its reader's (request_body.py)."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, app_state, _loop)
        # The total is bounded here.
        self.limit_concurrency = None
        self.app = self._answer
        state: Any = getattr(config.loaded_app, "state")  # noqa: B009 - uvicorn knows only that it is an application
        self._table: ConnectionTable = state.connections
        self._settings = self._table.settings
        self._again: AskedAgain | None = getattr(state, "asked_again", None)
        # The bytes of the request that is being answered, where they may come again.
        self._sent: bytes | None = None
        self.group: str | None = None
        self.has_left = False
        self._head_deadline: asyncio.TimerHandle | None = None
        self._read_deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.group = self._table.group_of(self.client[0] if self.client else None)
        if not self._table.enter(self):
            self._table.counts.refused += 1
            self.app, self._again = self._refuse, None
        self._note()

    def connection_lost(self, exc: Exception | None) -> None:
        self._table.leave(self)
        self._cancel_head_deadline()
        self._cancel_read_deadline()
        super().connection_lost(exc)
        # No ring is left behind, which only garbage collection frees.
        self.app = self.config.loaded_app

    def data_received(self, data: bytes) -> None:
        is_whole = self._again is not None and is_short_head(data) and self._is_idle()
        if is_whole and self._answers_again(data):
            return
        super().data_received(data)
        # Nothing came before it, and nothing is left of it.
        is_whole = is_whole and self.conn.their_state is h11.DONE and not self.conn.trailing_data[0]
        self._sent = data if is_whole else None

    def _is_idle(self) -> bool:
        """Whether what arrives now begins a request, which may be answered at once."""
        is_between = self.conn.our_state is h11.IDLE and self.conn.their_state is h11.IDLE
        return is_between and not self.conn.trailing_data[0] and not self.flow.write_paused

    def _answers_again(self, data: bytes) -> bool:
        assert self._again is not None
        if not self._again.answer(data, self.server_state.default_headers, self.transport.write):
            return False
        self._table.answer(self)
        self._cancel_head_deadline()
        self.on_response_complete()
        return True

    def handle_events(self) -> None:
        super().handle_events()
        self._note()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._note()

    def timeout_keep_alive_handler(self) -> None:
        super().timeout_keep_alive_handler()
        self._note()

    def shutdown(self) -> None:
        self._table.stopping.set()
        super().shutdown()
        self._note()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._read_within(self._settings.receive_seconds)

    def resume_writing(self) -> None:
        super().resume_writing()
        if not self.transport.is_closing():
            self._cancel_read_deadline()

    def close(self) -> None:
        """Ends a connection that is not being answered."""
        if not self.transport.is_closing():
            self.transport.close()
        self._note()

    def send_400_response(self, msg: str) -> None:
        self._end_with(Problem("bad-request", "the request is not valid HTTP"))

    def _note(self) -> None:
        """Brings the table and the deadlines up to date."""
        if self.transport.is_closing():
            self._cancel_head_deadline()
            self._read_within(_LINGER_SECONDS)
        elif self.cycle is not None and not self.cycle.response_complete:
            self._table.answer(self)
            self._cancel_head_deadline()
        else:
            self._table.wait(self)
            # Between requests there is uvicorn's timer, until a first byte comes.
            if self._head_deadline is None and self.timeout_keep_alive_task is None:
                self._head_deadline = self.loop.call_later(self._settings.head_seconds, self._head_is_late)

    def _cancel_head_deadline(self) -> None:
        if self._head_deadline is not None:
            self._head_deadline.cancel()
            self._head_deadline = None

    def _cancel_read_deadline(self) -> None:
        if self._read_deadline is not None:
            self._read_deadline.cancel()
            self._read_deadline = None

    def _head_is_late(self) -> None:
        self._head_deadline = None
        self._table.counts.timed_out += 1
        if self.conn.our_state is h11.IDLE and self.conn.trailing_data[0]:
            seconds = f"{self._settings.head_seconds:g}"
            self._end_with(
                Problem(
                    "request-timeout",
                    Sentence("the head of the request was not complete within {seconds} s", seconds=seconds),
                )
            )
        else:
            # Whoever has asked nothing is told nothing.
            self.close()

    def _read_within(self, seconds: float) -> None:
        if self._read_deadline is None:
            self._read_deadline = self.loop.call_later(seconds, self._is_not_read)

    def _is_not_read(self) -> None:
        self._table.counts.timed_out += 1
        self.transport.abort()

    def _end_with(self, problem: Problem) -> None:
        """Sends a problem document where no request can be answered, and closes the connection."""
        answer = problem_response_at(self._settings.public_url, problem)
        headers = [*self.server_state.default_headers, *answer.raw_headers, (b"connection", b"close"), NOSNIFF]
        reason = STATUS_PHRASES[answer.status_code]
        event = h11.Response(status_code=answer.status_code, headers=headers, reason=reason)
        for part in (event, h11.Data(data=bytes(answer.body)), h11.EndOfMessage()):
            self.transport.write(self.conn.send(part) or b"")
        self.close()

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The application, which can see whether the caller has left without asking for the body."""
        cycle = self.cycle
        scope["setwright.is_gone"] = lambda: cycle.disconnected
        if self._sent is not None and self._again is not None:
            scope[COMES_AGAIN] = partial(self._again.learn, self._sent, scope["headers"])
        app: ASGIApp = self.config.loaded_app
        await app(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = {"Retry-After": _RETRY_SECONDS, "Connection": "close", "X-Content-Type-Options": "nosniff"}
        problem = Problem("busy", "the service has as many connections as it can; try again shortly", headers=headers)
        await problem_response_at(self._settings.public_url, problem)(scope, receive, send)

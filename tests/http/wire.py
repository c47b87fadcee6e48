"""The service at a port of this process, through its own connections, and the bytes that go over one."""

from __future__ import annotations

import asyncio
import re
import socket
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace

import httpx
import uvicorn
from uvicorn.server import ServerState

from service.http.connections import Connection, serving_options
from tests.conftest import PLAIN, Running

# The server brings the time up to date beside its connections; here it stands.
_DATE = (b"date", b"Mon, 30 Nov 2026 12:00:00 GMT")
_VARYING = re.compile(rb"(x-request-id: )[0-9a-f]{32}|(ratelimit: \"[a-z]+\";)r=\d+;t=\d+")


@asynccontextmanager
async def on_the_wire(service: Running) -> AsyncIterator[tuple[Running, int]]:
    """The service with a client that asks it over sockets, and its port."""
    config = uvicorn.Config(service.app, **serving_options(service.app.state.settings))
    config.load()
    told = ServerState()
    told.default_headers = [_DATE]
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: Connection(config, told, {}), "127.0.0.1", 0)
    # A connection takes the size of its buffer from the one that listens: a caller who does not read is noticed soon.
    server.sockets[0].setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4_096)
    port = server.sockets[0].getsockname()[1]
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", headers=PLAIN, timeout=30) as client:
            yield replace(service, client=client), port
    finally:
        server.close()


def request(path: str, headers: Mapping[str, str], method: str = "GET") -> bytes:
    lines = [f"{method} {path} HTTP/1.1", "Host: setwright.test", *(f"{name}: {of}" for name, of in headers.items())]
    return "\r\n".join([*lines, "", ""]).encode("latin-1")


@dataclass
class Line:
    """A connection, on which bytes are sent and answers read."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def ask(self, sent: bytes) -> bytes:
        self.writer.write(sent)
        return await self.answer(has_body=not sent.startswith(b"HEAD"))

    async def answer(self, *, has_body: bool = True) -> bytes:
        """The next answer, head and body."""
        head = await asyncio.wait_for(self.reader.readuntil(b"\r\n\r\n"), 30)
        length = re.search(rb"(?i)\r\ncontent-length: (\d+)", head)
        is_bodiless = not has_body or length is None or b" 304 " in head.partition(b"\r\n")[0]
        return head if is_bodiless else head + await self.reader.readexactly(int(length[1]))


@asynccontextmanager
async def connected(port: int) -> AsyncIterator[Line]:
    line = Line(*await asyncio.open_connection("127.0.0.1", port, limit=2**24))
    try:
        yield line
    finally:
        line.writer.close()


def without_what_varies(answer: bytes) -> bytes:
    """An answer without the request's id, and without where its account stands."""
    head, end, body = answer.partition(b"\r\n\r\n")
    return _VARYING.sub(rb"\1\2...", head) + end + body


def standing(answer: bytes) -> int:
    """How many units the account has left, as the answer tells."""
    found = re.search(rb'ratelimit: "account";r=(\d+)', answer)
    assert found is not None, answer
    return int(found[1])

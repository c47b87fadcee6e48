"""Hosts for tests of fetching: a host on loopback that answers as it is told, a network that writes down what is dialled, a
resolver with a table; and what the service logs meanwhile."""

from __future__ import annotations

import asyncio
import socket
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from contextlib import asynccontextmanager, suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import httpcore

from service.fetch.policy import Address

Answering = Callable[[bytes, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def host(answering: Answering, **more: Any) -> AsyncIterator[int]:
    """The port of a host that reads a request's head and then does as it is told."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            await answering(await reader.readuntil(b"\r\n\r\n"), writer)
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0, **more)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


def says(body: bytes = b"{}", *headers: str, status: str = "200 OK", kind: str = "application/json") -> Answering:
    """Answers with this body, its length, and these headers."""

    async def answering(_: bytes, writer: asyncio.StreamWriter) -> None:
        lines = [f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(body)}", *headers]
        writer.write("\r\n".join([*lines, "", ""]).encode() + body)

    return answering


class Network(httpcore.AsyncNetworkBackend):
    """Writes down what is dialled. With a port every call ends at that port of this machine, else nowhere."""

    def __init__(self, port: int | None = None) -> None:
        self.dialled: list[tuple[str, int]] = []
        self._port, self._real = port, httpcore.AnyIOBackend()

    async def connect_tcp(self, host: str, port: int, *more: Any, **named: Any) -> httpcore.AsyncNetworkStream:
        self.dialled.append((host, port))
        if self._port is None:
            raise httpcore.ConnectError("nobody there")
        return await self._real.connect_tcp("127.0.0.1", self._port)


class Names:
    """A resolver with a table; each name may have several answers, given one after another, the last one for good. What is
    written in numbers is read as the machine reads it."""

    def __init__(self, **table: Iterable[Iterable[str]]) -> None:
        self.asked: list[str] = []
        self._table = {name.replace("_", "."): [list(answer) for answer in answers] for name, answers in table.items()}

    async def __call__(self, host: str, port: int) -> list[Address]:
        self.asked.append(host)
        answers = self._table.get(host)
        if answers is not None:
            answer = answers.pop(0) if len(answers) > 1 else answers[0]
            return [ip_address(text) for text in answer]
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_NUMERICHOST)
        except OSError:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM) if host.lower() == "localhost" else []
        return [ip_address(entry[4][0]) for entry in found]


def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate of this name that nobody but the test trusts, and its key."""
    key, made = folder / "key.pem", folder / "certificate.pem"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-days", "2", "-subj", f"/CN={name}", "-addext", f"subjectAltName=DNS:{name}"]
    subprocess.run([*command, "-keyout", key, "-out", made], check=True, capture_output=True)
    return made, key

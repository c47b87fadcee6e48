"""Fetching what somebody else's server has, under a strict policy: https, public addresses only, looked up once and dialled
as they were checked, no redirects to another host, 1 MiB, 10 seconds in all.

The check stands in the connector: whatever leads to a connection passes it, and what is dialled is the very address that was
checked, with the name in SNI and Host. httpx reads the addresses; its engine httpcore does the talking, without httpx's
client, which follows proxies of the environment unless told otherwise and writes whole addresses, secrets included, to its
log. Content is asked for as it is (identity) and refused in any other encoding, so nothing unfolds.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Awaitable, Callable, Iterable, Mapping
from contextlib import AbstractAsyncContextManager, nullcontext
from dataclasses import dataclass
from functools import cached_property
from ipaddress import ip_address

import httpcore
import httpx

from service.errors import FetchError, FetchFailed, FetchRedirected, FetchTooLarge, FetchTooSlow, FetchUnreadable
from service.fetch.policy import Address, ensure_public, read_link
from service.formats.strict_json import JSON, YAML, is_declared_past

SECONDS = 10.0
MOST_BYTES = 1024 * 1024
MOST_REDIRECTS = 3
# Of a name's addresses so many are tried; all are checked.
_MOST_DIALLED = 3
_REDIRECTS = (301, 302, 303, 307, 308)

Resolve = Callable[[str, int], Awaitable[list[Address]]]


@dataclass(frozen=True, slots=True)
class Fetched:
    """What an address answered: its bytes and their media type. `content` None: it is still what `etag` names."""

    kind: str
    content: bytes | None
    etag: str | None


class Connector(httpcore.AsyncNetworkBackend):
    """Connects to hosts whose addresses are all public. Each name is looked up once for as long as the connector lives."""

    def __init__(self, resolve: Resolve, network: httpcore.AsyncNetworkBackend, *, from_loopback: bool) -> None:
        self._resolve, self._network, self._from_loopback = resolve, network, from_loopback
        self._pinned: dict[tuple[str, int], list[Address]] = {}

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        if (host, port) not in self._pinned:
            found = await self._resolve(host, port)
            ensure_public(found, from_loopback=self._from_loopback)
            self._pinned[host, port] = found
        for address in self._pinned[host, port][:_MOST_DIALLED]:
            try:
                return await self._network.connect_tcp(str(address), port, timeout, local_address, socket_options)
            except httpcore.ConnectError:
                continue
        raise _failed("no connection to the host came about")


class Fetcher:
    """Fetches documents. `turn` is entered for each of them: it bounds how many are fetched at once, and may raise Busy.
    `from_loopback` is for tests alone."""

    def __init__(
        self,
        *,
        from_loopback: bool = False,
        seconds: float = SECONDS,
        most_bytes: int = MOST_BYTES,
        turn: Callable[[], AbstractAsyncContextManager[None]] = nullcontext,
    ) -> None:
        self.from_loopback = from_loopback
        self._seconds, self._most_bytes, self._turn = seconds, most_bytes, turn
        # Tests put a resolver and a network of their own in their places.
        self.resolve: Resolve = resolved
        self.network: httpcore.AsyncNetworkBackend = httpcore.AnyIOBackend()

    @cached_property
    def trusted(self) -> ssl.SSLContext:
        """Whom to believe that they are who they say: what httpx brings along, whatever the environment names."""
        return httpx.create_ssl_context(trust_env=False)

    async def fetch(self, address: str, *, etag: str | None = None, kinds: Iterable[str] = (JSON, YAML)) -> Fetched:
        """What is at the address, unless it is still what `etag` names. Raises FetchError: address-not-allowed, fetch-failed,
        fetch-redirected, fetch-too-large, fetch-too-slow, fetch-unreadable; Busy."""
        url = read_link(address, from_loopback=self.from_loopback)
        async with self._turn():
            try:
                async with asyncio.timeout(self._seconds):
                    return await self._follow(url, etag, tuple(kinds))
            except TimeoutError:
                raise FetchTooSlow(f"no complete answer within {self._seconds:g} seconds") from None

    async def _follow(self, url: httpx.URL, etag: str | None, kinds: tuple[str, ...]) -> Fetched:
        connector = Connector(self.resolve, self.network, from_loopback=self.from_loopback)
        async with httpcore.AsyncConnectionPool(
            self.trusted, max_connections=1, http1=True, http2=False, retries=0, network_backend=connector
        ) as pool:
            for _ in range(MOST_REDIRECTS + 1):
                found = await self._ask(pool, url, etag, kinds)
                if isinstance(found, Fetched):
                    return found
                url = self._further(url, found)
        raise FetchRedirected(f"it leads on more than {MOST_REDIRECTS} times")

    async def _ask(
        self, pool: httpcore.AsyncConnectionPool, url: httpx.URL, etag: str | None, kinds: tuple[str, ...]
    ) -> Fetched | str:
        """What the server answers, or where it leads on."""
        target = httpcore.URL(scheme=url.raw_scheme, host=url.raw_host, port=url.port, target=url.raw_path)
        headers = {"Accept": ", ".join(kinds), "Accept-Encoding": "identity", "User-Agent": "setwright"}
        if etag is not None:
            headers["If-None-Match"] = etag
        try:
            async with pool.stream("GET", target, headers=list(headers.items())) as answer:
                return await self._read(answer, etag, kinds)
        except (httpcore.NetworkError, httpcore.ProtocolError, httpcore.TimeoutException, OSError):
            # Whatever it says may repeat what was asked for.
            raise _failed("the conversation with the host broke off") from None

    async def _read(self, answer: httpcore.Response, etag: str | None, kinds: tuple[str, ...]) -> Fetched | str:
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in answer.headers}
        if answer.status == 304 and etag is not None:
            return Fetched("", None, etag)
        if answer.status in _REDIRECTS and "location" in headers:
            return headers["location"]
        if answer.status in (404, 410):
            raise _failed("the host has nothing at this address: a share may be revoked, expired or used up")
        if answer.status != 200:
            raise _failed(f"the host answered with the status {answer.status}")
        kind = _kind(headers, kinds)
        too_large = FetchTooLarge(f"what is fetched has at most {self._most_bytes} bytes")
        if is_declared_past(headers.get("content-length", ""), self._most_bytes):
            raise too_large
        parts, size = [], 0
        async for part in answer.aiter_stream():
            size += len(part)
            if size > self._most_bytes:
                raise too_large
            parts.append(part)
        return Fetched(kind, b"".join(parts), _tag(headers))

    def _further(self, url: httpx.URL, location: str) -> httpx.URL:
        """Where a redirect leads, if that is the same host by the same way."""
        try:
            onward = url.join(location)
        except (httpx.InvalidURL, ValueError):
            raise FetchRedirected("it leads on to no address") from None
        if (onward.raw_scheme, onward.raw_host, onward.port) != (url.raw_scheme, url.raw_host, url.port):
            raise FetchRedirected("it leads on to another host; ask for the link there itself")
        return read_link(str(onward), from_loopback=self.from_loopback)


async def resolved(host: str, port: int) -> list[Address]:
    """The addresses of a name, in the order in which the machine would try them."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError:
        raise _failed("there is no host of this name") from None
    return list(dict.fromkeys(ip_address(entry[4][0]) for entry in found))


def _kind(headers: Mapping[str, str], kinds: tuple[str, ...]) -> str:
    if headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise FetchUnreadable("it came in an encoding (Content-Encoding) that was not asked for")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in kinds:
        raise FetchUnreadable(f"it is not {' or '.join(kinds)}")
    return kind


def _tag(headers: Mapping[str, str]) -> str | None:
    tag = headers.get("etag", "")
    return tag if 2 <= len(tag) <= 200 and tag.isascii() and tag.isprintable() else None


def _failed(message: str) -> FetchError:
    return FetchFailed(message)

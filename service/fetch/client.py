"""Fetches documents from other servers under a strict policy: https, public addresses only, resolved once and connected to as
they were checked, no redirects to another host, 1 MiB, 10 seconds in all.

The check is in the connector (connector.py), so every connection passes it, and connects to the very address that was checked,
with the name in SNI and Host. httpx parses URLs; its engine httpcore makes the requests, without httpx's client, which uses
proxies from the environment and logs whole URLs, secrets included. Only identity encoding is requested and accepted, so nothing
is decompressed.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractAsyncContextManager, nullcontext
from dataclasses import dataclass
from functools import cached_property
from ipaddress import ip_address
from typing import TYPE_CHECKING

from service.errors import FetchFailed, FetchRedirected, FetchTooLarge, FetchTooSlow, FetchUnreadable
from service.fetch.policy import Address, Resolve, read_link
from service.formats.strict_json import JSON, YAML, is_declared_past

if TYPE_CHECKING:
    import httpcore
    import httpx

SECONDS = 10.0
MOST_BYTES = 1024 * 1024
MOST_REDIRECTS = 3
_REDIRECTS = (301, 302, 303, 307, 308)


@dataclass(frozen=True, slots=True)
class Fetched:
    """An answer: its bytes and their media type. `content` None: not modified, still the version of `etag`."""

    kind: str
    content: bytes | None
    etag: str | None


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
        # Tests replace the resolver and the network; None: the system's.
        self.resolve: Resolve = resolved
        self.network: httpcore.AsyncNetworkBackend | None = None

    @cached_property
    def trusted(self) -> ssl.SSLContext:
        """The certificate authorities that come with httpx, whatever the environment names."""
        import httpx

        return httpx.create_ssl_context(trust_env=False)

    async def fetch(self, address: str, *, etag: str | None = None, kinds: Iterable[str] = (JSON, YAML)) -> Fetched:
        """The document at the address, in one of the media types `kinds`, unless it is still the version of `etag`. Raises
        AddressNotAllowed, FetchFailed, FetchRedirected, FetchTooLarge, FetchTooSlow, FetchUnreadable, Busy."""
        url = read_link(address, from_loopback=self.from_loopback)
        async with self._turn():
            try:
                async with asyncio.timeout(self._seconds):
                    return await self._follow(url, etag, tuple(kinds))
            except TimeoutError:
                raise FetchTooSlow(
                    "no complete answer within {seconds} seconds", seconds=f"{self._seconds:g}"
                ) from None

    async def _follow(self, url: httpx.URL, etag: str | None, kinds: tuple[str, ...]) -> Fetched:
        # Imported here: few servers ever fetch anything.
        import httpcore

        from service.fetch.connector import Connector

        network = self.network or httpcore.AnyIOBackend()
        connector = Connector(self.resolve, network, from_loopback=self.from_loopback)
        async with httpcore.AsyncConnectionPool(
            self.trusted, max_connections=1, http1=True, http2=False, retries=0, network_backend=connector
        ) as pool:
            for _ in range(MOST_REDIRECTS + 1):
                found = await self._ask(pool, url, etag, kinds)
                if isinstance(found, Fetched):
                    return found
                url = self._further(url, found)
        raise FetchRedirected("the host redirects more than {most} times", most=MOST_REDIRECTS)

    async def _ask(
        self, pool: httpcore.AsyncConnectionPool, url: httpx.URL, etag: str | None, kinds: tuple[str, ...]
    ) -> Fetched | str:
        """The answer, or where it redirects to."""
        import httpcore

        target = httpcore.URL(scheme=url.raw_scheme, host=url.raw_host, port=url.port, target=url.raw_path)
        headers = {"Accept": ", ".join(kinds), "Accept-Encoding": "identity", "User-Agent": "setwright"}
        if etag is not None:
            headers["If-None-Match"] = etag
        try:
            async with pool.stream("GET", target, headers=list(headers.items())) as answer:
                return await self._read(answer, etag, kinds)
        except (httpcore.NetworkError, httpcore.ProtocolError, httpcore.TimeoutException, OSError):
            # Its text may repeat the address, secrets included.
            raise FetchFailed("the connection to the host was lost") from None

    async def _read(self, answer: httpcore.Response, etag: str | None, kinds: tuple[str, ...]) -> Fetched | str:
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in answer.headers}
        if answer.status == 304 and etag is not None:
            return Fetched("", None, etag)
        if answer.status in _REDIRECTS and "location" in headers:
            return headers["location"]
        if answer.status in (404, 410):
            raise FetchFailed("the host has nothing at this address: a share may be revoked, expired or used up")
        if answer.status != 200:
            raise FetchFailed("the host answered with the status {status}", status=answer.status)
        kind = _kind(headers, kinds)
        too_large = FetchTooLarge("the document has more than {bytes} bytes", bytes=self._most_bytes)
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
        """The target of a redirect. Raises FetchRedirected unless it has the same scheme, host and port."""
        import httpx

        try:
            onward = url.join(location)
        except (httpx.InvalidURL, ValueError):
            raise FetchRedirected("the host redirects to something that is no address") from None
        if (onward.raw_scheme, onward.raw_host, onward.port) != (url.raw_scheme, url.raw_host, url.port):
            raise FetchRedirected("the host redirects to another host; ask there for the link itself")
        return read_link(str(onward), from_loopback=self.from_loopback)


async def resolved(host: str, port: int) -> list[Address]:
    """The addresses of a name, in the order in which the system would try them. Raises FetchFailed."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError:
        raise FetchFailed("there is no host of this name") from None
    return list(dict.fromkeys(ip_address(entry[4][0]) for entry in found))


def _kind(headers: Mapping[str, str], kinds: tuple[str, ...]) -> str:
    if headers.get("content-encoding", "identity").strip().lower() != "identity":
        raise FetchUnreadable("the document has a Content-Encoding, which was not asked for")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in kinds:
        raise FetchUnreadable("the document's Content-Type is not {kinds}", kinds=" or ".join(kinds))
    return kind


def _tag(headers: Mapping[str, str]) -> str | None:
    tag = headers.get("etag", "")
    return tag if 2 <= len(tag) <= 200 and tag.isascii() and tag.isprintable() else None

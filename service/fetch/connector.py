"""Connects to public addresses only."""

from __future__ import annotations

from collections.abc import Iterable

import httpcore

from service.errors import FetchFailed
from service.fetch.policy import Address, Resolve, ensure_public

# So many addresses of a name are tried; all are checked.
_MOST_TRIED = 3


class Connector(httpcore.AsyncNetworkBackend):
    """Connects to hosts whose addresses are all public. Each name is resolved once by one connector."""

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
        for address in self._pinned[host, port][:_MOST_TRIED]:
            try:
                return await self._network.connect_tcp(str(address), port, timeout, local_address, socket_options)
            except httpcore.ConnectError:
                continue
        raise FetchFailed("the host cannot be reached")

"""Which address a request comes from: the only place where a proxy's headers are read.

The peer of the connection is the client, unless the operator named it as a proxy (`SETWRIGHT_TRUSTED_PROXIES`). Then what it
says of whom it forwards for is read: `Forwarded` (RFC 7239, section 5.2) or `X-Forwarded-For`, from the right, since every
proxy adds at the end what it saw itself, and what stands left of that may have been written by the client. The first address
that is no proxy of the operator's is the client. Everything behind this layer has it as `scope["client"]`.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator, Sequence
from functools import lru_cache

from starlette.types import ASGIApp, Receive, Scope, Send

from service.settings import Network

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

# A list of more hops than that was not written by proxies.
_MOST_HOPS = 50

_TOKEN = r"[!#$%&'*+.^_`|~0-9A-Za-z-]++"  # noqa: S105
_QUOTED = r'"(?:[^"\\]|\\.)*+"'
# A parameter of an element and what ends it (RFC 7239, section 4); empty elements and parameters are allowed (RFC 9110, 5.6.1).
_PARAMETER = re.compile(rf"[ \t]*+(?:({_TOKEN})=({_TOKEN}|{_QUOTED}))?[ \t]*+(;|,|$)")
_PORT = re.compile(r":[0-9]{1,5}|:_[0-9A-Za-z._-]+|")


class _Malformed(Exception):
    """A header that does not say whom a proxy forwards for."""


class ClientAddresses:
    """The layer that puts the client's address into the scope; the outermost one, so that logs have it too. A header that
    cannot be read, or that names no address, leaves the peer; so do two headers that contradict each other: a proxy writes
    one of them, and hands the other on as the client sent it."""

    def __init__(self, app: ASGIApp, trusted: Sequence[Network]) -> None:
        self._app = app
        self._trusted = tuple(trusted)
        self._is_proxy = lru_cache(1_000)(self._is_trusted_peer)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        peer = scope.get("client")
        if peer is not None and scope["type"] == "http" and self._is_proxy(peer[0]):
            found = self._forwarded_for(scope["headers"])
            if found is not None:
                scope["client"] = (str(found), 0)
        await self._app(scope, receive, send)

    def _is_trusted_peer(self, text: str) -> bool:
        address = _address(text)
        return address is not None and self._trusts(address)

    def _trusts(self, address: Address) -> bool:
        return any(address in network for network in self._trusted)

    def _forwarded_for(self, headers: Sequence[tuple[bytes, bytes]]) -> Address | None:
        told = []
        for name, read in ((b"forwarded", _forwarded_hops), (b"x-forwarded-for", _listed_hops)):
            lines = [value for header, value in headers if header == name]
            if lines:
                try:
                    told.append(self._client(read(b",".join(lines).decode("latin-1"))))
                except _Malformed:
                    return None
        return told[0] if told and all(one == told[0] for one in told) else None

    def _client(self, hops: Sequence[str]) -> Address:
        """The first from the right that is no trusted proxy; the first of all where each is one."""
        found = None
        for hop in hops[: -_MOST_HOPS - 1 : -1]:
            found = _node_address(hop)
            if not self._trusts(found):
                break
        if found is None:
            raise _Malformed
        return found


def _forwarded_hops(text: str) -> list[str]:
    """The `for` of each element of a Forwarded header; empty where an element has none."""
    return [parameters.get("for", "") for parameters in _elements(text) if parameters]


def _elements(text: str) -> Iterator[dict[str, str]]:
    at, parameters = 0, dict[str, str]()
    while True:
        found = _PARAMETER.match(text, at)
        if found is None:
            raise _Malformed
        name, value, end = found.groups()
        if name is not None:
            # Each parameter occurs once in an element (RFC 7239, section 4).
            if name.lower() in parameters:
                raise _Malformed
            parameters[name.lower()] = re.sub(r"\\(.)", r"\1", value[1:-1]) if value[0] == '"' else value
        if end != ";":
            yield parameters
            parameters = {}
        if end == "":
            return
        at = found.end()


def _listed_hops(text: str) -> list[str]:
    return [hop.strip(" \t") for hop in text.split(",") if hop.strip(" \t")]


def _node_address(text: str) -> Address:
    """The address in `192.0.2.1`, `192.0.2.1:4711`, `[2001:db8::1]:4711` or a bare `2001:db8::1`. Raises _Malformed for
    anything else, names and `unknown` among them."""
    if text.startswith("["):
        inside, closing, port = text[1:].partition("]")
        is_whole = bool(closing) and ":" in inside and _PORT.fullmatch(port) is not None
    elif text.count(":") == 1:
        inside, _, _ = text.partition(":")
        is_whole = _PORT.fullmatch(text[len(inside) :]) is not None
    else:
        inside, is_whole = text, True
    found = _address(inside) if is_whole else None
    if found is None:
        raise _Malformed
    return found


def _address(text: str) -> Address | None:
    """An IPv4 address that is written as IPv6 is that IPv4 address. A zone (`%eth0`) is of this machine alone: not taken."""
    if "%" in text:
        return None
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        return None
    return found.ipv4_mapped or found if isinstance(found, ipaddress.IPv6Address) else found

"""Which address a request is said to come from, when it comes through proxies and when somebody only says so."""

from __future__ import annotations

import time
from collections.abc import Sequence

import pytest
from pydantic import ValidationError
from starlette.types import Receive, Scope, Send

from service.http.client_address import ClientAddresses
from service.settings import Settings

pytestmark = pytest.mark.anyio

PEER, OUTER = "10.0.0.2", "10.0.0.1"
TRUSTED = "10.0.0.0/8, fd00::1"
FORWARDED, LISTED = "Forwarded", "X-Forwarded-For"


async def client_of(*headers: tuple[str, str], peer: str | None = PEER, trusted: str = TRUSTED) -> str | None:
    seen: list[tuple[str, int] | None] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        seen.append(scope["client"])

    raw = [(name.lower().encode(), value.encode("latin-1")) for name, value in headers]
    scope = {"type": "http", "client": peer and (peer, 4711), "headers": raw}
    await ClientAddresses(app, Settings(trusted_proxies=trusted).trusted_networks)(scope, None, None)  # type: ignore[arg-type]
    return seen[0] and seen[0][0]


@pytest.mark.parametrize(
    ("header", "value", "client"),
    [
        (LISTED, "192.0.2.7", "192.0.2.7"),
        (LISTED, "192.0.2.7:4711", "192.0.2.7"),
        (LISTED, "2001:db8::7", "2001:db8::7"),
        (LISTED, "[2001:db8::7]:4711", "2001:db8::7"),
        (LISTED, "::ffff:192.0.2.7", "192.0.2.7"),
        # What stands left of what the operator's proxies saw was written by the client.
        (LISTED, "198.51.100.1, 192.0.2.7, 10.0.0.1", "192.0.2.7"),
        (LISTED, "not an address, 192.0.2.7", "192.0.2.7"),
        (LISTED, "192.0.2.7 ,, fd00::1", "192.0.2.7"),
        # Every hop is a proxy of the operator's: the one that began.
        (LISTED, "10.0.0.9, 10.0.0.1", "10.0.0.9"),
        (FORWARDED, "for=192.0.2.7", "192.0.2.7"),
        (FORWARDED, 'For="[2001:db8:cafe::17]:4711"', "2001:db8:cafe::17"),
        (FORWARDED, 'for=192.0.2.7;proto=https;by=10.0.0.1;host="a,b;c"', "192.0.2.7"),
        (FORWARDED, "for=198.51.100.1, for=192.0.2.7, for=10.0.0.1", "192.0.2.7"),
        (FORWARDED, 'for="192.0.2.7:_port" ;proto=http,,', "192.0.2.7"),
        (FORWARDED, r'for="192.0.2\.7"', "192.0.2.7"),
        # What cannot be read, or names no address, leaves the peer.
        (LISTED, "", PEER),
        (LISTED, "192.0.2.7, unknown", PEER),
        (LISTED, "192.0.2.7:port", PEER),
        (LISTED, "192.0.2.07", PEER),
        (LISTED, "fe80::1%eth0", PEER),
        (LISTED, "[192.0.2.7]", PEER),
        (LISTED, "[2001:db8::7", PEER),
        (FORWARDED, "for=unknown", PEER),
        (FORWARDED, "for=_hidden", PEER),
        (FORWARDED, "proto=https", PEER),
        (FORWARDED, "for=2001:db8::7", PEER),
        (FORWARDED, "192.0.2.7", PEER),
        (FORWARDED, "for=192.0.2.7;for=192.0.2.8", PEER),
        # The client left a quotation mark open, so that what the proxy added seems to be part of its text.
        (FORWARDED, 'for="198.51.100.1, for=192.0.2.7', PEER),
        (FORWARDED, "for=é", PEER),
    ],
)
async def test_a_trusted_proxy_tells_whom_it_forwards_for(header: str, value: str, client: str) -> None:
    assert await client_of((header, value)) == client


async def test_several_lines_of_a_header_are_one_list() -> None:
    assert await client_of((LISTED, "198.51.100.1"), (LISTED, "192.0.2.7"), (LISTED, OUTER)) == "192.0.2.7"
    assert await client_of((FORWARDED, "for=198.51.100.1"), (FORWARDED, "for=192.0.2.7")) == "192.0.2.7"


async def test_anybody_else_may_say_what_they_like() -> None:
    for header, value in ((LISTED, "192.0.2.7"), (FORWARDED, "for=192.0.2.7")):
        assert await client_of((header, value), peer="203.0.113.9") == "203.0.113.9"
        assert await client_of((header, value), trusted="") == PEER
        assert await client_of((header, value), peer=None) is None
        assert await client_of((header, value), peer="a name") == "a name"
    assert await client_of((LISTED, "192.0.2.7"), peer="::ffff:10.0.0.2") == "192.0.2.7"


async def test_a_header_that_the_proxy_only_hands_on_does_not_decide() -> None:
    """A proxy that writes one of the two leaves the other as the client sent it."""
    assert await client_of((LISTED, "192.0.2.7"), (FORWARDED, "for=198.51.100.1")) == PEER
    assert await client_of((LISTED, "192.0.2.7"), (FORWARDED, "for=broken;")) == PEER
    assert await client_of((LISTED, "192.0.2.7"), (FORWARDED, "for=192.0.2.7")) == "192.0.2.7"


@pytest.mark.parametrize("made", ['for="\\a', "for=a;", "for=a,", " ,", 'for="a";', "10.0.0.1,"])
async def test_twice_as_long_a_header_takes_about_twice_as_long(made: str) -> None:
    async def seconds(times: int) -> float:
        spent = []
        for _ in range(3):
            started = time.process_time()
            for header in (LISTED, FORWARDED):
                await client_of((header, made * times))
            spent.append(time.process_time() - started)
        return min(spent)

    # The longest head that the server takes has 64 KiB.
    assert await seconds(20_000) < 0.5
    assert await seconds(16_000) < 8 * max(await seconds(4_000), 0.001)


def test_the_operator_is_told_which_part_of_the_setting_is_wrong() -> None:
    assert [str(network) for network in Settings(trusted_proxies=TRUSTED).trusted_networks] == [
        "10.0.0.0/8",
        "fd00::1/128",
    ]
    wrong: Sequence[str] = ("10.0.0.1/8", "proxy.example", "10.0.0.0/33", "10.0.0.1;10.0.0.2")
    for part in wrong:
        with pytest.raises(ValidationError, match="is no address and no network"):
            Settings(trusted_proxies=f"10.0.0.1, {part}")

"""The addresses that the service fetches from: https, a host name, and public IP addresses.

The special ranges are listed here, since Python's `ipaddress` calls some of them global. The list follows the IANA IPv4 and
IPv6 Special-Purpose Address Registries (RFC 6890, RFC 8190) with the later entries of RFC 9637, RFC 9602 and RFC 9780, and for
multicast RFC 5771 and RFC 4291. Of IPv6 only 2000::/3 is allowed, all that is assigned as global unicast (RFC 4291,
section 2.4): that excludes addresses with an IPv4 address inside, except 6to4 and Teredo, which are listed. Ranges that are
special yet reachable (anycast, relays) are excluded, too.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, Iterable
from ipaddress import IPv4Address, IPv6Address, ip_network
from typing import TYPE_CHECKING

from service.errors import AddressNotAllowed

if TYPE_CHECKING:
    import httpx

Address = IPv4Address | IPv6Address
# The addresses of a name, for connections to a port.
Resolve = Callable[[str, int], Awaitable[list[Address]]]

LONGEST_LINK = 2_000
LOOPBACK_HOSTS = ("localhost", "127.0.0.1", "::1")

_SPECIAL_V4 = tuple(
    ip_network(block)
    for block in (
        "0.0.0.0/8",  # this network, RFC 791
        "10.0.0.0/8",  # private use, RFC 1918
        "100.64.0.0/10",  # shared by providers, RFC 6598
        "127.0.0.0/8",  # loopback, RFC 1122
        "169.254.0.0/16",  # link-local, and where clouds tell machines their secrets; RFC 3927
        "172.16.0.0/12",  # private use, RFC 1918
        "192.0.0.0/24",  # protocol assignments, RFC 6890
        "192.0.2.0/24",  # documentation, RFC 5737
        "192.31.196.0/24",  # AS112, RFC 7535
        "192.52.193.0/24",  # AMT, RFC 7450
        "192.88.99.0/24",  # 6to4 relays, RFC 7526
        "192.168.0.0/16",  # private use, RFC 1918
        "192.175.48.0/24",  # AS112, RFC 7534
        "198.18.0.0/15",  # benchmarking, RFC 2544
        "198.51.100.0/24",  # documentation, RFC 5737
        "203.0.113.0/24",  # documentation, RFC 5737
        "224.0.0.0/4",  # multicast, RFC 5771
        "240.0.0.0/4",  # reserved and broadcast, RFC 1112, RFC 919
    )
)
_UNICAST_V6 = ip_network("2000::/3")
_SPECIAL_V6 = tuple(
    ip_network(block)
    for block in (
        "2001::/23",  # protocol assignments with Teredo, benchmarking, ORCHID, DRIP; RFC 2928
        "2001:db8::/32",  # documentation, RFC 3849
        "2002::/16",  # 6to4, RFC 3056
        "2620:4f:8000::/48",  # AS112, RFC 7534
        "3fff::/20",  # documentation, RFC 9637
    )
)

# A host name in ASCII (RFC 1123, section 2.1) of at least two labels, the last of which begins with a letter, so that no
# notation of an IP address fits.
_LABEL = r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_NAME = re.compile(rf"(?=.{{1,253}}\Z)(?:{_LABEL}\.)+[a-z](?:[a-z0-9-]{{0,61}}[a-z0-9])?")
_NOT_IN_A_LINK = re.compile(r"[\x00-\x20\x7f-\x9f\\]")


def is_public(address: Address) -> bool:
    """Whether it is a public unicast address."""
    if isinstance(address, IPv4Address):
        return not any(address in block for block in _SPECIAL_V4)
    return address in _UNICAST_V6 and not any(address in block for block in _SPECIAL_V6)


def ensure_public(addresses: Iterable[Address], *, from_loopback: bool = False) -> None:
    """Raises AddressNotAllowed unless all of them are public: a name that has a private address besides is an attack.
    `from_loopback`: this machine itself is allowed, for tests."""
    for address in addresses:
        if not is_public(address) and not (from_loopback and address.is_loopback):
            raise AddressNotAllowed("the host's name leads to an address that is not public")


def read_link(text: str, *, from_loopback: bool = False) -> httpx.URL:
    """The address, without its fragment. Raises AddressNotAllowed unless it has https, a host name, and port 443 or one from
    1024 on (those below belong to other protocols; common practice, no source). `from_loopback`: this machine itself is
    allowed, over plain http too, for tests."""
    # Imported when first needed: with what it imports it takes 4 MiB.
    import httpx

    if len(text) > LONGEST_LINK or _NOT_IN_A_LINK.search(text):
        raise AddressNotAllowed(
            "a link has at most {most} characters, without spaces or backslashes", most=LONGEST_LINK
        )
    try:
        url = httpx.URL(text)
        host, port = url.raw_host.decode("ascii"), url.port
    except (httpx.InvalidURL, ValueError):
        raise AddressNotAllowed("an address has the form https://HOST/PATH") from None
    at_home = from_loopback and host in LOOPBACK_HOSTS
    if url.scheme != "https" and not (at_home and url.scheme == "http"):
        raise AddressNotAllowed("only https is allowed")
    if "@" in re.split(r"[/?#]", text.partition("//")[2], maxsplit=1)[0]:
        raise AddressNotAllowed("a link must not have a user name or password before its host")
    if not at_home and _NAME.fullmatch(host) is None:
        raise AddressNotAllowed("a link has a host name of at least two parts, such as coins.example.org, not a number")
    if port is not None and port != 443 and not 1024 <= port <= 65535:
        raise AddressNotAllowed("the port must be 443 or one from 1024 on")
    return url.copy_with(fragment=None)

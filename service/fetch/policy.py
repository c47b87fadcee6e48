"""Which addresses the service fetches from: public ones, named by a host's name over https, and nothing else.

The list of special ranges is written out here, since Python's own `ipaddress` calls some of them global (promises.md). It
follows the IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890, RFC 8190) with the later entries of RFC 9637,
RFC 9602 and RFC 9780, and for multicast RFC 5771 and RFC 4291. Of IPv6 only 2000::/3 is taken at all, which is all that was
given out as global unicast (RFC 4291, section 2.4), so whatever carries an IPv4 address inside is out, but for 6to4 and
Teredo, which are named. Ranges that are special yet reachable (anycast, relays) are left out, too: no server of a collector
stands there.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv6Address, ip_network

import httpx

from service.errors import AddressNotAllowed, FetchError

Address = IPv4Address | IPv6Address

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

# A host's name in ASCII (RFC 1123, section 2.1) with two labels at least, the last of which begins with a letter: no way of
# writing an address in numbers fits.
_LABEL = r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_NAME = re.compile(rf"(?=.{{1,253}}\Z)(?:{_LABEL}\.)+[a-z](?:[a-z0-9-]{{0,61}}[a-z0-9])?")
_NOT_IN_A_LINK = re.compile(r"[\x00-\x20\x7f-\x9f\\]")


def is_public(address: Address) -> bool:
    """Whether anybody on the internet may have this address."""
    if isinstance(address, IPv4Address):
        return not any(address in block for block in _SPECIAL_V4)
    return address in _UNICAST_V6 and not any(address in block for block in _SPECIAL_V6)


def ensure_public(addresses: Iterable[Address], *, from_loopback: bool = False) -> None:
    """Raises address-not-allowed unless all of them are public: a name that leads to a private address besides is up to
    something. `from_loopback`: this machine itself will do, for tests."""
    for address in addresses:
        if not is_public(address) and not (from_loopback and address.is_loopback):
            raise _refused("the host's name leads to an address that is not public")


def read_link(text: str, *, from_loopback: bool = False) -> httpx.URL:
    """The address as it will be asked for, without its fragment. Raises address-not-allowed. A host is told by its name, on
    port 443 or one from 1024 on (those below belong to other protocols; common practice, no source). `from_loopback` lets
    this machine in, over plain http too, for tests."""
    if len(text) > LONGEST_LINK or _NOT_IN_A_LINK.search(text):
        raise _refused(f"a link has at most {LONGEST_LINK} characters, without spaces or backslashes")
    try:
        url = httpx.URL(text)
        host, port = url.raw_host.decode("ascii"), url.port
    except (httpx.InvalidURL, ValueError):
        raise _refused("this is no address of the form https://HOST/PATH") from None
    at_home = from_loopback and host in LOOPBACK_HOSTS
    if url.scheme != "https" and not (at_home and url.scheme == "http"):
        raise _refused("only https is followed")
    if "@" in re.split(r"[/?#]", text.partition("//")[2], maxsplit=1)[0]:
        raise _refused("a link has no name or password before its host")
    if not at_home and _NAME.fullmatch(host) is None:
        raise _refused("a link names its host, such as coins.example.org: no number, no name of one part")
    if port is not None and port != 443 and not 1024 <= port <= 65535:
        raise _refused("the port is 443 or one from 1024 on")
    return url.copy_with(fragment=None)


def _refused(message: str) -> FetchError:
    return AddressNotAllowed(message)

"""Device cookies: whose they are, and that nobody can make, change or keep one."""

from __future__ import annotations

import base64
from datetime import UTC, datetime, timedelta

import pytest

from service.accounts.known_devices import LIFETIME, cookie_name, device_cookie, device_of_cookie
from service.accounts.model import DEVICE_COOKIE_PREFIX, Owner, masked

NOW = datetime(2026, 11, 25, tzinfo=UTC)
IDA, MARTA = Owner("0192f0c1-0000-7000-8000-000000000001"), Owner("0192f0c1-0000-7000-8000-000000000002")
HASH, OTHER_HASH = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA", "$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$b3RoZXI"


def test_a_cookie_is_of_one_device_of_one_account_until_it_ends() -> None:
    one, other = (device_cookie(IDA, HASH, NOW) for _ in range(2))
    device = device_of_cookie(one, IDA, HASH, NOW)
    assert device is not None
    assert device.owner == IDA
    assert device_of_cookie(one, IDA, HASH, NOW + LIFETIME - timedelta(seconds=1)) == device
    assert device_of_cookie(other, IDA, HASH, NOW) not in (None, device)
    assert device_of_cookie(one, IDA, HASH, NOW + LIFETIME) is None
    assert device_of_cookie(one, MARTA, HASH, NOW) is None
    # Another password: whoever knew the old one starts as a stranger.
    assert device_of_cookie(one, IDA, OTHER_HASH, NOW) is None


def test_no_byte_of_it_can_be_changed() -> None:
    cookie = device_cookie(IDA, HASH, NOW)
    raw = base64.urlsafe_b64decode(cookie.removeprefix(DEVICE_COOKIE_PREFIX))
    for place in range(len(raw)):
        changed = bytes(byte ^ (at == place) for at, byte in enumerate(raw))
        text = DEVICE_COOKIE_PREFIX + base64.urlsafe_b64encode(changed).decode()
        assert device_of_cookie(text, IDA, HASH, NOW) is None, place


@pytest.mark.parametrize(
    "text", ["", "swk_", "swk_é", "swk_a", "swk_AAAA", "swt_AAAA", "\x00", "\udc80", "swk_" + "A" * 10_000]
)
def test_anything_else_is_no_cookie(text: str) -> None:
    assert device_of_cookie(text, IDA, HASH, NOW) is None
    whole = device_cookie(IDA, HASH, NOW)
    assert device_of_cookie(whole.removeprefix(DEVICE_COOKIE_PREFIX), IDA, HASH, NOW) is None
    assert device_of_cookie(whole[:-4], IDA, HASH, NOW) is None


def test_each_account_has_a_name_of_its_own_that_says_nothing_and_a_text_that_no_log_shows() -> None:
    assert cookie_name(IDA) == cookie_name(IDA) != cookie_name(MARTA)
    assert IDA.id not in cookie_name(IDA)
    assert masked(f"Cookie: {device_cookie(IDA, HASH, NOW)}") in (
        "Cookie: swk_...",
        "Cookie: swk_...=",
        "Cookie: swk_...==",
    )

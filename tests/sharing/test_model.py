"""How long an origin that fails is left alone, and what a share shows."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.sharing.model import Share, pause_after

NOW = datetime(2026, 11, 25, tzinfo=UTC)
SHARE = Share("s", "d", 3, None, follows=False, created_at=NOW)


def test_pauses_double_up_to_a_day_and_chance_takes_off_up_to_half() -> None:
    minutes = [pause_after(failures, 0).total_seconds() / 60 for failures in range(1, 13)]
    assert minutes == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 1440]
    assert pause_after(10**6, 0) == timedelta(hours=24)
    assert pause_after(3, 1) == timedelta(minutes=2)


def test_a_share_is_open_until_it_is_revoked_expired_or_used_up() -> None:
    assert SHARE.status(NOW) == "open"
    ends = replace(SHARE, expires_at=NOW + timedelta(seconds=1))
    assert [ends.status(NOW + timedelta(seconds=n)) for n in (0, 1)] == ["open", "expired"]
    assert [replace(SHARE, uses_left=left).status(NOW) for left in (1, 0)] == ["open", "used up"]
    assert replace(ends, revoked_at=NOW, uses_left=0).status(NOW + timedelta(days=1)) == "revoked"


def test_only_a_share_that_follows_shows_later_revisions() -> None:
    assert [SHARE.shows(number) for number in (2, 3, 4)] == [False, True, False]
    assert [replace(SHARE, follows=True).shows(number) for number in (2, 3, 4)] == [False, True, True]

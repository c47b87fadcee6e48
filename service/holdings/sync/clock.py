"""When something was edited by the service's clock, of a device whose own clock is wrong. Pure."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta

# A request may have been on its way for so long.
_TOLERATED = timedelta(minutes=1)


def edited_at(told: datetime, sent_at: datetime | None, now: datetime) -> datetime:
    """The device's time of an edit, shifted by as much as its clock is off when it sends the edit; never later than now."""
    off = timedelta() if sent_at is None else now - sent_at
    if abs(off) > _TOLERATED:
        # Past the years that there are it says nothing.
        with suppress(OverflowError):
            told += off
    return min(told, now)

"""Times for tests: a fixed one, and a clock that is moved by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.conftest import Running

NOW = datetime(2026, 11, 25, tzinfo=UTC)


class Clock:
    """The service's clock, moved by hand."""

    def __init__(self, service: Running) -> None:
        self.now = datetime.now(UTC)
        service.app.state.clock = lambda: self.now

    def on(self, **more: float) -> None:
        self.now += timedelta(**more)

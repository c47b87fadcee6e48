"""What is logged, for tests: lines of the service before secrets are removed from them, and those of libraries."""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import structlog
from structlog.contextvars import merge_contextvars
from structlog.processors import LogfmtRenderer
from structlog.testing import LogCapture

from service.observability import log

_ORDER = ("level", "part", "event", "method", "route", "status", "caller")


@dataclass
class Written:
    """Everything that was logged since."""

    entries: list[Any] = field(default_factory=list)
    of_libraries: io.StringIO = field(default_factory=io.StringIO)

    @property
    def requests(self) -> list[str]:
        """Method, route and status of each request."""
        return [f"{e['method']} {e['route']} {e['status']}" for e in self.entries if e.get("part") == "requests"]

    def getvalue(self) -> str:
        """All of it as text, as key=value where it is the service's own."""
        render = LogfmtRenderer(key_order=_ORDER, drop_missing=True)
        return "\n".join([*(render(None, "", dict(entry)) for entry in self.entries), self.of_libraries.getvalue()])


@contextmanager
def listening() -> Iterator[Written]:
    """All that the service logs, down to the least important; the client of the test is not the service."""
    before, lines = list(log._PROCESSORS), list(log._REQUEST_LINES)
    log.begin_log("debug")
    written, capture = Written(), LogCapture()
    written.entries = capture.entries
    log._PROCESSORS[:] = [merge_contextvars, capture]
    log._REQUEST_LINES.clear()
    handler, root, client = logging.StreamHandler(written.of_libraries), logging.getLogger(), logging.getLogger("httpx")
    levels = root.level, client.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    client.setLevel(logging.WARNING)
    try:
        yield written
    finally:
        root.removeHandler(handler)
        root.setLevel(levels[0])
        client.setLevel(levels[1])
        log._PROCESSORS[:], log._REQUEST_LINES[:] = before, lines


@contextmanager
def beginning(level: str = "info", form: str = log.TEXT, secrets: tuple[str, ...] = ()) -> Iterator[None]:
    """The log as a server has it, on standard error."""
    before, lines, root = list(log._PROCESSORS), list(log._REQUEST_LINES), logging.getLogger()
    handlers, root_level, root.handlers = root.handlers, root.level, []
    try:
        log.begin_log(level, form, secrets)
        yield
    finally:
        log._PROCESSORS[:], log._REQUEST_LINES[:] = before, lines
        root.handlers = handlers
        root.setLevel(root_level)
        structlog.contextvars.clear_contextvars()

"""A fixture with which a test records what it measured of a promise. Every session ends with the table of what was recorded.

`SETWRIGHT_PROMISES` names a folder that keeps the records, so that several sessions make one table; without it they are gone
with the session.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from tests.promises import records, table
from tests.promises.rows import NO_DATABASE, POSTGRESQL, ROWS, SQLITE

_FOLDER = pytest.StashKey[Path]()
_IS_TEMPORARY = pytest.StashKey[bool]()
_RECORDED = pytest.StashKey[list[records.Record]]()


class Promise:
    """Records figures of the running test. They count if the test passes."""

    def __init__(self, engine: str, test: str) -> None:
        self._engine, self._test = engine, test
        self.recorded: list[records.Record] = []

    def __call__(
        self,
        row: int,
        name: str,
        *,
        kept: str | None = None,
        control: str | None = None,
        engine: str | None = None,
        count: int = 0,
        same: Mapping[str, str] | None = None,
    ) -> None:
        """Of promise `row` of docs/promises.md, under a short `name` of what is tested: what was measured of the service
        (`kept`), or what the broken variant did (`control`), or both. A control in a test of its own has the same row and name.
        `engine` is what the session's databases are, or that the test takes none. `count` is what `{count}` in the text stands
        for, and is added up over the tests that record the same text. `same` is by name what has to be equal on all engines."""
        assert row in ROWS, f"there is no promise {row}"
        assert kept or control, "neither a figure nor a control's"
        self.recorded.append(
            records.Record(row, name, engine or self._engine, self._test, kept, control, count, dict(same or {}))
        )


@pytest.fixture
def promise(request: pytest.FixtureRequest) -> Promise:
    engine = POSTGRESQL if os.environ.get("SETWRIGHT_TEST_DATABASE_URL") else SQLITE
    if request.node.get_closest_marker("pure"):
        engine = NO_DATABASE
    made = Promise(engine, request.node.nodeid)
    request.node.stash[_RECORDED] = made.recorded
    return made


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    report: Any = yield
    if report.when == "call" and report.passed:
        records.write(item.config.stash[_FOLDER], item.stash.get(_RECORDED, []))
    return report


def pytest_configure(config: pytest.Config) -> None:
    named = getattr(config, "workerinput", {}).get("promises") or os.environ.get("SETWRIGHT_PROMISES")
    config.stash[_FOLDER] = Path(named or tempfile.mkdtemp(prefix="promises-"))
    config.stash[_IS_TEMPORARY] = named is None


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Workers of xdist write into the folder of the session that started them."""
    node.workerinput["promises"] = str(node.config.stash[_FOLDER])


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    if hasattr(config, "workerinput"):
        return
    shown = records.merged(records.read(config.stash[_FOLDER]))
    if shown:
        terminalreporter.ensure_newline()
        console = Console(file=terminalreporter._tw._file, width=max(120, terminalreporter._tw.fullwidth))
        table.show(console, shown, "Promises")


def pytest_unconfigure(config: pytest.Config) -> None:
    if config.stash.get(_IS_TEMPORARY, False):
        shutil.rmtree(config.stash[_FOLDER], ignore_errors=True)

"""Rows measured, each group in a process of its own: memory, imports and garbage of one are not the next one's."""

from __future__ import annotations

import multiprocessing
import os
import platform
import signal
import subprocess
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Literal

from tests.benchmarks.race import Disagreement
from tests.benchmarks.target import Direction, Measurement, Scale, Target, Unit

ROOT = Path(__file__).resolve().parents[2]
# refused: the peer's answer is another; crashed: any other error; gave up: it took too long; left out: it was not tried.
State = Literal["measured", "refused", "crashed", "gave up", "left out"]
# On the clock, so much for a row; more where others work on the machine.
MOST_SECONDS = {Scale.QUICK: 60, Scale.USUAL: 200, Scale.FULL: 3_600}


class GaveUp(BaseException):
    """A row took longer than a row may. No Exception, so that nothing that is measured takes it for a fault of its own."""


@dataclass(frozen=True)
class Row:
    """What came of one target. `value` is the ratio or the figure; `why` says what went wrong, or why it was left out."""

    name: str
    group: str
    what: str
    peer: str
    direction: Direction
    bound: float
    unit: Unit
    state: State
    measurement: Measurement | None = None
    value: float | None = None
    is_met: bool | None = None
    why: str = ""


@dataclass(frozen=True)
class Machine:
    processor: str
    cores: int
    system: str
    python: str
    load: float


@dataclass(frozen=True)
class Run:
    """One run of the benchmarks; `commit` ends with a plus sign where files were changed since."""

    at: str
    commit: str
    scale: Scale
    machine: Machine
    rows: list[Row] = field(default_factory=list)


def measure(targets: Iterable[Target], scale: Scale, tell: Callable[[Row], None] = lambda _: None) -> Run:
    """All these targets; `tell` hears of each row when it is done."""
    run = Run(datetime.now(UTC).isoformat(timespec="seconds"), commit(), scale, machine())
    for _, group in groupby(targets, key=lambda target: target.group):
        for row in in_own_process(list(group), scale):
            run.rows.append(row)
            tell(row)
    return run


def in_own_process(targets: Sequence[Target], scale: Scale) -> Iterator[Row]:
    """The rows of one group, each as soon as it is known. Where the process itself dies, the rest of them have crashed."""
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        asked = [(target, pool.submit(_row_named, target.name, scale)) for target in targets]
        for target, row in asked:
            try:
                yield row.result()
            except BrokenProcessPool:
                yield _row(target, "crashed", why="its process died")


def _row_named(name: str, scale: Scale) -> Row:
    from tests.benchmarks.targets import TARGETS

    return row_of(next(target for target in TARGETS if target.name == name), scale)


def row_of(target: Target, scale: Scale) -> Row:
    """The target measured in this process."""
    why = target.why_not()
    if why or target.measure is None:
        return _row(target, "left out", why=why)
    try:
        with within(MOST_SECONDS[scale] * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))):
            found = target.measure(scale)
    except GaveUp as error:
        return _row(target, "gave up", why=str(error))
    except Disagreement as error:
        return _row(target, "refused", why=f"the answers differ: {error}")
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return _row(
            target, "crashed", why=f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}: {error}"
        )
    value = target.value(found)
    return _row(target, "measured", found, value, target.is_met(value))


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raises GaveUp in this thread, the main one, when they are over."""

    def give_up(number: int, frame: object) -> None:
        raise GaveUp(f"it took longer than {seconds:g} seconds")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _row(
    target: Target,
    state: State,
    found: Measurement | None = None,
    value: float | None = None,
    is_met: bool | None = None,
    why: str = "",
) -> Row:
    told = (target.name, target.group, target.what, target.peer, target.direction, target.bound, target.unit)
    return Row(*told, state, found, value, is_met, why)


def machine() -> Machine:
    processor = platform.processor() or platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        processor = next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), processor)
    except OSError:
        pass
    return Machine(
        processor, os.cpu_count() or 1, platform.platform(terse=True), platform.python_version(), os.getloadavg()[0]
    )


def commit() -> str:
    """The commit of this checkout; "?" outside of git."""

    def ask(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=False).stdout.strip()

    return (ask("rev-parse", "--short=10", "HEAD") or "?") + ("+" if ask("status", "--porcelain", "-uno") else "")

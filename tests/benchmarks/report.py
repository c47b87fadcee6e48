"""Runs and comparisons as tables on a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tests.benchmarks.history import MUCH, Change
from tests.benchmarks.run import Row, Run
from tests.benchmarks.target import Scale, Target

_SIZES = {
    Scale.QUICK: "smaller than what the targets are for",
    Scale.USUAL: "sizes of the targets",
    Scale.FULL: "up to a million holdings",
}


def duration(seconds: float) -> str:
    """In the unit that suits."""
    name, factor = ("s", 1.0) if seconds >= 1 else ("ms", 1e3) if seconds >= 1e-3 else ("us", 1e6)
    value = seconds * factor
    return f"{value:,.3g} {name}" if value < 1000 else f"{value:,.0f} {name}"


def figure(row: Row | Target, value: float) -> str:
    """A ratio or a figure with its unit."""
    digits = f"{value:,.3g}" if value < 1000 else f"{value:,.0f}"
    return digits + ("x" if row.unit == "x" else "" if row.unit == "slope" else f" {row.unit}")


def aim(row: Row | Target) -> str:
    """What the row is to reach."""
    sign = ">=" if row.direction == "at least" else "<="
    return f"{sign} {figure(row, row.bound)}"


def tell(console: Console, row: Row) -> None:
    """One line as soon as it is known."""
    said = figure(row, row.value) if row.value is not None else f"{row.state}: {row.why}"
    console.print(Text(f"{row.name}: {said}"), style="dim", soft_wrap=True)


def show_run(console: Console, run: Run) -> None:
    machine = run.machine
    table = Table(
        title=f"\n{run.at}, commit {run.commit}, {_SIZES[run.scale]}; {machine.processor}, {machine.cores} cores, "
        f"Python {machine.python}, load {machine.load:.1f}; seconds of CPU unless it says wall",
        title_justify="left",
    )
    for column in ("row", "what", "size", "peer or floor"):
        table.add_column(column)
    for column in ("peer", "ours", "ratio", "target"):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("met")
    for row in run.rows:
        if row.measurement is not None and row.value is not None:
            table.add_row(
                row.name, row.what, row.measurement.size, row.peer, *_figures(row), "yes" if row.is_met else "NO"
            )
    console.print(table)
    for row in run.rows:
        if row.measurement is not None and row.measurement.note:
            console.print(Text(f"{row.name}: {row.measurement.note}"), soft_wrap=True)
    for row in run.rows:
        if row.measurement is None:
            console.print(Text(f"{row.name} ({row.what}, {aim(row)}): {row.state}, {row.why}"), soft_wrap=True)
    measured = [row for row in run.rows if row.measurement is not None]
    met = sum(bool(row.is_met) for row in measured)
    console.print(f"{met} of {len(measured)} targets met; {len(run.rows) - len(measured)} rows not measured\n")


def _figures(row: Row) -> tuple[str, str, str, str]:
    assert row.measurement is not None
    assert row.value is not None
    found = row.measurement
    wall = " wall" if found.clock == "wall" else ""

    def told(value: float) -> str:
        return f"{value:,.0f} MiB" if found.clock == "memory" else duration(value) + wall

    value, target = figure(row, row.value), aim(row)
    if found.theirs is None:
        return "", value + wall, "", target
    return told(found.theirs), told(found.ours), value, target


def show_targets(console: Console, targets: Sequence[Target]) -> None:
    table = Table("row", "group", "what", "peer or floor", "target", "quick")
    for target in targets:
        told = (target.name, target.group, target.what, target.peer, aim(target))
        table.add_row(*told, "yes" if target.quick else target.why_not() and f"left out: {target.why_not()}")
    console.print(table)


def show_changes(console: Console, found: Sequence[Change], before: str) -> None:
    """Every row that moved much, or that none did."""
    if not found:
        console.print(f"Nothing to compare with {before}.")
        return
    table = Table(title=f"Against {before}", title_justify="left")
    table.add_column("row")
    for column in ("before", "after", "worse by"):
        table.add_column(column, justify="right")
    table.add_column("")
    for change in found:
        mark = f"WORSE by more than {MUCH}x" if change.is_regression else "better" if change.worse < 1 / MUCH else ""
        table.add_row(change.name, f"{change.before:,.3g}", f"{change.after:,.3g}", f"{change.worse:.2f}x", mark)
    console.print(table)
    console.print(
        f"{sum(change.is_regression for change in found)} of {len(found)} rows are worse by more than {MUCH}x"
    )

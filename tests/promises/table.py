"""The table of promises on a terminal, and as the page docs/promises.md."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from tests.promises.records import Shown
from tests.promises.rows import ROWS

COLUMNS = ("row", "promise", "test", "engine", "figure", "control, which must fail")
# What a run of half an hour found is kept when the table above it is made anew.
SOAK = "## Soak"
HEAD = """# Promises

What the service keeps under load, faults and bad input, and the test of each. Every test has a control: the same test of a
variant that is broken on purpose, which the test must catch. The figures below are of one run; every run of `.ci/run` measures
them again, prints them at its end, and fails where a row has no figure or no control. This page is made by
`python -m tests.promises`.
"""


def show(console: Console, shown: Sequence[Shown], title: str) -> None:
    table = Table(title=title, title_justify="left")
    for column in COLUMNS:
        table.add_column(column, justify="right" if column == "row" else "left", overflow="fold")
    for one in shown:
        cells = (ROWS[one.row].promise, one.name, one.engine, *_figures(one))
        table.add_row(str(one.row), *(Text(cell) for cell in cells))
    console.print(table)


def page(shown: Sequence[Shown], conditions: Mapping[str, str], soak: str) -> str:
    """The page in Markdown. `conditions` are what holds of the whole run: when, which commit, which machine."""
    parts = [HEAD, "; ".join(f"{name}: {value}" for name, value in conditions.items()) + ".\n"]
    for number, row in ROWS.items():
        found = [one for one in shown if one.row == number]
        parts.append(f"## {number}. {row.promise}\n\n{row.test[0].upper()}{row.test[1:]}.\n")
        if found:
            lines = ["| test | engine | figure | control, which must fail |", "| --- | --- | --- | --- |"]
            lines += [
                f"| {_cell(one.name)} | {one.engine} | {' | '.join(map(_cell, _figures(one)))} |" for one in found
            ]
            parts.append("\n".join(lines) + "\n")
        else:
            parts.append("Not shown in this run.\n")
    return "\n".join([*parts, soak]).rstrip() + "\n"


def soak_of(text: str) -> str:
    """The part of a page about the long run, or a sentence that there was none."""
    _, found, rest = text.partition(f"{SOAK}\n")
    return f"{SOAK}\n{rest}" if found else f"{SOAK}\n\nNo run yet: `python -m tests.soak --minutes 30`.\n"


def _figures(one: Shown) -> tuple[str, str]:
    return "; ".join(one.kept) or "none", "; ".join(one.control) or "none"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")

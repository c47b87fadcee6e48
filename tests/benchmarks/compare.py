"""Two commits, each with its own benchmarks in a work tree of its own, in turns; or two files of runs."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import msgspec
from rich.console import Console

from tests.benchmarks import report
from tests.benchmarks.history import changes, last_rows, read_runs
from tests.benchmarks.run import ROOT, Row, Run
from tests.benchmarks.target import Scale

ROUNDS = 2


def run(console: Console, before: str, after: str, only: Sequence[str], scale: Scale) -> int:
    """Prints what changed. Returns 1 where a commit cannot be measured."""
    if Path(before).is_file() and Path(after).is_file():
        one, other = (list(last_rows(read_runs(Path(file)), scale).values()) for file in (before, after))
    else:
        found = [[], []]
        with ExitStack() as stack:
            trees = [stack.enter_context(work_tree(name)) for name in (before, after)]
            for turn in range(ROUNDS):
                # The one that came first comes second next time.
                for which in (0, 1) if turn % 2 == 0 else (1, 0):
                    measured = measured_in(trees[which], only, scale)
                    if measured is None:
                        console.print(f"{(before, after)[which]}: its benchmarks cannot be run")
                        return 1
                    found[which].append(measured)
        one, other = (medians(runs) for runs in found)
    report.show_changes(console, changes(one, other), before)
    return 0


@contextmanager
def work_tree(name: str) -> Iterator[Path]:
    """A commit checked out beside this one; removed afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder, "tree")
        subprocess.run(["git", "worktree", "add", "-q", "--detach", tree, name], cwd=ROOT, check=True)
        try:
            yield tree
        finally:
            subprocess.run(["git", "worktree", "remove", "--force", tree], cwd=ROOT, check=True)


def measured_in(tree: Path, only: Sequence[str], scale: Scale) -> Run | None:
    """One run of a commit's own benchmarks; None where it has none."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "run.json")
        words = [word for name in only for word in ("--only", name)]
        words += [f"--{scale}"] if scale != Scale.USUAL else []
        command = [sys.executable, "-m", "tests.benchmarks", *words, "--json", str(file)]
        environment = {**os.environ, "PYTHONPATH": str(tree)}
        subprocess.run(command, cwd=tree, env=environment, stdout=subprocess.DEVNULL, check=False)
        return msgspec.json.decode(file.read_bytes(), type=Run) if file.exists() else None


def medians(runs: Sequence[Run]) -> list[Row]:
    """Each row with the median of its values."""
    rows = {row.name: row for run in runs for row in run.rows if row.value is not None}
    values = {
        name: [r.value for run in runs for r in run.rows if r.name == name and r.value is not None] for name in rows
    }
    return [replace(row, value=statistics.median(values[name])) for name, row in rows.items()]

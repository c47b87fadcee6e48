"""What was saved is read again, and a comparison finds what became worse."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.benchmarks.compare import medians
from tests.benchmarks.history import changes, last_rows, read_runs, save
from tests.benchmarks.run import Machine, Row, Run
from tests.benchmarks.target import Direction, Measurement, Scale


def a_row(name: str, value: float, direction: Direction = "at most", size: str = "10 x 5") -> Row:
    found = Measurement(size, value, 1.0)
    return Row(name, "group", "what", "peer", direction, 2.0, "x", "measured", found, value, True)


def a_run(*rows: Row, scale: Scale = Scale.USUAL) -> Run:
    return Run("2026-11-25T12:00:00+00:00", "abc", scale, Machine("a processor", 2, "Linux", "3.11", 0.5), list(rows))


def test_runs_are_added_and_read_as_they_were(tmp_path: Path) -> None:
    file = tmp_path / "history.jsonl"
    runs = [a_run(a_row("one", 1.0)), a_run(a_row("one", 2.0), a_row("other", 3.0), scale=Scale.QUICK)]
    for run in runs:
        save(run, file)
    assert read_runs(file) == runs
    assert read_runs(tmp_path / "nothing.jsonl") == []


def test_the_newest_row_of_the_scale_is_what_is_compared_with() -> None:
    left_out = replace(a_row("one", 9.0), state="left out", value=None)
    runs = [
        a_run(a_row("one", 1.0)),
        a_run(a_row("one", 2.0)),
        a_run(left_out),
        a_run(a_row("one", 5.0), scale=Scale.QUICK),
    ]
    assert last_rows(runs, Scale.USUAL) == {"one": a_row("one", 2.0)}


@pytest.mark.parametrize(
    ("direction", "before", "after", "factor", "is_regression"),
    [
        ("at most", 1.0, 1.6, 1.6, True),
        ("at most", 1.0, 1.4, 1.4, False),
        ("at most", 1.6, 1.0, 0.625, False),
        ("at least", 8.0, 5.0, 1.6, True),
        ("at least", 5.0, 8.0, 0.625, False),
    ],
)
def test_a_planted_regression_is_found(
    direction: Direction, before: float, after: float, factor: float, is_regression: bool
) -> None:
    (change,) = changes([a_row("row", before, direction)], [a_row("row", after, direction)])
    assert change.worse == pytest.approx(factor)
    assert change.is_regression is is_regression


def test_the_worst_comes_first_and_other_sizes_are_not_compared() -> None:
    before = [a_row("one", 1.0), a_row("two", 1.0), a_row("three", 1.0), a_row("gone", 1.0)]
    after = [a_row("one", 2.0), a_row("two", 4.0), a_row("three", 9.0, size="1,000 x 500"), a_row("new", 1.0)]
    assert [change.name for change in changes(before, after)] == ["two", "one"]


def test_of_several_runs_the_median_of_each_row_counts() -> None:
    runs = [a_run(a_row("one", value)) for value in (1.0, 9.0, 2.0)]
    assert [row.value for row in medians(runs)] == [2.0]

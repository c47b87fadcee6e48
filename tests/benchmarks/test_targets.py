"""The table of targets is whole, and a row is refused where its peer's answer is another."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from contextlib import suppress
from io import StringIO
from itertools import chain, repeat

import pytest
from rich.console import Console

from tests.benchmarks import report
from tests.benchmarks.__main__ import chosen
from tests.benchmarks.history import FOLDER
from tests.benchmarks.race import Disagreement, Side, race
from tests.benchmarks.run import MOST_SECONDS, Machine, Run, row_of
from tests.benchmarks.target import Direction, Measurement, Scale, Target
from tests.benchmarks.targets import TARGETS
from tests.benchmarks.targets.growth import beyond_the_first, steepest

# The peers of these come with '.[tests]'.
WITHOUT_MORE = [target.name for target in TARGETS if target.quick and target.needs]


def a_target(measure: Callable[[Scale], Measurement] | None, direction: Direction = "at most", **more: str) -> Target:
    return Target("row", "group", "what", "peer", direction, 2.0, measure, **more)


def racing(theirs: int) -> Callable[[Scale], Measurement]:
    def measure(scale: Scale) -> Measurement:
        race(Side(lambda: 1), Side(lambda: theirs), lambda one, other: one == other, seconds=0)
        return Measurement("1", 3.0, 1.0)

    return measure


def test_the_page_and_the_registry_have_the_same_rows_and_aims() -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    told = re.findall(r"^\| `([\w-]+)` \| ([^|]+) \|", page, re.MULTILINE)
    assert told == [(target.name, report.aim(target)) for target in TARGETS]
    assert len({target.name for target in TARGETS}) == len(TARGETS)


def test_a_row_is_measured_or_says_why_not() -> None:
    assert all((target.measure is None) == bool(target.missing) for target in TARGETS)


def test_quick_rows_need_nothing_that_only_the_benchmarks_install() -> None:
    assert WITHOUT_MORE == []
    assert [target for target in chosen([], Scale.QUICK) if not target.quick] == []


def test_rows_are_chosen_by_their_names_and_groups() -> None:
    assert [target.name for target in chosen(["unchanged"], Scale.USUAL)] == ["unchanged"]
    assert {target.group for target in chosen(["verdicts"], Scale.QUICK)} == {"verdicts"}
    assert chosen([], Scale.USUAL) == [target for target in TARGETS if not target.full]
    assert chosen([], Scale.FULL) == list(TARGETS)
    with pytest.raises(SystemExit, match="no row or group is called nonsense"):
        chosen(["nonsense"], Scale.USUAL)


def test_a_row_whose_peer_disagrees_is_refused() -> None:
    assert row_of(a_target(racing(1)), Scale.QUICK).state == "measured"
    row = row_of(a_target(racing(2)), Scale.QUICK)
    assert (row.state, row.value, row.measurement) == ("refused", None, None)
    assert "ours: 1; the peer's: 2" in row.why


def test_a_peer_that_disagrees_only_later_is_refused_too() -> None:
    answers = chain(repeat(1, 50), repeat(2))
    with pytest.raises(Disagreement):
        race(Side(lambda: 1), Side(lambda: next(answers)), lambda one, other: one == other, seconds=0)


def test_a_row_that_crashes_says_where() -> None:
    row = row_of(a_target(lambda scale: Measurement("1", 1 / 0)), Scale.QUICK)
    assert row.state == "crashed"
    assert re.match(r"ZeroDivisionError at test_targets.py:\d+", row.why)


def test_a_row_that_takes_too_long_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(MOST_SECONDS, Scale.QUICK, 0.05)
    monkeypatch.setattr(os, "getloadavg", lambda: (0.0, 0.0, 0.0))

    def never(scale: Scale) -> Measurement:
        while True:
            with suppress(Exception):
                sum(range(1000))

    row = row_of(a_target(never), Scale.QUICK)
    assert (row.state, row.why) == ("gave up", "it took longer than 0.05 seconds")


def test_rows_without_a_measure_or_a_peer_are_left_out() -> None:
    assert row_of(a_target(None, missing="not there yet"), Scale.QUICK).why == "not there yet"
    lacking = Target("row", "group", "what", "peer", "at most", 2.0, racing(1), needs=("no_such_module",))
    assert (row_of(lacking, Scale.QUICK).state, "no_such_module" in lacking.why_not()) == ("left out", True)


@pytest.mark.parametrize(
    ("direction", "value", "is_met"),
    [("at most", 3.0, False), ("at least", 1 / 3, False)],
)
def test_a_ratio_is_the_peers_time_in_ours_or_ours_in_the_peers(
    direction: Direction, value: float, is_met: bool
) -> None:
    row = row_of(a_target(racing(1), direction), Scale.QUICK)
    assert row.value == pytest.approx(value)
    assert row.is_met is is_met


def test_the_median_of_turns_counts() -> None:
    clock = iter([0.0, 5.0, 0.0, 1.0, 0.0, 9.0, 0.0, 2.0])
    theirs = iter([0.0, 1.0] * 4)
    times = race(
        Side(lambda: 1, lambda: next(clock)), Side(lambda: 1, lambda: next(theirs)), lambda *_: True, least=4, seconds=0
    )
    # All are long, so the first counts as well: 5, 1, 9 and 2.
    assert (times.ours, times.theirs, times.rounds) == (3.5, 1.0, 4)


def test_the_printed_table_tells_what_was_not_measured() -> None:
    rows = [row_of(a_target(racing(theirs)), Scale.QUICK) for theirs in (1, 2)]
    written = Console(file=StringIO(), width=200)
    report.show_run(written, Run("now", "abc", Scale.QUICK, Machine("p", 1, "Linux", "3.11", 0.0), rows))
    assert isinstance(written.file, StringIO)
    text = written.file.getvalue()
    assert "3x" in text
    assert "0 of 1 targets met; 1 rows not measured" in text
    assert "refused, the answers differ" in text


def test_growth_beyond_the_first_size_is_linear_where_the_time_is_whatever_stays_the_same() -> None:
    sizes = (10.0, 200.0, 500.0, 1_000.0, 2_000.0)
    for constant in (0.0, 0.2, 30.0):
        linear = [(size, constant + 3e-4 * size) for size in sizes]
        assert steepest(beyond_the_first(linear)) == pytest.approx(1)
        # One part in ten that grows with the square at the largest size is seen.
        bent = [(size, seconds + 3e-4 * size * size / 20_000) for size, seconds in linear]
        assert 1.05 < steepest(beyond_the_first(bent)) < 1.2
        square = [(size, constant + 1e-7 * size * size) for size in sizes]
        assert steepest(beyond_the_first(square)) > 1.9

"""The table of promises: what is recorded is shown, and what is missing is seen."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.promises.records import Record, Shown, lacking, merged, read, write
from tests.promises.rows import BOTH, NO_DATABASE, POSTGRESQL, ROWS, SQLITE
from tests.promises.table import page, soak_of

pytest_plugins = ["pytester"]


def complete() -> list[Record]:
    return [
        Record(row.number, "it", engine, "t", "all is well", "the broken one was caught")
        for row in ROWS.values()
        for engine in row.engines or {NO_DATABASE}
    ]


def test_a_figure_and_a_control_of_different_tests_meet(tmp_path: Path) -> None:
    write(tmp_path, [Record(1, "kills", SQLITE, "a", kept="12 kills, 0 lost")])
    write(
        tmp_path, [Record(1, "kills", SQLITE, "b", control="1 lost"), Record(1, "kills", POSTGRESQL, "b", control="2")]
    )
    write(tmp_path, [])
    assert merged(read(tmp_path)) == [
        Shown(1, "kills", POSTGRESQL, (), ("2",)),
        Shown(1, "kills", SQLITE, ("12 kills, 0 lost",), ("1 lost",)),
    ]


def test_counts_of_the_same_figure_are_added_up() -> None:
    parts = [Record(6, "bodies", SQLITE, test, kept="{count} bodies", count=600) for test in ("a", "b")]
    assert merged(parts) == [Shown(6, "bodies", SQLITE, ("1,200 bodies",), ())]


def test_engines_that_differ_are_seen() -> None:
    one, other, more = (
        Record(6, "bodies", engine, "t", "1 body", "1 seen", same={"POST /v1/sets, NaN": status})
        for engine, status in ((SQLITE, "400"), (POSTGRESQL, "400"), (POSTGRESQL, "500"))
    )
    assert lacking(merged([*complete(), one, other])) == []
    assert lacking(merged([*complete(), one, more])) == [
        "row 6, 'bodies', POST /v1/sets, NaN: 500 on PostgreSQL, 400 on SQLite"
    ]


def test_nothing_is_lacking_where_every_row_has_its_figure_and_its_control() -> None:
    assert list(ROWS) == list(range(1, 23))
    assert lacking(merged(complete())) == []


def test_a_row_an_engine_a_figure_or_a_control_that_is_missing_is_seen() -> None:
    whole = complete()
    assert [line[:6] for line in lacking(merged(record for record in whole if record.row != 9))] == ["row 9 "]
    (line,) = lacking(merged(record for record in whole if (record.row, record.engine) != (5, POSTGRESQL)))
    assert (ROWS[5].engines, line) == (BOTH, "row 5 (Sync misses no change): no figure on PostgreSQL")
    more = Record(5, "another", SQLITE, "t", kept="0 missed")
    assert lacking(merged([*whole, more])) == ["row 5, 'another' on SQLite: no control recorded anything"]
    more = Record(5, "another", SQLITE, "t", control="3 missed")
    assert lacking(merged([*whole, more])) == [
        "row 5, 'another' on SQLite: a control without the test that it belongs to"
    ]
    assert len(lacking([])) == len(ROWS)


def test_the_page_has_every_row_and_keeps_the_long_run() -> None:
    made = page(
        merged([Record(2, "a | b", SQLITE, "t", "0 lost", "7 lost")]), {"commit": "abc"}, "## Soak\n\n50 devices.\n"
    )
    assert "| a \\| b | SQLite | 0 lost | 7 lost |" in made
    assert all(f"## {row.number}. {row.promise}\n" in made for row in ROWS.values())
    assert made.count("Not shown in this run.") == len(ROWS) - 1
    assert soak_of(made) == "## Soak\n\n50 devices.\n"
    assert "No run yet" in soak_of("")


@pytest.mark.parametrize("workers", [0, 2])
def test_what_a_passing_test_records_is_in_the_summary(
    pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    folder = pytester.path / "kept"
    monkeypatch.setenv("SETWRIGHT_PROMISES", str(folder))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parents[2]))
    pytester.makepyfile(
        """
        def test_good(promise): promise(3, "counting", kept="64 writes, 0 lost", control="9 lost")
        def test_bad(promise):
            promise(3, "counting", kept="this was never so")
            assert False
        def test_unknown(promise): promise(99, "x", kept="x")
        """
    )
    run = pytester.runpytest_subprocess("-p", "tests.promises.plugin", "-n", str(workers))
    run.assert_outcomes(passed=1, failed=2)
    run.stdout.fnmatch_lines(["*Promises*", "*64 writes, 0 lost*9 lost*"])
    assert [record.kept for record in read(folder)] == ["64 writes, 0 lost"]

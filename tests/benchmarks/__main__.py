"""`python -m tests.benchmarks`: the table of targets, each measured beside a peer or a floor in the same run.

Needs '.[tests,benchmarks]'; `--quick` only '.[tests]'. It takes ten minutes, `--quick` one, `--full` longer. Nothing fails for
being slow: it exits with 1 where a row crashed, or where the peer's answer is another. `compare A B`: two commits, or two files
of runs. docs/benchmarks/README.md says what each row means.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec
from rich.console import Console

from tests.benchmarks import compare, report
from tests.benchmarks.history import HISTORY, changes, last_rows, read_runs, save
from tests.benchmarks.run import measure
from tests.benchmarks.target import Scale, Target
from tests.benchmarks.targets import TARGETS


def chosen(names: Sequence[str], scale: Scale) -> list[Target]:
    """The rows and groups of these names; without a name all that the scale has. Raises SystemExit for unknown ones."""
    known = {name for target in TARGETS for name in (target.name, target.group)}
    unknown = [name for name in names if name not in known]
    if unknown:
        raise SystemExit(f"no row or group is called {', '.join(unknown)}; see --list")
    if names:
        return [target for target in TARGETS if {target.name, target.group} & set(names)]
    if scale is Scale.QUICK:
        return [target for target in TARGETS if target.quick]
    return [target for target in TARGETS if scale is Scale.FULL or not target.full]


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.splitlines()[0])
    size = parser.add_mutually_exclusive_group()
    size.add_argument(
        "--quick", action="store_const", dest="scale", const=Scale.QUICK, help="a few rows, small, a minute"
    )
    size.add_argument(
        "--full",
        action="store_const",
        dest="scale",
        const=Scale.FULL,
        help="up to a million holdings, and 10,000 owners",
    )
    parser.add_argument("--only", action="append", default=[], metavar="NAME", help="a row or a group; may be repeated")
    parser.add_argument("--list", action="store_true", help="the rows, and nothing measured")
    parser.add_argument("--save", action="store_true", help=f"add the run to {HISTORY.name}, and draw how times grow")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the run there as well")
    doing = parser.add_subparsers(dest="doing")
    comparing = doing.add_parser("compare", help="two commits, measured in turns, or two files of runs")
    comparing.add_argument("before")
    comparing.add_argument("after")
    asked = parser.parse_args(arguments)
    scale = asked.scale or Scale.USUAL
    console = Console(width=None if sys.stdout.isatty() else 170)
    targets = chosen(asked.only, scale)
    if asked.doing == "compare":
        return compare.run(console, asked.before, asked.after, asked.only, scale)
    if asked.list:
        report.show_targets(console, targets)
        return 0
    earlier = last_rows(read_runs(), scale)
    run = measure(targets, scale, lambda row: report.tell(console, row))
    report.show_run(console, run)
    report.show_changes(console, changes(earlier.values(), run.rows), "the last saved history")
    if asked.json:
        asked.json.write_bytes(msgspec.json.encode(run))
    if asked.save:
        save(run)
        from tests.benchmarks.plots import draw

        draw(run)
    return int(any(row.state in ("crashed", "refused") for row in run.rows))


if __name__ == "__main__":
    sys.exit(main())

"""`python -m tests.soak --minutes 30`: 50 devices and browsers on a server with two workers, on the PostgreSQL that
`SETWRIGHT_TEST_DATABASE_URL` names; every minute a web worker is killed, and a job worker. Ends with 1 where something was lost,
memory grew, or an answer was an unforeseen error; with `--write` the figures go into docs/promises.md."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from tests.conftest import own_database
from tests.promises.__main__ import PAGE, conditions
from tests.promises.table import SOAK
from tests.soak.report import report
from tests.soak.run import run


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=30)
    parser.add_argument("--callers", type=int, default=50)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--kill-seconds", type=float, default=60)
    parser.add_argument("--write", action="store_true", help="put the figures into docs/promises.md")
    asked = parser.parse_args()
    server = os.environ.get("SETWRIGHT_TEST_DATABASE_URL")
    if not server:
        print("SETWRIGHT_TEST_DATABASE_URL must name a PostgreSQL server", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="soak-") as folder, own_database(Path(folder), server) as url:
        result = run(url, asked.minutes, asked.callers, asked.workers, asked.kill_seconds)
    told = report(result, conditions())
    print(told)
    if asked.write:
        before, _, _ = PAGE.read_text(encoding="utf-8").partition(f"{SOAK}\n")
        PAGE.write_text(f"{before}{SOAK}\n\n{told}", encoding="utf-8")
    for complaint in result.complaints[:40]:
        print(complaint, file=sys.stderr)
    return 1 if result.complaints else 0


if __name__ == "__main__":
    sys.exit(main())

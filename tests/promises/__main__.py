"""`python -m tests.promises FOLDER`: the table of what test runs recorded in a folder (`SETWRIGHT_PROMISES`), and 1 where it is
not complete; with `--write`, docs/promises.md is made from it."""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console

from tests.promises import records, table

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "promises.md"


def conditions() -> dict[str, str]:
    """What holds of a whole run on this machine."""
    asked = ["git", "-C", str(ROOT), "rev-parse", "--short", "HEAD"]
    commit = subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()
    model = next((line for line in Path("/proc/cpuinfo").read_text().splitlines() if line.startswith("model name")), "")
    return {
        "Measured": datetime.now(UTC).date().isoformat(),
        "commit": commit or "unknown",
        "machine": f"{model.partition(': ')[2] or platform.machine()}, {os.cpu_count()} cores",
        "Python": platform.python_version(),
    }


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.promises", description=__doc__)
    parser.add_argument("folder", type=Path, help="the folder that SETWRIGHT_PROMISES named when the tests ran")
    parser.add_argument("--write", action="store_true", help="make docs/promises.md from it")
    asked = parser.parse_args()
    shown = records.merged(records.read(asked.folder))
    table.show(Console(width=180), shown, "Promises, on all engines")
    if asked.write:
        before = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
        PAGE.write_text(table.page(shown, conditions(), table.soak_of(before)), encoding="utf-8")
    lacking = records.lacking(shown)
    for line in lacking:
        print(line, file=sys.stderr)
    return 1 if lacking else 0


if __name__ == "__main__":
    sys.exit(main())

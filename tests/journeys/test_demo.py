"""`setwright demo --once`: a really running server, three collections over HTTP, tables, the end."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SETS = ("from-sterling-to-cupro-nickel", "menagerie-table", "gone-from-the-map")


@pytest.mark.process
def test_the_demo_prints_what_the_sets_expect_and_ends() -> None:
    environment = {**os.environ, "COLUMNS": "140"}
    ended = subprocess.run(
        [sys.executable, "-m", "service", "demo", "--once"],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    headlines = re.findall(
        r"(\d+) places: (\d+) filled(?:, (\d+) in doubt)?, (\d+) empty\. .*?: (\d+)\. Proven", ended.stdout
    )
    assert len(headlines) == len(SETS)
    for name, (places, filled, doubt, empty, certain) in zip(SETS, headlines, strict=True):
        expected = json.loads((ROOT / "set_definitions" / f"{name}.expected.json").read_text(encoding="utf-8"))[
            "summary"
        ]
        assert int(places) == expected["places"]
        assert int(certain) == expected["certain"]
        assert int(filled) + int(doubt or 0) == expected["possible"]
        assert int(filled) + int(doubt or 0) + int(empty) == expected["places"]
    assert "In the way: Without 'three-a-land', 2 more places could be filled" in ended.stdout
    assert "fineness: 0.925" in ended.stdout
    assert "Traceback" not in ended.stdout + ended.stderr

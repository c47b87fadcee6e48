"""Tests that something else names, as pytest does: `tests/x/test_y.py::test_z`."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def exists(test: str) -> bool:
    """Whether the file has a function of this name."""
    file, _, name = test.partition("::")
    path = ROOT / file
    defined = re.compile(rf"^(async )?def {re.escape(name)}\(", re.MULTILINE)
    return path.is_file() and defined.search(path.read_text(encoding="utf-8")) is not None

"""The examples in docstrings run and give what they say."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]
NEEDED = (
    "service.assignment.solve",
    "service.assignment.flow",
    "service.assignment.contests",
    "service.evaluation.verdicts",
)
"""Modules that must have an example."""
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for path in (ROOT / "service").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


def run_examples(module: ModuleType) -> tuple[int, str]:
    """The number of examples in the docstrings of a module, and the report of those that fail."""
    runner, report = doctest.DocTestRunner(verbose=False), list[str]()
    for test in doctest.DocTestFinder(exclude_empty=True).find(module):
        runner.run(test, out=report.append)
    return runner.tries, "".join(report)


@pytest.mark.parametrize("name", sorted({*WITH_EXAMPLES, *NEEDED}))
def test_the_examples_of_a_module_give_what_they_say(name: str) -> None:
    examples, report = run_examples(importlib.import_module(name))
    assert examples, f"{name} has no example"
    assert report == ""


def test_an_example_that_is_wrong_is_reported() -> None:
    module = ModuleType("planted", ">>> 1 + 1\n3\n")
    examples, report = run_examples(module)
    assert examples == 1
    assert "Expected:\n    3\nGot:\n    2" in report
    assert run_examples(ModuleType("empty", "No example.")) == (0, "")
